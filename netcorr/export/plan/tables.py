"""A plan as tables, one for each layer."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from netcorr.export.geopackage import write_tables
from netcorr.export.plain_text import plain_text
from netcorr.export.plan.expected import EXPECTED_FIX, expected_table
from netcorr.export.plan.facts import plan_facts
from netcorr.export.plan.round_rows import route_rows, setup_rows, visit_rows
from netcorr.export.plan.schema import (
    COVERED,
    DEAD_ENDS,
    HEARD,
    LEFT_OUT,
    NO_WAY_BEYOND,
    NOT_COVERABLE,
    OUTSIDE,
    PLAN_FACTS,
    PLAN_LAYERS,
    PLANNED_MAINS,
    PLANNED_SITES,
    ROUTE,
    SETUPS,
    VISITS,
)
from netcorr.export.plan.styles import PLAN_STYLES
from netcorr.planning.who_covers import who_covers

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from netcorr.feedback import Feedback
    from netcorr.planning.dead_ends import DeadEnd
    from netcorr.planning.expected_map import ExpectedFix
    from netcorr.planning.plan import Plan
    from netcorr.planning.timetable import Timetable

_NO_ADDRESSES: Mapping[str, str] = {}


def write_plan(
    plan: Plan,
    path: str | os.PathLike[str],
    *,
    timetable: Timetable | None = None,
    addresses: Mapping[str, str] = _NO_ADDRESSES,
    expected: ExpectedFix | None = None,
    feedback: Feedback | None = None,
) -> None:
    """Write a plan as a GeoPackage.

    Parameters
    ----------
    plan : Plan
        The plan.
    path : str or path-like
        File to write, ending in ``.gpkg``. An earlier plan there is replaced when the new one is complete.
    timetable : Timetable, optional
        When its setups are made.
    addresses : mapping of str to str
        Address of each fitting, by its id.
    expected : ExpectedFix, optional
        How well leaks would be placed.
    feedback : Feedback, optional
        Told how far the work is.

    Raises
    ------
    ExportError
        If the file is in use by another program, holds other layers, or cannot be written.
    CancelledError
        If the user stopped it; nothing is written then.
    """
    tables = plan_tables(plan, timetable=timetable, addresses=addresses, expected=expected)
    write_tables(tables, path, layers=PLAN_LAYERS, styles=PLAN_STYLES, feedback=feedback)


def plan_tables(
    plan: Plan,
    *,
    timetable: Timetable | None = None,
    addresses: Mapping[str, str] = _NO_ADDRESSES,
    expected: ExpectedFix | None = None,
) -> dict[str, pd.DataFrame]:
    """Tables of a plan, by layer name.

    Parameters
    ----------
    plan : Plan
        The plan.
    timetable : Timetable, optional
        When its setups are made.
    addresses : mapping of str to str
        Address of each fitting, by its id.
    expected : ExpectedFix, optional
        How well leaks would be placed.

    Returns
    -------
    dict of str to pandas.DataFrame
        One for each of `PLAN_LAYERS`, typed also when it is empty.
    """
    crs = plan.mains.network.crs
    return {
        PLANNED_SITES.name: PLANNED_SITES.table(_sites(plan, timetable, addresses), crs),
        PLANNED_MAINS.name: PLANNED_MAINS.table(_mains(plan), crs),
        EXPECTED_FIX.name: expected_table(plan, expected),
        DEAD_ENDS.name: DEAD_ENDS.table(_dead_ends(plan), crs),
        SETUPS.name: SETUPS.table(setup_rows(plan, timetable) if timetable else (), crs),
        VISITS.name: VISITS.table(visit_rows(plan, timetable, addresses) if timetable else (), crs),
        ROUTE.name: ROUTE.table(route_rows(plan, timetable) if timetable else (), crs),
        PLAN_FACTS.name: PLAN_FACTS.table(
            (
                {"name": name, "value": value, "meaning": meaning}
                for name, value, meaning in plan_facts(plan, timetable=timetable)
            ),
            None,
        ),
    }


def _standing(plan: Plan) -> list[Any]:
    """Sites that stand at the same time."""
    return [plan.sites] if plan.sweep is None else list(plan.sweep.setups)


def _sites(plan: Plan, timetable: Timetable | None, addresses: Mapping[str, str]) -> Iterator[dict[str, Any]]:
    problem, table = plan.problem, plan.mains.network.fittings
    found = who_covers(problem, _standing(plan), folds=plan.settings.folds, wanted=plan.wanted)
    setups: dict[int, list[str]] = {}
    order = range(len(plan.setups)) if timetable is None else [one.given for one in timetable.setups]
    for number, given in enumerate(order, start=1):
        for site in plan.setups[given].tolist():
            setups.setdefault(site, []).append(str(number))
    for site in plan.sites.tolist():
        name = str(problem.sites.fitting[site])
        row = table.loc[name]
        yield {
            "fitting": name,
            "kind": row["kind"],
            "address": addresses.get(name),
            "pipe_id": row["pipe_id"],
            "fixed": bool(plan.fixed[site]),
            "pairs": int(found.pairs_of_site[site]),
            "covers_m": float(found.only_by_m[site]),
            "setups": ", ".join(setups.get(site, [])),
            "geometry": row.geometry,
        }


def states(plan: Plan) -> NDArray[np.object_]:
    """What each stretch is: the first of the words of `netcorr.export.plan.schema` that applies.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    numpy.ndarray of str, shape (n,)
        One for each stretch.
    """
    rules = (
        (~plan.wanted, OUTSIDE),
        (plan.covered, COVERED),
        (plan.no_way_beyond, NO_WAY_BEYOND),
        (~plan.coverable, NOT_COVERABLE),
        (plan.coverage.heard, HEARD),
    )
    return np.select([flags for flags, _ in rules], [word for _, word in rules], LEFT_OUT).astype(object)


def _mains(plan: Plan) -> Iterator[dict[str, Any]]:
    problem, graph = plan.problem, plan.mains.graph
    found = who_covers(problem, _standing(plan), folds=plan.settings.folds)
    for k, (edge, state) in enumerate(zip(plan.mains.edges, states(plan).tolist(), strict=True)):
        pair = int(found.closest[k])
        a, b = problem.pair_sites[pair] if pair >= 0 else (-1, -1)
        yield {
            **{name: edge[name] for name in ("pipe_id", "material", "diameter_mm", "length_m", "geometry")},
            "assumed": edge["assumed"] or None,
            "weight": float(graph.weight[k]),
            "reach_m": float(graph.reach_m[k]),
            "state": state,
            "pairs": int(found.pairs[k]),
            "sensor_a": problem.sites.fitting[a] if pair >= 0 else None,
            "sensor_b": problem.sites.fitting[b] if pair >= 0 else None,
            "pair_length_m": float(problem.pair_length_m[pair]) if pair >= 0 else None,
        }


def _dead_ends(plan: Plan) -> Iterator[dict[str, Any]]:
    for number, one in enumerate(plan.dead_ends, start=1):
        edges = [plan.mains.edges[int(k)] for k in one.edges]
        yield {
            "dead_end": number,
            "length_m": one.length_m,
            "pipes": ", ".join(sorted({plain_text(edge["pipe_id"]) for edge in edges})),
            "fitting": one.fitting,
            "kind": one.kind,
            "bracketed_m": one.bracketed_m,
            "advice": dead_end_advice(one),
            "geometry": shapely.multilinestrings([edge["geometry"] for edge in edges]),
        }


def dead_end_advice(one: DeadEnd) -> str:
    """What would help at a dead end, in a sentence without a full stop.

    Parameters
    ----------
    one : DeadEnd
        The dead end.

    Returns
    -------
    str
        Words.
    """
    if one.from_node < 0:
        return "no candidate fitting is connected to these mains: check the map, or allow more fittings"
    if one.fitting is None:
        return "the map shows no fitting beyond: listen at its end, at a service connection or a meter"
    what = f"{'fitting' if one.kind == 'other' else one.kind} {plain_text(one.fitting)}"
    if one.bracketed_m > 0:
        return f"a logger on {what} would bracket {one.bracketed_m:.0f} of {one.length_m:.0f} m"
    near = f", drawn {one.far_m:.0f} m from the end" if math.isfinite(one.far_m) else ""
    return (
        f"{what}{near}, sits on no main of the map: put it on its main, and a logger there would bracket this"
    )
