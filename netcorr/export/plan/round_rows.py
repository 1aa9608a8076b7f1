"""The round of a plan as rows of its layers: setups, visits and the route between them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime, tzinfo
from itertools import groupby
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from netcorr.export.plain_text import plain_text
from netcorr.planning.coverage import covered_by
from netcorr.planning.streets import Streets

if TYPE_CHECKING:
    from netcorr.planning.plan import Plan
    from netcorr.planning.problem import Flags
    from netcorr.planning.timetable import SetupTimes, Timetable


def wall_clock(moment: datetime, zone: tzinfo | None) -> str:
    """Time of day by the clock on the wall.

    Examples
    --------
    >>> from datetime import UTC
    >>> from zoneinfo import ZoneInfo
    >>> wall_clock(datetime(2026, 7, 1, 22, 5, 40, tzinfo=UTC), ZoneInfo("Europe/Lisbon"))
    '23:05'
    """
    return moment.astimezone(zone).strftime("%H:%M")


def times_text(one: SetupTimes, timetable: Timetable) -> str:
    """Times of a setup in words."""
    zone = timetable.pace.night_start.tzinfo
    begins, ends = one.stops[0].arrive, one.stops[-1].done
    recordings = ", ".join(wall_clock(moment, zone) for moment in one.recordings)
    day = begins.astimezone(zone).strftime("%Y-%m-%d")
    return f"{day} {wall_clock(begins, zone)} to {wall_clock(ends, zone)}, recordings at {recordings}"


def covered_in(plan: Plan, timetable: Timetable) -> list[Flags]:
    """Wanted stretches that each setup covers, in the order of the round."""
    folds = plan.settings.folds
    return [
        plan.wanted & covered_by(plan.problem, plan.setups[one.given]).covered(folds=folds)
        for one in timetable.setups
    ]


def setup_rows(plan: Plan, timetable: Timetable) -> Iterator[dict[str, Any]]:
    """Rows of the layer `setups`."""
    before = np.zeros(len(plan.wanted), dtype=bool)
    for one, covered in zip(timetable.setups, covered_in(plan, timetable), strict=True):
        lines = [plan.mains.edges[int(k)]["geometry"] for k in np.flatnonzero(covered)]
        yield {
            "setup": one.number,
            "night": one.night,
            "loggers": len(one.loggers),
            "fittings": ", ".join(_fitting(plan, site) for site in one.loggers.values()),
            "covered_m": plan.length_m(covered),
            "new_m": plan.length_m(covered & ~before),
            "begins": one.stops[0].arrive,
            "records": one.recordings[0],
            "ends": one.stops[-1].done,
            "times": times_text(one, timetable),
            "way_m": sum(stop.way_m for stop in one.stops),
            "geometry": shapely.multilinestrings(lines),
        }
        before |= covered


def _fitting(plan: Plan, site: int) -> str:
    return plain_text(plan.problem.sites.fitting[site])


def visit_rows(plan: Plan, timetable: Timetable, addresses: Mapping[str, str]) -> Iterator[dict[str, Any]]:
    """Rows of the layer `visits`."""
    table, zone = plan.mains.network.fittings, timetable.pace.night_start.tzinfo
    step = 0
    for one in timetable.setups:
        for stop in one.stops:
            moves = stop.action != "stays"
            step += moves
            name = str(plan.problem.sites.fitting[stop.site])
            yield {
                "step": step if moves else None,
                "setup": one.number,
                "night": one.night,
                "action": stop.action,
                "order": stop.order if moves else None,
                "place_order": stop.order if stop.action == "place" else None,
                "logger": stop.logger,
                "fitting": name,
                "kind": table.at[name, "kind"],
                "address": addresses.get(name),
                "arrive": stop.arrive,
                "done": stop.done,
                "at": wall_clock(stop.arrive, zone),
                "way_m": stop.way_m,
                "geometry": table.geometry.loc[name],
            }


def route_rows(plan: Plan, timetable: Timetable) -> Iterator[dict[str, Any]]:
    """Rows of the layer `route`: ways that have a length."""
    streets, node = Streets(plan.mains.network), plan.problem.sites.node
    step = 0
    for _, setups in groupby(timetable.setups, key=lambda one: one.night):
        for one in setups:
            for stop in one.stops:
                if stop.action == "stays":
                    continue
                step += 1
                if stop.from_site < 0:
                    continue
                ends = int(node[stop.from_site]), int(node[stop.site])
                line, along = streets.way(*ends, within_m=stop.way_m + 1.0)
                if line is None:
                    continue
                yield {
                    "step": step,
                    "setup": one.number,
                    "night": one.night,
                    "action": stop.action,
                    "from_fitting": _fitting(plan, stop.from_site),
                    "to_fitting": _fitting(plan, stop.site),
                    "way_m": stop.way_m,
                    "along_mains": along,
                    "geometry": line,
                }
