"""A sweep of the sample town with its timetable."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from netcorr.layers import read_network_layers
from netcorr.network import build_network
from netcorr.planning import Plan, PlanSettings, make_plan
from netcorr.planning.candidates import candidate_sites
from netcorr.planning.from_network import planning_map
from netcorr.planning.reach import ReachTable
from netcorr.planning.streets import Streets
from netcorr.planning.timetable import Pace, Timetable, make_timetable

TOWN = Path(__file__).parents[3] / "sample_network" / "town.gpkg"


@dataclass(frozen=True, eq=False)
class Round:
    """A plan and its timetable."""

    plan: Plan
    timetable: Timetable
    addresses: dict[str, str]


@pytest.fixture(scope="session")
def round_of_town() -> Round:
    """Give a sweep in a few setups, in the night when summer time begins in Portugal."""
    network = build_network(read_network_layers(TOWN))
    settings = PlanSettings(loggers=12, sweep=True, least_share=0.35, time_limit_s=15)
    plan = make_plan(planning_map(network, reach=ReachTable()), candidate_sites(network), settings=settings)
    start = datetime(2026, 3, 28, 22, 0, tzinfo=ZoneInfo("Europe/Lisbon"))
    names = [f"L{k:02}" for k in range(1, 13)]
    timetable = make_timetable(
        Streets(network), plan.problem.sites, plan.setups, loggers=names, pace=Pace(start)
    )
    addresses = {str(name): f"{name} Elm <b>Row</b> & Co, rear gate" for name in network.fittings.index}
    return Round(plan, timetable, addresses)
