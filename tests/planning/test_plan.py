"""A plan of the sample town: what it says is what the judge says."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from netcorr.errors import PlanError
from netcorr.layers import read_network_layers
from netcorr.network import build_network
from netcorr.planning import CandidateSites, PlanSettings, covered_by, make_plan
from netcorr.planning.candidates import candidate_sites
from netcorr.planning.from_network import PlanningMap, planning_map
from netcorr.planning.reach import ReachTable

TOWN = Path(__file__).parents[2] / "sample_network" / "town.gpkg"


@pytest.fixture(scope="module")
def mains() -> PlanningMap:
    return planning_map(build_network(read_network_layers(TOWN)), reach=ReachTable())


@pytest.fixture(scope="module")
def sites(mains: PlanningMap) -> CandidateSites:
    return candidate_sites(mains.network)


def test_fewest_sites_cover_all_that_all_candidates_would(mains: PlanningMap, sites: CandidateSites) -> None:
    plan = make_plan(mains, sites, settings=PlanSettings(margin=0.02))
    assert (plan.covered == plan.coverable).all()
    assert plan.choice.proven
    assert plan.setups == ()
    judged = covered_by(plan.problem, plan.sites)
    assert plan.length_m(plan.covered) == pytest.approx(judged.length_m())
    apart = np.stack([plan.covered, plan.no_way_beyond])
    assert (apart.sum(axis=0) <= 1).all()


def test_loggers_fixed_in_are_there_and_count(mains: PlanningMap, sites: CandidateSites) -> None:
    name = str(sites.fitting[40])
    plan = make_plan(mains, sites, settings=PlanSettings(loggers=8, time_limit_s=10), fixed_in=[name])
    assert name in plan.problem.sites.fitting[plan.sites]
    assert plan.fixed.sum() == 1
    assert len(plan.sites) <= 8
    [setup] = plan.setups
    assert setup.tolist() == plan.sites.tolist()


def test_a_share_is_of_what_counts(mains: PlanningMap, sites: CandidateSites) -> None:
    half = np.arange(len(mains.graph)) % 2 == 0
    settings = PlanSettings(least_share=0.5, time_limit_s=5)
    plan = make_plan(mains, sites, settings=settings, wanted=half)
    assert plan.share >= 0.5
    assert not (plan.covered & ~half).any()
    assert len(plan.sites) < 105


def test_a_sweep_covers_by_pairs_of_one_setup(mains: PlanningMap, sites: CandidateSites) -> None:
    settings = PlanSettings(loggers=16, sweep=True, least_share=0.4, time_limit_s=20)
    plan = make_plan(mains, sites, settings=settings)
    assert plan.share >= 0.4
    each = [covered_by(plan.problem, setup).covered() for setup in plan.setups]
    assert (plan.covered == np.any(each, axis=0)).all()
    assert all(len(setup) <= 16 for setup in plan.setups)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"sweep": True}, "sweep: no number of loggers"),
        ({"loggers": 4, "least_share": 0.5}, "both a number of loggers and a coverage"),
    ],
)
def test_settings_that_contradict_each_other(settings: dict[str, float], words: str) -> None:
    with pytest.raises(PlanError, match=words):
        PlanSettings(**settings)  # type: ignore[arg-type]


def test_what_cannot_be_planned_is_told(mains: PlanningMap, sites: CandidateSites) -> None:
    plain = PlanSettings()
    with pytest.raises(PlanError, match="none lies in the district"):
        make_plan(mains, sites, settings=plain, wanted=np.zeros(len(mains.graph), dtype=bool))
    with pytest.raises(PlanError, match=r"500 loggers for \d+ candidate sites; give \d+ loggers at most"):
        make_plan(mains, sites, settings=PlanSettings(loggers=500))
    with pytest.raises(PlanError, match="fitting nowhere: fixed in, but no candidate"):
        make_plan(mains, sites, settings=plain, fixed_in=["nowhere"])
    short = planning_map(mains.network, reach=ReachTable.with_own({"all": 0.001}))
    with pytest.raises(PlanError, match=r"no two of \d+ candidate sites are within reach"):
        make_plan(short, sites, settings=plain)
    nothing = planning_map(
        mains.network,
        reach=ReachTable(),
        weight_per_m={edge["pipe_id"]: 0.0 for edge in mains.edges},
    )
    with pytest.raises(PlanError, match="weight of 0"):
        make_plan(nothing, sites, settings=plain)
