"""Title, caution and legend of the picture of the map."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from netcorr.export.palette import CLOSED, INK, LEAK, LOOKS, PATH, QUIET, SENSOR
from netcorr.export.plain_text import plain_text
from netcorr.export.sentences import fitting_label, is_spread_out, percent, pipe_label
from netcorr.units import UnitSystem, format_length

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from netcorr.position.fix import Candidate, SurveyFix

_CAUTION = (
    "A computed position, no permission to dig: have every utility located first; "
    "a licensed crew and the local rules decide."
)
_SILENCE = (
    "No noise of a leak stood out. A leak may still be there: too quiet for this distance and material, or "
    "hidden by other noise."
)


def map_titles(figure: Figure, fix: SurveyFix, *, units: UnitSystem) -> None:
    """Write title, subtitle and caution."""
    title, subtitle = title_words(fix, units=units)
    style: dict[str, Any] = {"transform": figure.transFigure, "parse_math": False, "va": "baseline"}
    figure.text(0.025, 0.94, title, fontsize=13, fontweight="bold", color=INK, **style)
    figure.text(0.025, 0.898, subtitle, fontsize=8.2, color=QUIET, **style)
    words = _CAUTION if fix.candidates else _SILENCE
    figure.text(0.025, 0.028, words, fontsize=6.8, color=QUIET, **style)


def title_words(fix: SurveyFix, *, units: UnitSystem) -> tuple[str, str]:
    """Title and subtitle: the outcome, and what matters most about it.

    Parameters
    ----------
    fix : SurveyFix
        The answer, with at least one pair.
    units : {'metric', 'us'}
        Units of lengths.

    Returns
    -------
    title, subtitle : str
        One line each.
    """
    best = fix.candidates[0] if fix.candidates else None
    if best is None:
        return _no_leak(fix)
    a, b = (fitting_label(end, fix) for end in (best.sensor_a, best.sensor_b))
    if not best.in_bracket:
        near = fitting_label(best.beyond, fix)
        advice = f"Do not dig between {a} and {b}; move a logger beyond {near}."
        return f"Noise at or beyond {near}", f"Probability {percent(best.probability)}. {advice}"
    return f"Leak candidate between {a} and {b}", _facts(best, units)


def _no_leak(fix: SurveyFix) -> tuple[str, str]:
    path = fix.pairs[0].path
    where = " and ".join(fitting_label(end, fix) for end in (path.sensor_a, path.sensor_b))
    others = len(fix.pairs) - 1
    more = "" if not others else f" and {others} more pair{'s' if others > 1 else ''}"
    if any(is_spread_out(pair) for pair in fix.pairs):
        return "Noise between sensors, place unknown", f"Between {where}{more}. Record again before digging."
    return "No leak heard", f"Between {where}{more}. Silence is not proof."


def _facts(best: Candidate, units: UnitSystem) -> str:
    low, high = (format_length(m, units) for m in (best.low_m, best.high_m))
    pipe = pipe_label(best.material, best.diameter_mm, units)
    return (
        f"Probability {percent(best.probability)}. On main {plain_text(best.pipe_id)} ({pipe}), "
        f"95 % stretch {low} to {high} from {plain_text(best.sensor_a)}."
    )


def draw_legend(figure: Figure, fix: SurveyFix, used: set[str], *, units: UnitSystem) -> None:
    """Explain what occurs on the map, below the close-up."""
    best = fix.candidates[0] if fix.candidates else None
    handles = [] if best is None else _leak_handles(best, fix.map_accuracy_m, units)
    handles += [
        _mark("s", "sensor", SENSOR, size=7),
        Line2D([], [], color=PATH, linewidth=7, label="pipe between the sensors", solid_capstyle="butt"),
        _mark("o", "valve, hydrant or other fitting", "white", size=3, edge=QUIET),
    ]
    handles += [
        Line2D([], [], color=look.colour, linestyle=look.dashes, linewidth=1.8, label=f"main, {look.label}")
        for key, look in LOOKS.items()
        if key in used
    ]
    if CLOSED in used:
        colour = LOOKS["iron"].colour
        handles.append(Line2D([], [], color=colour, alpha=0.35, linewidth=1.8, label="main, closed (pale)"))
    figure.legend(
        handles=handles,
        loc="upper left",
        bbox_to_anchor=(0.637, 0.385),
        frameon=False,
        fontsize=7.0,
        labelcolor=INK,
        handlelength=2.4,
        labelspacing=0.5,
        borderaxespad=0.2,
    )


def _leak_handles(best: Candidate, map_accuracy_m: float, units: UnitSystem) -> list[Any]:
    inside = best.in_bracket
    accuracy = format_length(map_accuracy_m, units)
    return [
        _mark(*(("o", "most probable point") if inside else ("X", "sensor at the noise")), LEAK, size=8),
        Line2D(
            [], [], color=LEAK, linewidth=3.6, solid_capstyle="butt",
            label="95 % stretch of main" if inside else "mains that it may lie on",
        ),
        Patch(facecolor=LEAK, alpha=0.28, label=f"area to search (map good to {accuracy})"),
    ]  # fmt: skip


def _mark(marker: str, label: str, face: str, *, size: float, edge: str = "white") -> Line2D:
    look: dict[str, Any] = {"markerfacecolor": face, "markeredgecolor": edge, "markersize": size}
    return Line2D([], [], marker=marker, color="none", label=label, **look)
