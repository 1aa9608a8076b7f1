"""Coherence and phase over frequency, and where each round points."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from netcorr.export.report.along_data import length_unit, place_of, something_heard
from netcorr.export.report.axes import Panel, Scale
from netcorr.export.report.figure import DataTable, Figure, picture
from netcorr.export.report.svg import element
from netcorr.export.sentences import format_length
from netcorr.units import UnitSystem

if TYPE_CHECKING:
    from netcorr.position.fix import Candidate, PairFix

_WIDTH = 440.0
_LEFT, _RIGHT = 46.0, 14.0
#: Below this coherence a phase says nothing and is not drawn.
TELLING = 0.05
_NOTHING = "No noise in common stood out here."


def spectra_figure(pair: PairFix) -> Figure:
    """Coherence and remaining phase over frequency, with the band that carries the evidence.

    Parameters
    ----------
    pair : PairFix
        With at least one round of evidence.

    Returns
    -------
    Figure
        Two panels over one frequency axis.
    """
    top_hz = highest_hz(pair)
    x = Scale(0.0, top_hz, _LEFT, _WIDTH - _RIGHT)
    upper = Panel(x, Scale(0.0, 1.0, 142.0, 22.0))
    lower = Panel(x, Scale(-180.0, 180.0, 290.0, 186.0))
    parts: list[Markup] = []
    for one in pair.evidence if something_heard(pair) else ():
        parts += [panel.band(*one.band_hz, class_="band") for panel in (upper, lower)]
    parts.append(upper.frame(y_words="coherence", y_ticks=3))
    parts.append(lower.frame(x_words="frequency, Hz", y_words="phase that is left, degrees", y_ticks=4))
    parts += _key(pair)
    for index, one in enumerate(pair.evidence):
        parts.append(upper.line(one.frequency_hz, one.coherence_spectrum, class_=f"curve round{index % 4}"))
        parts += _phases(pair, index, lower, top_hz)
    words = (
        "Coherence says how alike the two recordings are at each frequency, 1 being one and the same noise. "
        "The phase is what remains when the delay found is taken out: flat where one wave explains the "
        "noise; drawn where the coherence is above 0.05. "
        + ("Shaded: the band that carries the evidence." if something_heard(pair) else _NOTHING)
    )
    drawn = picture(parts, width=_WIDTH, height=330.0, name="Which frequencies", words=words)
    return Figure("Which frequencies", words, (drawn,), _spectra_table(pair, top_hz))


def highest_hz(pair: PairFix) -> float:
    """Frequency up to which pictures of a pair go: about twice its band."""
    known = max(
        (float(one.frequency_hz.max()) for one in pair.evidence if one.frequency_hz.size), default=0.0
    )
    band = max(one.band_hz[1] for one in pair.evidence)
    return max(min(known, 2.0 * band), 50.0)


def _key(pair: PairFix) -> Iterator[Markup]:
    shown = pair.evidence[:4]
    for index, one in enumerate(shown):
        x = _WIDTH - _RIGHT - 4 - 84 * (len(shown) - 1 - index)
        look = f"curve round{index % 4}"
        yield element("line", x1=x - 76, x2=x - 58, y1=11.0, y2=11.0, class_=look)
        yield element("text", f"round {one.round_number}", x=x, y=15.0, text_anchor="end", class_="words")


def _phases(pair: PairFix, index: int, panel: Panel, top_hz: float) -> Iterator[Markup]:
    one = pair.evidence[index]
    telling = (one.coherence_spectrum > TELLING) & (one.frequency_hz <= top_hz)
    for frequency, phase in zip(one.frequency_hz[telling], np.degrees(one.phase_rad[telling]), strict=True):
        at = {"cx": panel.x.at(float(frequency)), "cy": panel.y.at(float(phase))}
        yield element("circle", **at, r=2.6, class_=f"dot round{index % 4}")


def _spectra_table(pair: PairFix, top_hz: float) -> DataTable:
    """Means over ten equal stretches of frequency."""
    edges = np.linspace(0.0, top_hz, 11)
    headers = ["Frequency"]
    for one in pair.evidence:
        headers += [f"Coherence, round {one.round_number}", f"Phase, round {one.round_number}"]
    rows = []
    for low, high in pairwise(edges.tolist()):
        row = [f"{low:.0f} to {high:.0f} Hz"]
        for one in pair.evidence:
            inside = (one.frequency_hz >= low) & (one.frequency_hz < high)
            if not inside.any():
                row += ["not used", ""]
                continue
            weight = one.coherence_spectrum[inside]
            angle = np.angle((weight * np.exp(1j * one.phase_rad[inside])).sum())
            mean = float(weight.mean())
            row += [f"{mean:.2f}", f"{np.degrees(angle):.0f} degrees" if mean > TELLING else ""]
        rows.append(tuple(row))
    return DataTable(tuple(headers), tuple(rows))


def rounds_figure(pair: PairFix, candidate: Candidate | None, *, units: UnitSystem) -> Figure:
    """Where each round points by itself, with its spread, beside the 95 % stretch.

    Parameters
    ----------
    pair : PairFix
        With at least one round of evidence.
    candidate : Candidate or None
        Whose stretch is marked.
    units : {'metric', 'us'}
        Units of the axis.

    Returns
    -------
    Figure
        One row a round.
    """
    unit_m, name = length_unit(units)
    places = [_round_place(pair, index) for index in range(len(pair.evidence))]
    spans = [span for place, spread, second in places for span in (place - spread, place + spread, second)]
    stretches = [m for span in (candidate.stretch_m if candidate else ()) for m in span]
    low, high = min([*spans, *stretches]), max([*spans, *stretches])
    pad = max(0.15 * (high - low), 1.0)
    x = Scale(max(low - pad, 0.0) / unit_m, min(high + pad, pair.path.length_m) / unit_m, 78.0, _WIDTH - 20)
    bottom = 20.0 + 34.0 * len(places)
    panel = Panel(x, Scale(0.0, 1.0, bottom, 14.0))
    parts = [
        panel.band(a / unit_m, b / unit_m, class_="stretch")
        for a, b in (candidate.stretch_m if candidate else ())
    ]
    parts.append(panel.frame(x_words=f"distance from A along the main, {name}", y_ticks=0, x_ticks=5))
    for index, (place, spread, second) in enumerate(places):
        y = 34.0 + 34.0 * index
        number = pair.evidence[index].round_number
        left, right = (x.at((place + side * spread) / unit_m) for side in (-1, 1))
        parts += [
            element("text", f"round {number}", x=8.0, y=y + 4, class_="words"),
            element("line", x1=left, x2=right, y1=y, y2=y, class_=f"curve round{index % 4}"),
            element("circle", cx=x.at(place / unit_m), cy=y, r=5.0, class_=f"dot round{index % 4}"),
            element("circle", cx=x.at(second / unit_m), cy=y, r=6.5, class_=f"ring round{index % 4}"),
        ]
    words = (
        "Dots: where each round points by itself; the line through a dot is twice the standard error of the "
        "recordings alone. Rings: the place by plain correlation, a second opinion. "
    )
    if candidate is not None and candidate.stretch_m:
        words += "Shaded: the 95 % stretch, which also allows for speed, lengths and clocks."
    elif not something_heard(pair):
        words += f"{_NOTHING} Such places scatter by chance and mean nothing."
    drawn = picture(parts, width=_WIDTH, height=bottom + 44, name="Do the rounds agree", words=words)
    return Figure("Do the rounds agree", words, (drawn,), _rounds_table(pair, places, units))


def _round_place(pair: PairFix, index: int) -> tuple[float, float, float]:
    """Place of one round, twice its spread, and the place by plain correlation. [m]"""
    one = pair.evidence[index]
    place = place_of(pair, one.peak_delay_s)
    ends = [place_of(pair, one.peak_delay_s + side * 2 * one.standard_error_s) for side in (-1, 1)]
    return place, abs(ends[1] - ends[0]) / 2, place_of(pair, one.second_opinion_s)


def _rounds_table(pair: PairFix, places: list[tuple[float, float, float]], units: UnitSystem) -> DataTable:
    headers = (
        "Round", "Delay (B after A)", "Standard error", "Place from A", "Plain correlation", "Coherence",
        "Band", "Chance of noise alone", "Record used",
    )  # fmt: skip
    rows = tuple(
        (
            f"{one.round_number}",
            f"{one.peak_delay_s * 1000:.2f} ms",
            f"{one.standard_error_s * 1000:.3f} ms",
            format_length(place, units),
            format_length(second, units),
            f"{one.coherence:.2f}",
            f"{one.band_hz[0]:.0f} to {one.band_hz[1]:.0f} Hz",
            "under one in a million" if one.significance < 1e-6 else f"{one.significance:.2g}",
            f"{one.duration_s:.1f} s",
        )
        for one, (place, _, second) in zip(pair.evidence, places, strict=True)
    )
    return DataTable(headers, rows)
