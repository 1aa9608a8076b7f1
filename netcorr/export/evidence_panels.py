"""The picture of what a pair's answer rests on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

from matplotlib.patches import Rectangle

from netcorr.export.palette import FRAME, INK, LEAK, LOOKS, PAPER, PATH, QUIET, ROUNDS, SENSOR, look_of
from netcorr.export.plain_text import plain_text
from netcorr.export.sentences import percent, pipe_label
from netcorr.path.reference import segment_ends_m
from netcorr.units import FOOT_M, UnitSystem

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.path.correlation_path import CorrelationPath
    from netcorr.position.fix import PairFix

_SMALL = 7.0


def compose_evidence(
    figure: Figure, pair: PairFix, *, network: PipeNetwork | None, units: UnitSystem
) -> None:
    """Draw density and pipe strip, likelihood of delays, and coherence on a figure.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        Empty, with a canvas.
    pair : PairFix
        The answer of one pair, with at least one round of evidence.
    network : PipeNetwork or None
        The map, for tees.
    units : {'metric', 'us'}
        Units of the axis along the pipe.
    """
    a, b = plain_text(pair.path.sensor_a), plain_text(pair.path.sensor_b)
    style: dict[str, Any] = {"transform": figure.transFigure, "parse_math": False, "va": "baseline"}
    figure.text(0.025, 0.94, f"Evidence of {a} and {b}", fontsize=13, fontweight="bold", color=INK, **style)
    figure.text(0.025, 0.898, _subtitle(pair), fontsize=8.2, color=QUIET, **style)
    along = figure.add_axes((0.075, 0.62, 0.9, 0.22))
    strip = figure.add_axes((0.075, 0.5, 0.9, 0.07), sharex=along)
    draw_density_panel(along, pair, units)
    draw_strip_panel(strip, pair.path, network, units)
    _draw_delays(figure.add_axes((0.075, 0.1, 0.405, 0.27)), pair)
    draw_coherence_panel(figure.add_axes((0.57, 0.1, 0.405, 0.27)), pair)


def _subtitle(pair: PairFix) -> str:
    parts = [
        ("between the sensors", pair.probability_between),
        ("at or beyond A", pair.probability_beyond_a),
        ("at or beyond B", pair.probability_beyond_b),
        ("no leak heard", pair.probability_none),
    ]
    return "Probability: " + ", ".join(f"{name} {percent(probability)}" for name, probability in parts) + "."


def plain_axes(axes: Axes, title: str) -> None:
    """Give axes their title and the look of all panels."""
    axes.set_title(title, fontsize=8.2, color=INK, loc="left", pad=5, fontweight="bold")
    axes.set_facecolor(PAPER)
    axes.tick_params(labelsize=_SMALL, colors=INK, length=2.5, width=0.6)
    for name, spine in axes.spines.items():
        spine.set_visible(name in {"left", "bottom"})
        spine.set_color(FRAME)
    axes.xaxis.label.set_fontsize(_SMALL)
    axes.yaxis.label.set_fontsize(_SMALL)
    axes.xaxis.label.set_color(INK)
    axes.yaxis.label.set_color(INK)
    box = axes.get_position()
    axes.yaxis.set_label_coords(-0.055 / box.width, 0.5)


def draw_density_panel(axes: Axes, pair: PairFix, units: UnitSystem) -> None:
    """Draw the probability for each metre or foot of main."""
    unit_m, name = _length_unit(units)
    where = pair.position_m / unit_m
    density = 100 * pair.density_per_m * pair.probability_between * unit_m
    for candidate in pair.candidates:
        for low_m, high_m in candidate.stretch_m:
            axes.axvspan(low_m / unit_m, high_m / unit_m, color=LEAK, alpha=0.14, linewidth=0)
    axes.fill_between(where, density, color=LEAK, alpha=0.35, linewidth=0)
    axes.plot(where, density, color=LEAK, linewidth=1.2)
    axes.set_ylim(0, max(float(density.max()) * 1.25, 1e-9))
    axes.set_ylabel(f"probability [% per {name}]")
    best = next((c for c in pair.candidates if c.in_bracket), None)
    if best is not None:
        found = f"{best.from_a_m / unit_m:.1f} {name} from A"
        right = best.from_a_m < 0.6 * pair.path.length_m
        place = ((best.high_m if right else best.low_m) / unit_m, float(density.max()) * 1.06)
        style: dict[str, Any] = {"fontsize": _SMALL, "color": LEAK, "fontweight": "bold"}
        shift, side = (6, "left") if right else (-6, "right")
        text = f"{found}, {percent(best.probability)} in the shaded stretch"
        axes.annotate(text, place, xytext=(shift, 0), textcoords="offset points", ha=side, **style)
    plain_axes(axes, "Where along the main")
    axes.tick_params(labelbottom=False)


def draw_strip_panel(
    axes: Axes, path: CorrelationPath, network: PipeNetwork | None, units: UnitSystem
) -> None:
    """Draw the pipe itself, straightened, with its materials, joints and tees."""
    unit_m, name = _length_unit(units)
    ends = segment_ends_m(path) / unit_m
    for (low, high), text, look in _runs(path, ends, units):
        axes.add_patch(
            Rectangle((low, 0.3), high - low, 0.4, facecolor=LOOKS[look].colour, alpha=0.85, zorder=2)
        )
        if high - low > 0.1 * ends[-1]:
            axes.text(
                (low + high) / 2, 0.49, text, ha="center", va="center", fontsize=6.4, color="white",
                zorder=4, parse_math=False, clip_on=True,
            )  # fmt: skip
    for at in ends[1:-1]:
        axes.plot([at, at], [0.3, 0.7], color="white", linewidth=0.8, zorder=3)
    for at in _tees(path, ends, network):
        axes.plot([at], [0.84], "v", color=INK, markersize=4, zorder=3)
    for at, sensor, side in ((0.0, "A", "left"), (float(ends[-1]), "B", "right")):
        axes.plot(
            [at], [0.5], "s", color=SENSOR, markeredgecolor="white", markersize=8, zorder=5, clip_on=False
        )
        axes.annotate(
            f"{sensor}: {plain_text(path.sensor_a if sensor == 'A' else path.sensor_b)}",
            (at, 0.95), fontsize=_SMALL, color=SENSOR, fontweight="bold", ha=side, va="bottom",
            parse_math=False, annotation_clip=False,
        )  # fmt: skip
    axes.set_xlim(0, ends[-1])
    axes.set_ylim(0, 1)
    plain_axes(axes, "")
    axes.set_facecolor("white")
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    tees = "; triangles are tees" if network is not None else ""
    axes.set_xlabel(f"distance from A along the main [{name}]{tees}", fontsize=_SMALL, color=INK)


def _runs(
    path: CorrelationPath, ends: Any, units: UnitSystem
) -> Sequence[tuple[tuple[float, float], str, str]]:
    """Pieces of the strip with their words, neighbours of one kind as one."""
    runs: list[tuple[tuple[float, float], str, str]] = []
    for segment, low, high in zip(path.segments, ends[:-1], ends[1:], strict=True):
        text, look = pipe_label(segment.material, segment.diameter_mm, units), look_of(segment.material)
        if runs and runs[-1][1] == text:
            runs[-1] = ((runs[-1][0][0], float(high)), text, look)
        else:
            runs.append(((float(low), float(high)), text, look))
    return runs


def _tees(path: CorrelationPath, ends: Any, network: PipeNetwork | None) -> list[float]:
    """Distances at which another main joins the path."""
    if network is None:
        return []
    return [
        float(at)
        for segment, at in zip(path.segments[:-1], ends[1:-1], strict=True)
        if segment.to_node in network.graph and network.graph.degree(segment.to_node) > 2
    ]


def _draw_delays(axes: Axes, pair: PairFix) -> None:
    """Draw the likelihood of every delay in each round."""
    limit_ms = pair.travel_time_s * 1000
    for evidence, colour in zip(pair.evidence, colours_of_rounds(len(pair.evidence)), strict=True):
        axes.plot(
            evidence.delay_s * 1000,
            evidence.log_likelihood,
            color=colour,
            linewidth=1.0,
            label=f"round {evidence.round_number}: {evidence.peak_delay_s * 1000:.2f} ms",
        )
    for at in (-limit_ms, limit_ms):
        axes.axvline(at, color=QUIET, linewidth=0.8, linestyle=(0, (4, 2)))
        axes.axvspan(at, at + (0.25 if at > 0 else -0.25) * limit_ms, color=FRAME, alpha=0.35, linewidth=0)
    axes.set_xlim(-1.18 * limit_ms, 1.18 * limit_ms)
    _headroom(axes)
    axes.set_xlabel("arrival at B minus arrival at A [ms]; shaded: not from between them")
    axes.set_ylabel("log-likelihood of a common source")
    plain_axes(axes, "Which delay")
    _legend(axes, "upper left" if pair.evidence[0].peak_delay_s > 0 else "upper right")


def draw_coherence_panel(axes: Axes, pair: PairFix) -> None:
    """Draw the coherence over frequency with the band that carries the evidence."""
    for evidence, colour in zip(pair.evidence, colours_of_rounds(len(pair.evidence)), strict=True):
        low_hz, high_hz = evidence.band_hz
        axes.axvspan(low_hz, high_hz, color=PATH, alpha=0.3 / len(pair.evidence), linewidth=0)
        axes.plot(
            evidence.frequency_hz,
            evidence.coherence_spectrum,
            color=colour,
            linewidth=0.9,
            label=f"round {evidence.round_number}: {low_hz:.0f} to {high_hz:.0f} Hz",
        )
    top_hz = max(float(e.frequency_hz.max()) for e in pair.evidence)
    axes.set_xlim(0, min(top_hz, 2.2 * max(e.band_hz[1] for e in pair.evidence)))
    axes.set_ylim(0, 1)
    axes.set_xlabel("frequency [Hz]; shaded: the band that carries the evidence")
    axes.set_ylabel("coherence")
    plain_axes(axes, "Which band")
    _legend(axes, "upper right")


def _legend(axes: Axes, place: Literal["upper left", "upper right"]) -> None:
    legend = axes.legend(loc=place, fontsize=6.4, labelcolor=INK, handlelength=1.4)
    legend.get_frame().set(facecolor=PAPER, edgecolor="none", alpha=0.8)


def _headroom(axes: Axes) -> None:
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.28 * (high - low))


def colours_of_rounds(count: int) -> list[str]:
    """Colour of each round."""
    return [ROUNDS[k % len(ROUNDS)] for k in range(count)]


def _length_unit(units: UnitSystem) -> tuple[float, str]:
    return (FOOT_M, "ft") if units == "us" else (1.0, "m")
