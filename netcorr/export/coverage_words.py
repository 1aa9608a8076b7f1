"""A coverage in words: how much, why not the rest, how well a leak would be placed, what to do next."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

import numpy as np

from netcorr.export.check_words import WIDTH, plain_lines
from netcorr.export.coverage_tables import reach_rows
from netcorr.export.fix_words import assumed_text, extent
from netcorr.export.pipe_words import material_text
from netcorr.export.plain_text import plain_text
from netcorr.export.sentences import format_length
from netcorr.planning.cover_answer import lonely_sensors
from netcorr.planning.cover_totals import MATERIAL, ZONE
from netcorr.planning.why_not_covered import REASONS
from netcorr.units import format_count

if TYPE_CHECKING:
    from netcorr.planning.cover_answer import CoverAnswer
    from netcorr.planning.cover_totals import Total
    from netcorr.units import UnitSystem

#: So many zones, dead ends and kinds of main are told; all are in the file.
_TOLD = 8
#: What goes with a plan that sends crews to chambers in the road.
_CARE = (
    "Coverage is computed from the map and from a reach that is mostly common practice: a quiet leak, a "
    "patch of plastic or a wrong map leaves gaps. No leak heard is not: no leak.",
    "Work in a road needs traffic control; a chamber is a confined space.",
)


def coverage_text(answer: CoverAnswer, *, units: UnitSystem = "metric") -> str:
    """Result of a coverage in plain text, 80 columns wide.

    Parameters
    ----------
    answer : CoverAnswer
        What sites cover.
    units : {'metric', 'us'}
        Metres, or feet and miles.

    Returns
    -------
    str
        How much is covered first, then why the rest is not. Ends without a line break.
    """
    total = answer.totals[0]
    parts = [
        _headline(answer, total, units),
        _section("Why no pair has the rest between it", _why(total, units)),
        _section("By material", _table(answer, MATERIAL, units)),
        _section("By zone", _table(answer, ZONE, units)),
        _section("How well a leak would be placed", _wrapped(_placing(answer, total, units))),
        _section("Dead ends", _wrapped(_dead_ends(answer, units))),
        _section("Sensors", _wrapped(_sensors(answer, units))),
        _section("Reach: longest main between two loggers, without tees", _reach(answer, units)),
        _section("To know", _wrapped([*_assumed(answer, units), *answer.notes, *_CARE])),
    ]
    return plain_lines(line for part in parts for line in part)


def _headline(answer: CoverAnswer, total: Total, units: UnitSystem) -> list[str]:
    source = plain_text(answer.cover.mains.network.source)
    count = len(answer.cover.problem.sites)
    verdict = (
        f"{source}: {format_count(count, 'sensor')} cover{'s' if count == 1 else ''} "
        f"{total.covered_percent:.1f} % of the mains: "
        f"{extent(total.covered_m, units)} of {extent(total.total_m, units)}"
    )
    rows = [
        ("covered", total.covered_m, "between two sensors that hear it"),
        ("heard by one side only", total.heard_m, "a leak is noticed, not located"),
        ("not covered", total.not_covered_m, "no sensor hears it"),
    ]
    lines = [
        f"  {name:<24}{extent(length_m, units):>10} {_percent(length_m, total):>7}  {words}"
        for name, length_m, words in rows
    ]
    twice = (
        f"    by two pairs or more  {extent(total.twice_m, units):>10} {_percent(total.twice_m, total):>7}"
    )
    return [*textwrap.wrap(verdict, WIDTH), "", lines[0], twice, *lines[1:]]


def _percent(length_m: float, total: Total) -> str:
    return f"{100 * length_m / total.total_m:.1f} %" if total.total_m > 0 else "-"


def _why(total: Total, units: UnitSystem) -> Iterator[str]:
    for reason, length_m in total.why_m:
        head = f"  {reason:<24}{extent(length_m, units):>10} {_percent(length_m, total):>7}  "
        yield from textwrap.wrap(head + REASONS[reason], WIDTH, subsequent_indent=" " * 46)


def _table(answer: CoverAnswer, by: str, units: UnitSystem) -> Iterator[str]:
    rows = [one for one in answer.totals if one.by == by]
    for one in rows[:_TOLD]:
        name = material_text(one.name or None) if by == MATERIAL else one.name or "in no zone"
        loose = f", {extent(one.loose_m, units)} of it loosely" if one.loose_m else ""
        yield (
            f"  {name[:23]:<24}{extent(one.covered_m, units):>10} {one.covered_percent:>5.1f} %  "
            f"of {extent(one.total_m, units)}{loose}"
        )
    if len(rows) > _TOLD:
        yield f"  and {len(rows) - _TOLD} more: see coverage_totals"


def _placing(answer: CoverAnswer, total: Total, units: UnitSystem) -> Iterator[str]:
    pieces = answer.cover.pieces
    known = np.isfinite(pieces.expected_m)
    if known.any():
        yield (
            "the 95 % stretch of a leak would be "
            f"{format_length(float(pieces.expected_m[known].min()), units)} at best, "
            f"{format_length(total.expected_m, units)} at half of the metres covered, "
            f"{format_length(float(pieces.expected_m[known].max()), units)} at worst; a crew adds what the "
            "map itself is off"
        )
    if total.loose_m:
        yield (
            f"{extent(total.loose_m, units)} of covered main would get a stretch longer than "
            f"{format_length(answer.loose_from_m, units)}, too loose to dig: put a sensor nearer, or learn "
            "the wave speed of these mains"
        )
    unknown_m = float(pieces.length_m[(pieces.pairs > 0) & ~known].sum())
    if unknown_m:
        yield (
            f"{extent(unknown_m, units)} of covered main is on paths with a main of unknown material or "
            "size: a leak there cannot be located until the map says what it is"
        )


def _dead_ends(answer: CoverAnswer, units: UnitSystem) -> Iterator[str]:
    ends = answer.dead_ends
    if not ends:
        return
    length_m = sum(one.length_m for one in ends)
    yield (
        f"{format_count(len(ends), 'dead end')} with {extent(length_m, units)} "
        "that no pair can have between it; cover them by listening, or:"
    )
    edges = answer.cover.mains.edges
    by_remedy: dict[str, list[str]] = {}
    for one in ends:
        named = f"{edges[int(one.edges[0])]['pipe_id']} ({extent(one.length_m, units)})"
        by_remedy.setdefault(answer.remedy(one), []).append(named)
    for remedy, named_ends in list(by_remedy.items())[:_TOLD]:
        more = f" and {len(named_ends) - _TOLD} more" if len(named_ends) > _TOLD else ""
        yield f"{remedy}: main {', '.join(named_ends[:_TOLD])}{more}"
    if len(by_remedy) > _TOLD:
        yield f"and {len(by_remedy) - _TOLD} more: see dead_ends"


def _sensors(answer: CoverAnswer, units: UnitSystem) -> Iterator[str]:
    problem = answer.cover.problem
    pairs = np.bincount(problem.pair_sites.ravel(), minlength=len(problem.sites))
    yield (
        f"{format_count(len(answer.given), 'site')} given, "
        f"{format_count(len(problem.sites), 'place')} on the mains, "
        f"{format_count(len(problem.pair_sites), 'pair')} within reach of each other"
    )
    lonely = problem.sites.fitting[pairs == 0].tolist()
    if len(lonely) > _TOLD:
        names = ", ".join(map(str, lonely[:_TOLD]))
        yield f"no other sensor within reach of {names} and {len(lonely) - _TOLD} more"
    elif lonely:
        for name, nearest in lonely_sensors(answer.cover).items():
            if nearest is None:
                yield f"{name}: no open main leads to another sensor"
            else:
                away = format_length(nearest[1], units)
                yield f"{name}: the nearest other sensor, {nearest[0]}, is {away} along the mains: too far"
    for name, why in list(answer.unused.items())[:_TOLD]:
        yield f"{name} {why}"


def _assumed(answer: CoverAnswer, units: UnitSystem) -> Iterator[str]:
    cover = answer.cover
    assumed = np.array([bool(edge["assumed"]) for edge in cover.mains.edges], dtype=bool)
    assumed_m = float(cover.pieces.length_m[assumed[cover.pieces.edge]].sum())
    if assumed_m:
        yield assumed_text(assumed_m, "coverage", units)


def _reach(answer: CoverAnswer, units: UnitSystem) -> Iterator[str]:
    rows = reach_rows(answer)
    for kind, reach_m, source in rows[:_TOLD]:
        yield f"  {kind[:34]:<36}{extent(reach_m, units):>8}  {source}"
    if len(rows) > _TOLD:
        yield f"  and {len(rows) - _TOLD} more: see reach_m in coverage"


def _section(title: str, lines: Iterable[str]) -> list[str]:
    listed = list(lines)
    return ["", title, *listed] if listed else []


def _wrapped(texts: Iterable[str]) -> Iterator[str]:
    for text in texts:
        yield from textwrap.wrap(
            plain_text(text), WIDTH, initial_indent="  - ", subsequent_indent="    ", break_long_words=False
        )
