"""A plan in words: what it reaches, how surely best, what is left and why."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from netcorr.export.fix_words import assumed_text, extent
from netcorr.export.pipe_words import material_text
from netcorr.export.plain_text import plain_text
from netcorr.export.plan.expected import expected_words
from netcorr.export.plan.facts import plan_dict
from netcorr.export.plan.round_rows import covered_in, times_text
from netcorr.export.plan.schema import PLANNED_MAINS
from netcorr.export.plan.tables import dead_end_advice, states

if TYPE_CHECKING:
    from netcorr.planning.expected_map import ExpectedFix
    from netcorr.planning.plan import Plan
    from netcorr.planning.timetable import Timetable
    from netcorr.units import UnitSystem

_WIDTH = 80
#: So many sites and dead ends are told; all are in the file and in the JSON.
_TOLD = 10
#: Dead ends shorter than this are the bit of main behind the last fitting: counted, not told. [m]
_SHORT_M = 10.0

_STATE_WORDS = {
    "covered": "between two sensors",
    "one side only": "heard from one side only",
    "left out": "left out, though other fittings would cover it",
    "nothing beyond": "no candidate beyond it",
    "no pair covers it": "candidates too far apart, or a second way too near",
    "outside": "outside the district",
}


def plan_text(
    plan: Plan,
    *,
    timetable: Timetable | None = None,
    expected: ExpectedFix | None = None,
    units: UnitSystem = "metric",
) -> str:
    """A plan in plain text, 80 columns wide.

    Parameters
    ----------
    plan : Plan
        The plan.
    timetable : Timetable, optional
        When its setups are made.
    expected : ExpectedFix, optional
        How well leaks would be placed.
    units : {'metric', 'us'}
        Units of the lengths.

    Returns
    -------
    str
        What it reaches first. Ends without a line break.
    """
    parts = [
        "\n".join(_wrapped(headline(plan, units), "")),
        "\n".join(_wrapped(how_sure(plan), "")),
        _section("Mains", _mains(plan, units)),
        _section("By material, covered of all", _materials(plan, units)),
        _section("How well a leak would be placed", _expected(expected, units)) if expected else "",
        _section("Setups", _setups(plan, timetable, units)) if timetable else "",
        _section("Sites", _sites(plan)),
        _section("Dead ends beyond the last candidate", _dead_ends(plan, units)),
    ]
    return "\n\n".join(part for part in parts if part).replace("\xa0", " ")


def headline(plan: Plan, units: UnitSystem) -> str:
    """What the plan reaches, in one sentence."""
    covered, total = plan.length_m(plan.covered), plan.length_m(plan.wanted)
    part = 100 * covered / max(total, 1e-9)
    times = f", each stretch by {plan.settings.folds} pairs" if plan.settings.folds > 1 else ""
    reached = f"{extent(covered, units)} of {extent(total, units)} of main ({part:.0f} %){times}"
    count = len(plan.sites)
    if plan.sweep is not None:
        number = len(plan.sweep.setups)
        setups = f"{number} setup{'s' if number != 1 else ''} of up to {plan.settings.loggers} loggers"
        return f"{setups}, at {count} sites, cover {reached}."
    return f"{count} site{'s' if count != 1 else ''} cover {reached}."


def how_sure(plan: Plan) -> str:
    """How much better any other plan could be: the bound and the gap."""
    choice = plan.choice
    count = len(choice.sites)
    if choice.most_sites is not None:
        total = max(plan.weight(plan.wanted), 1e-300)
        what = "of the weight" if plan.weighted else "of the mains"
        if choice.proven:
            return "No choice of as many sites covers more: proven best."
        return (
            f"No choice of {choice.most_sites} sites covers more than {100 * choice.bound / total:.1f} % "
            f"{what}; this one covers {100 * choice.value / total:.1f} % (gap {100 * choice.gap:.1f} %)."
        )
    if choice.proven:
        words = f"No choice of fewer than {count} sites covers as much: proven best."
    else:
        words = (
            f"At least {choice.bound:.0f} sites are needed to cover as much; this choice has {count} "
            f"(gap {100 * choice.gap:.1f} %)."
        )
    if plan.sweep is not None:
        words += (
            f" So many sites need at least {plan.sweep.least_setups} setups; the sweep has "
            f"{len(plan.sweep.setups)}, which put down {plan.sweep.placements} loggers in all."
        )
    return words


def verdict(plan: Plan) -> str:
    """Why the plan falls short of the coverage asked for; empty when it does not."""
    asked = plan.settings.least_share
    if asked is None or plan.share >= asked * (1 - 1e-9):
        return ""
    possible = plan.weight(plan.coverable) / max(plan.weight(plan.wanted), 1e-300)
    return (
        f"{100 * plan.share:.1f} % is covered, below the {100 * asked:g} % asked for; all candidates "
        f"together would cover {100 * possible:.1f} %"
    )


def _expected(expected: ExpectedFix, units: UnitSystem) -> Iterator[str]:
    for words in expected_words(expected, units):
        yield from _wrapped(words, "  - ")


def _wrapped(text: str, lead: str) -> list[str]:
    return textwrap.wrap(
        text,
        _WIDTH,
        initial_indent=lead,
        subsequent_indent=" " * len(lead),
        break_long_words=False,
        break_on_hyphens=False,
    )


def _section(title: str, lines: Iterator[str]) -> str:
    listed = list(lines)
    return "\n".join([title, *listed]) if listed else ""


def _mains(plan: Plan, units: UnitSystem) -> Iterator[str]:
    state = states(plan)
    total = max(plan.length_m(plan.wanted), 1e-9)
    column = next(one for one in PLANNED_MAINS.columns if one.name == "state")
    for word in column.choices:
        length_m = plan.length_m(state == word)
        if length_m > 0:
            share = f"{100 * length_m / total:4.0f} %" if word != "outside" else "      "
            yield f"  {extent(length_m, units):>9} {share}  {_STATE_WORDS[word]}"


def _materials(plan: Plan, units: UnitSystem) -> Iterator[str]:
    for name, part in plan_dict(plan)["by_material"].items():
        share = 100 * part["covered_m"] / max(part["mains_m"], 1e-9)
        of = f"{extent(part['covered_m'], units)} of {extent(part['mains_m'], units)}"
        yield f"  {of:<22} {share:3.0f} %  {material_text(None if name == 'unknown' else name)}"
    assumed_m = plan_dict(plan)["assumed_m"]
    if assumed_m:
        said = assumed_text(assumed_m, "planned_mains", units)
        yield from _wrapped(said, "  ")


def _setups(plan: Plan, timetable: Timetable, units: UnitSystem) -> Iterator[str]:
    nights = timetable.nights
    zone = timetable.pace.night_start.tzname() or "UTC"
    yield from _wrapped(
        f"{len(timetable.setups)} in {nights} night{'s' if nights != 1 else ''}, times of {zone}; "
        f"{extent(timetable.way_m, units)} of way in all.",
        "  ",
    )
    before = np.zeros(len(plan.wanted), dtype=bool)
    for one, covered in zip(timetable.setups, covered_in(plan, timetable), strict=True):
        stay = len(one.of("stays"))
        kept = f", {stay} stay from before" if stay else ""
        yield from _wrapped(
            f"night {one.night}, {times_text(one, timetable)}: {len(one.loggers)} loggers{kept}, "
            f"{extent(plan.length_m(covered & ~before), units)} more covered",
            f"  {one.number:>2}. ",
        )
        before |= covered


def _sites(plan: Plan) -> Iterator[str]:
    fitting = plan.problem.sites.fitting
    table = plan.mains.network.fittings
    names = [f"{plain_text(fitting[k])} ({table.at[fitting[k], 'kind']})" for k in plan.sites]
    told = names if len(names) <= 3 * _TOLD else [*names[: 3 * _TOLD], f"and {len(names) - 3 * _TOLD} more"]
    yield from _wrapped(", ".join(told), "  ")


def _dead_ends(plan: Plan, units: UnitSystem) -> Iterator[str]:
    if not plan.dead_ends:
        return
    total = sum(one.length_m for one in plan.dead_ends)
    yield from _wrapped(
        f"{len(plan.dead_ends)}, with {extent(total, units)} of main: no two sensors can have a leak there "
        "between them. Listen to them on their own, or allow the fitting named.",
        "  ",
    )
    long = [one for one in plan.dead_ends if one.length_m >= _SHORT_M]
    for number, one in enumerate(long[:_TOLD], start=1):
        pipes = sorted({plain_text(plan.mains.edges[int(k)]["pipe_id"]) for k in one.edges})
        named = ", ".join(pipes[:3]) + (f" and {len(pipes) - 3} more" if len(pipes) > 3 else "")
        mains = "main" if len(pipes) == 1 else "mains"
        yield from _wrapped(
            f"{extent(one.length_m, units)}, {mains} {named}: {dead_end_advice(one)}", f"  {number:>2}. "
        )
    rest = [*long[_TOLD:], *(one for one in plan.dead_ends if one.length_m < _SHORT_M)]
    if rest:
        more = f"and {len(rest)} more" if long else f"{len(rest)}"
        yield f"  {more} of up to {rest[0].length_m:.0f} m each, all in the layer dead_ends"
