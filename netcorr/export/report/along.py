"""The pipe between two sensors drawn to scale, under what the recordings say of each place on it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from netcorr.export.plain_text import plain_text
from netcorr.export.report.along_data import (
    Feature,
    Run,
    curves_along,
    features_of,
    length_unit,
    place_of,
    runs_of,
)
from netcorr.export.report.axes import Panel, Scale
from netcorr.export.report.figure import DataTable, Figure, picture
from netcorr.export.report.svg import element, group
from netcorr.export.sentences import format_length, percent
from netcorr.units import UnitSystem, format_speed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.position.fix import Candidate, PairFix

_WIDTHS = (900.0, 440.0)
_LEFT, _RIGHT = 50.0, 14.0
_PANEL = 112.0
#: Width of a letter of the chart's text, about.
_LETTER = 7.0


def along_figure(
    pair: PairFix, candidate: Candidate | None, *, network: PipeNetwork, units: UnitSystem
) -> Figure:
    """Evidence and probability over the distance from A, over the pipe to scale.

    Parameters
    ----------
    pair : PairFix
        The pair, with its curves.
    candidate : Candidate or None
        The candidate whose stretch is marked.
    network : PipeNetwork
        The map, for tees and fittings.
    units : {'metric', 'us'}
        Units of the axis.

    Returns
    -------
    Figure
        For wide and for narrow pages.
    """
    words = _words(pair, candidate, units)
    runs, features = runs_of(pair, units), features_of(network, pair.path)
    drawn = tuple(
        _draw(pair, candidate, runs=runs, features=features, width=width, words=words, units=units)
        for width in _WIDTHS
    )
    return Figure(
        title="Where along the main",
        words=words,
        pictures=drawn,
        table=_table(pair, candidate, runs=runs, features=features, units=units),
        kind="along",
    )


def _words(pair: PairFix, candidate: Candidate | None, units: UnitSystem) -> str:
    length = format_length(pair.path.length_m, units)
    a, b = plain_text(pair.path.sensor_a), plain_text(pair.path.sensor_b)
    start = (
        f"The pipe from {a} (A) to {b} (B), {length}, drawn straight and to scale. "
        "Above it, how well a source at each place fits each round, and the "
        "probability of a leak for each piece of main, all rounds together."
    )
    if candidate is None or not candidate.in_bracket:
        return start
    low, high = (format_length(m, units) for m in (candidate.low_m, candidate.high_m))
    return f"{start} Shaded: the 95 % stretch, {low} to {high} from A."


def _draw(
    pair: PairFix,
    candidate: Candidate | None,
    *,
    runs: list[Run],
    features: list[Feature],
    width: float,
    words: str,
    units: UnitSystem,
) -> Markup:
    unit_m, name = length_unit(units)
    x = Scale(0.0, pair.path.length_m / unit_m, _LEFT, width - _RIGHT)
    parts: list[Markup] = []
    top = 22.0
    if pair.evidence and pair.position_m.size:
        where, curves = curves_along(pair)
        panel = _evidence_panel(curves, x, top=top)
        second = _density_panel(pair, x, top=top + _PANEL + 34, unit_m=unit_m)
        parts += _shades(candidate, (panel, second), unit_m)
        fit = "log-likelihood of a source" if width > _WIDTHS[1] else "log-likelihood"
        parts.append(panel.frame(y_words=fit, y_ticks=3))
        parts += [
            panel.line(where / unit_m, values, class_=f"curve round{index % 4}")
            for index, values in enumerate(curves)
        ]
        parts += _round_names(pair, panel)
        parts.append(second.frame(y_words=f"probability of a leak, % per {name}", y_ticks=3))
        parts.append(_density_line(pair, second, unit_m))
        top += 2 * _PANEL + 44
    strip, height = _strip(pair, candidate, runs=runs, features=features, x=x, top=top, units=units)
    return picture(
        [*parts, strip], width=width, height=height, name="Where along the main", words=words,
        class_="wide" if width == _WIDTHS[0] else "narrow",
    )  # fmt: skip


def _evidence_panel(curves: list[NDArray[np.float64]], x: Scale, *, top: float) -> Panel:
    high = max(float(curve.max()) for curve in curves)
    low = min(float(curve.min()) for curve in curves)
    pad = 0.06 * max(high - low, 1.0)
    return Panel(x, Scale(low - pad, high + pad, top + _PANEL, top))


def _density_panel(pair: PairFix, x: Scale, *, top: float, unit_m: float) -> Panel:
    peak = 100 * float(pair.density_per_m.max()) * pair.probability_between * unit_m
    return Panel(x, Scale(0.0, max(1.12 * peak, 1e-6), top + _PANEL - 22, top))


def _shades(candidate: Candidate | None, panels: tuple[Panel, ...], unit_m: float) -> Iterator[Markup]:
    for low_m, high_m in candidate.stretch_m if candidate else ():
        for panel in panels:
            yield panel.band(low_m / unit_m, high_m / unit_m, class_="stretch")


def _round_names(pair: PairFix, panel: Panel) -> Iterator[Markup]:
    for index, one in enumerate(pair.evidence[:6]):
        at = {"x": panel.x.stop - 4 - 88 * (len(pair.evidence[:6]) - 1 - index), "y": panel.y.stop - 7}
        text = element("text", f"round {one.round_number}", **at, text_anchor="end", class_="words")
        sample = element(
            "line", x1=at["x"] - 78, x2=at["x"] - 60, y1=at["y"] - 4, y2=at["y"] - 4,
            class_=f"curve round{index % 4}",
        )  # fmt: skip
        yield group([sample, text])


def _density_line(pair: PairFix, panel: Panel, unit_m: float) -> Markup:
    share = 100 * pair.density_per_m * pair.probability_between * unit_m
    return panel.line(pair.position_m / unit_m, share, class_="curve leak")


def _strip(
    pair: PairFix,
    candidate: Candidate | None,
    *,
    runs: list[Run],
    features: list[Feature],
    x: Scale,
    top: float,
    units: UnitSystem,
) -> tuple[Markup, float]:
    """Draw the pipe, and say how far down the picture goes."""
    unit_m, name = length_unit(units)
    # the lowest line holds the names of the sensors, too
    taken = [_LETTER * len(plain_text(end)) + 12 for end in (pair.path.sensor_a, pair.path.sensor_b)]
    named = [(x.at(f.from_a_m / unit_m), f.name) for f in features if f.kind != "tee"]
    lanes = _lanes(named, x, taken=(taken[0], taken[1]))
    above = 18.0 * (1 + max((lane for lane in lanes if lane is not None), default=-1))
    y = top + 38.0 + above
    parts = [_run_bar(run, x, y, unit_m) for run in runs]
    shown = iter(lanes)
    for feature in features:
        lane = None if feature.kind == "tee" else next(shown)
        parts.append(_feature(feature, x.at(feature.from_a_m / unit_m), y, lane))
    if candidate is not None and candidate.in_bracket:
        parts += _leak_mark(candidate, x, y, units)
    parts += _ends(pair, x, y)
    under, lines = _run_words(runs, x, y + 36, unit_m)
    parts += under
    axis = Panel(x, Scale(0, 1, y + 42 + 17 * lines, y + 41 + 17 * lines))
    parts.append(axis.frame(x_words=f"distance from A along the main, {name}", y_ticks=0, x_ticks=8))
    return group(parts, class_="strip"), y + 42 + 17 * lines + 44


def _run_bar(run: Run, x: Scale, y: float, unit_m: float) -> Markup:
    left, right = x.at(run.low_m / unit_m), x.at(run.high_m / unit_m)
    bar = element("rect", x=left, y=y - 8, width=right - left, height=16.0, class_=f"pipe {run.look}")
    edge = element("line", x1=left, x2=left, y1=y - 8, y2=y + 8, class_="joint")
    return group([bar, edge])


def _feature(feature: Feature, at: float, y: float, lane: int | None) -> Markup:
    """Draw a tee as a stub, a valve as a bar across, anything else as a ring; names where there is room."""
    if feature.kind == "tee":
        parts = [element("line", x1=at, x2=at, y1=y - 20, y2=y - 8, class_="tee")]
    elif feature.kind == "valve":
        parts = [element("line", x1=at, x2=at, y1=y - 13, y2=y + 13, class_="valve")]
    else:
        parts = [element("circle", cx=at, cy=y, r=4.5, class_="fitting")]
    if lane is not None:
        high = y - 27 - 18 * lane
        parts.append(element("line", x1=at, x2=at, y1=high + 3, y2=y - 13, class_="lead"))
        parts.append(element("text", feature.name, x=at, y=high, text_anchor="middle", class_="tick"))
    return group([element("title", f"{feature.kind} {feature.name}"), *parts])


def _leak_mark(candidate: Candidate, x: Scale, y: float, units: UnitSystem) -> Iterator[Markup]:
    unit_m, _ = length_unit(units)
    for low_m, high_m in candidate.stretch_m:
        left, right = x.at(low_m / unit_m), x.at(high_m / unit_m)
        yield element("rect", x=left, y=y - 14, width=max(right - left, 2.0), height=28.0, class_="leak-box")
    yield element("circle", cx=x.at(candidate.from_a_m / unit_m), cy=y, r=5.5, class_="leak-point")


def _ends(pair: PairFix, x: Scale, y: float) -> Iterator[Markup]:
    for at, letter, name, anchor in (
        (x.start, "A", pair.path.sensor_a, "start"),
        (x.stop, "B", pair.path.sensor_b, "end"),
    ):
        yield element("rect", x=at - 9, y=y - 9, width=18, height=18, class_="sensor")
        yield element("text", letter, x=at, y=y + 5, text_anchor="middle", class_="letter")
        edge = at - 9 if anchor == "start" else at + 9
        yield element("text", name, x=edge, y=y - 16, text_anchor=anchor, class_="sensor-name")


def _run_words(runs: list[Run], x: Scale, y: float, unit_m: float) -> tuple[list[Markup], int]:
    """Words under the runs in three lines at most, and how many lines; those without room are left out."""
    middles = [x.at((run.low_m + run.high_m) / 2 / unit_m) for run in runs]
    lanes = _lanes(list(zip(middles, (run.words for run in runs), strict=True)), x, inside=True)
    parts = []
    for run, at, lane in zip(runs, middles, lanes, strict=True):
        if lane is not None:
            half = _LETTER * len(run.words) / 2
            place = min(max(at, x.start + half), x.stop - half)
            low = y - 8 + 17 * lane
            if lane:
                parts.append(element("line", x1=at, x2=at, y1=y - 26, y2=low - 12, class_="lead"))
            parts.append(element("text", run.words, x=place, y=low, text_anchor="middle", class_="tick"))
    return parts, 1 + max((lane for lane in lanes if lane is not None), default=0)


def _lanes(
    labels: list[tuple[float, str]],
    x: Scale,
    *,
    taken: tuple[float, float] = (0.0, 0.0),
    inside: bool = False,
) -> list[int | None]:
    """Line in which each label has room, None where it has none in three; the first is partly taken."""
    first = (x.start - 8 + taken[0], x.stop + 8 - taken[1])
    last = [-1e9] * 3
    found: list[int | None] = []
    for at, text in labels:
        half = _LETTER * len(text) / 2 + 4
        left, right = at - half, at + half
        if inside:
            left, right = max(left, x.start), max(right, x.start + 2 * half)
        fits = left >= first[0] and right <= first[1]
        lane = next((k for k in range(3) if left >= last[k] and (k or fits)), None)
        if lane is not None:
            last[lane] = right
        found.append(lane)
    return found


def _table(
    pair: PairFix,
    candidate: Candidate | None,
    *,
    runs: list[Run],
    features: list[Feature],
    units: UnitSystem,
) -> DataTable:
    """Everything along the path in its order."""
    rows: list[tuple[float, tuple[str, str, str]]] = []
    for run in runs:
        span = f"{format_length(run.low_m, units)} to {format_length(run.high_m, units)}"
        slow, fast = (format_speed(speed, units) for speed in run.speeds_m_s)
        speed = slow if slow == fast else f"{slow} to {fast}"
        text = f"{run.words}; main {', '.join(run.pipe_ids)}; wave speed {speed}"
        rows.append((run.low_m - 1e-6, ("main", span, text)))
    rows += [(f.from_a_m, (f.kind, format_length(f.from_a_m, units), f.name)) for f in features]
    for one in pair.evidence:
        at = place_of(pair, one.peak_delay_s)
        text = f"clearest place of round {one.round_number} alone"
        rows.append((at, ("evidence", format_length(at, units), text)))
    for low_m, high_m in candidate.stretch_m if candidate else ():
        span = f"{format_length(low_m, units)} to {format_length(high_m, units)}"
        chance = percent(candidate.probability) if candidate else ""
        rows.append((low_m, ("95 % stretch", span, f"probability {chance}")))
    ordered = tuple(row for _, row in sorted(rows, key=lambda item: item[0]))
    return DataTable(("What", "From A", "Name or value"), ordered)
