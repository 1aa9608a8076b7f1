"""The plan in figures: what was asked for, what is reached, and how much better any other could be."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from netcorr.export.plain_text import plain_values

if TYPE_CHECKING:
    from netcorr.planning.plan import Plan
    from netcorr.planning.timetable import SetupTimes, Timetable


def plan_dict(plan: Plan, *, timetable: Timetable | None = None) -> dict[str, Any]:
    """Everything about a plan that is not a shape, in SI units, for machines.

    Parameters
    ----------
    plan : Plan
        The plan.
    timetable : Timetable, optional
        When its setups are made.

    Returns
    -------
    dict
        Only what JSON can hold.
    """
    problem, choice, settings = plan.problem, plan.choice, plan.settings
    fitting = problem.sites.fitting
    by_weight = choice.most_sites is not None
    total = max(plan.weight(plan.wanted), 1e-300)
    found: dict[str, Any] = {
        "goal": goal(plan),
        "candidates": len(problem.sites),
        "pairs_within_reach": len(problem.pair_sites),
        "sites": [str(fitting[k]) for k in plan.sites],
        "covered_m": plan.length_m(plan.covered),
        "coverable_m": plan.length_m(plan.coverable),
        "mains_m": plan.length_m(plan.wanted),
        "nothing_beyond_m": plan.length_m(plan.no_way_beyond),
        "covered_share": plan.share,
        "coverable_share": plan.weight(plan.coverable) / total,
        "folds": settings.folds,
        "margin": settings.margin,
        "bound": choice.bound / total if by_weight else int(choice.bound),
        "bound_is": "largest share of the weight that any choice of so many sites covers"
        if by_weight
        else "least number of sites that covers as much",
        "gap": choice.gap,
        "proven_best": choice.proven,
        "seconds": choice.seconds,
        "by_material": _by_material(plan),
        "assumed_m": _assumed_m(plan),
        "dead_ends": [
            {
                "length_m": one.length_m,
                "pipes": sorted({str(plan.mains.edges[int(k)]["pipe_id"]) for k in one.edges}),
                "fitting": one.fitting,
                "kind": one.kind,
                "bracketed_m": one.bracketed_m,
            }
            for one in plan.dead_ends
        ],
        "setups": [[str(fitting[k]) for k in sites] for sites in plan.setups],
    }
    if plan.sweep is not None:
        found["least_setups"] = plan.sweep.least_setups
        found["placements"] = plan.sweep.placements
    if timetable is not None:
        found |= {"nights": timetable.nights, "way_m": timetable.way_m}
        found["timetable"] = [_setup(plan, one) for one in timetable.setups]
    plain: dict[str, Any] = plain_values(found)
    return plain


def _setup(plan: Plan, one: SetupTimes) -> dict[str, Any]:
    fitting = plan.problem.sites.fitting
    return {
        "setup": one.number,
        "night": one.night,
        "recordings": [moment.isoformat() for moment in one.recordings],
        "stops": [
            {
                "action": stop.action,
                "order": stop.order,
                "logger": stop.logger,
                "fitting": str(fitting[stop.site]),
                "arrive": stop.arrive.isoformat(),
                "done": stop.done.isoformat(),
                "way_m": stop.way_m,
            }
            for stop in one.stops
        ],
    }


def goal(plan: Plan) -> str:
    """What was asked for, in words."""
    settings = plan.settings
    how_much = (
        "everything that can be covered"
        if settings.least_share is None
        else f"{100 * settings.least_share:g} % of the mains"
    )
    if settings.sweep:
        return f"a sweep with {settings.loggers} loggers over {how_much}"
    if settings.loggers is not None:
        return f"most coverage with {settings.loggers} loggers"
    return f"fewest sites for {how_much}"


def _assumed_m(plan: Plan) -> float:
    """Main that counts and has an assumed material, diameter or year. [m]"""
    assumed = np.array([bool(edge["assumed"]) for edge in plan.mains.edges], dtype=bool)
    return plan.length_m(plan.wanted & assumed)


def _by_material(plan: Plan) -> dict[str, dict[str, float]]:
    """Metres in all and covered, by material."""
    material = np.array([edge["material"] or "unknown" for edge in plan.mains.edges], dtype=object)
    length_m, found = plan.problem.stretches.length_m, {}
    for one in sorted(set(material[plan.wanted].tolist())):
        own = plan.wanted & (material == one)
        found[one] = {
            "mains_m": float(length_m[own].sum()),
            "coverable_m": float(length_m[own & plan.coverable].sum()),
            "covered_m": float(length_m[own & plan.covered].sum()),
        }
    return found


def plan_facts(plan: Plan, *, timetable: Timetable | None = None) -> Iterator[tuple[str, str, str]]:
    """Name, value and meaning of what a plan reaches, for a table.

    Parameters
    ----------
    plan : Plan
        The plan.
    timetable : Timetable, optional
        When its setups are made.

    Yields
    ------
    (str, str, str)
        Name, value, meaning.
    """
    facts = plan_dict(plan, timetable=timetable)
    meanings = {
        "goal": "What was asked for",
        "candidates": "Fittings on which a logger could stand, one for each place",
        "pairs_within_reach": "Pairs of them that are near enough to each other along the mains",
        "mains_m": "Open mains that count [m]",
        "coverable_m": "Of these, what all candidates together would cover [m]",
        "covered_m": "What the plan covers [m]",
        "nothing_beyond_m": "Mains beyond the last candidate [m]",
        "covered_share": "Share of the weight that the plan covers",
        "coverable_share": "Share of the weight that all candidates would cover",
        "folds": "Pairs that must cover a stretch",
        "margin": "Share by which the second way round must be longer",
        "bound": str(facts["bound_is"]),
        "gap": "Share by which any choice could be better at most; 0: proven best",
        "least_setups": "No sweep over as many sites has fewer setups",
        "placements": "Loggers that stand in all setups together",
        "nights": "Nights that the sweep takes",
        "way_m": "Way of the crew from fitting to fitting [m]",
    }
    for name, meaning in meanings.items():
        if name in facts:
            yield name, _value(facts[name]), meaning
    yield "sites", str(len(plan.sites)), "Sites that the plan uses"


def _value(value: Any) -> str:
    return f"{value:.6g}" if isinstance(value, float) else str(value)
