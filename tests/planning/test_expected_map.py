"""The expected result map of a plan: the best of its setups at every place."""

from __future__ import annotations

import numpy as np
import pytest

from netcorr.errors import PlanError
from netcorr.network import PipeNetwork
from netcorr.planning import build_problem, covered_by
from netcorr.planning.candidates import candidate_sites
from netcorr.planning.cover_map import COVERED, cover_map
from netcorr.planning.expected import FixSettings
from netcorr.planning.expected_map import expected_fix, some_sites
from netcorr.planning.from_network import planning_map
from netcorr.planning.reach import COMMON_BUDGET, ReachTable
from tests.planning.conftest import town

REACH = ReachTable.with_own({"all": 170.0})


@pytest.fixture(scope="module")
def street() -> PipeNetwork:
    """A main with a valve every 40 m, and a branch at its end."""
    return town(
        {"M": [(0, 0), (240, 0)], "N": [(240, 0), (300, 40)]},
        {**{f"V{k}": (40.0 * k, 0) for k in range(7)}, "V9": (300, 40)},
    )


def test_one_setup_is_the_map_of_its_coverage(street: PipeNetwork) -> None:
    mains, sites = planning_map(street, reach=REACH), candidate_sites(street)
    chosen = np.array([0, 2, 5])
    found = expected_fix(mains, sites, [chosen], budget=COMMON_BUDGET, step_m=9.0)
    alone = cover_map(mains, some_sites(sites, chosen), sites, reach=REACH, margin=0.0, step_m=9.0)
    covered = alone.pieces.state == COVERED
    np.testing.assert_array_equal(found.cuts.edge, alone.pieces.edge[covered])
    np.testing.assert_allclose(found.expected_m, alone.pieces.expected_m[covered])
    assert set(found.site_a) | set(found.site_b) <= set(chosen.tolist())


def test_of_several_setups_the_best_counts_and_pairs_stand_in_one(street: PipeNetwork) -> None:
    mains, sites = planning_map(street, reach=REACH), candidate_sites(street)
    setups = [np.array([0, 3]), np.array([2, 1]), np.array([3, 5])]
    both = expected_fix(mains, sites, setups, budget=COMMON_BUDGET)
    each = [expected_fix(mains, sites, [one], budget=COMMON_BUDGET) for one in setups]
    place = {}
    for one in each:
        for edge, low, expected_m in zip(one.cuts.edge, one.cuts.from_share, one.expected_m, strict=True):
            key = int(edge), round(float(low), 6)
            place[key] = min(place.get(key, np.inf), expected_m)
    assert len(both.expected_m) == len(place)
    for k, (edge, low) in enumerate(zip(both.cuts.edge, both.cuts.from_share, strict=True)):
        assert both.expected_m[k] == pytest.approx(place[int(edge), round(float(low), 6)])
        assert {both.site_a[k], both.site_b[k]} == set(setups[both.setup[k]].tolist())


def test_metres_are_those_that_the_judge_counts(street: PipeNetwork) -> None:
    mains, sites = planning_map(street, reach=REACH), candidate_sites(street)
    chosen = np.array([1, 4, 6])
    found = expected_fix(mains, sites, [chosen], budget=COMMON_BUDGET)
    judged = covered_by(build_problem(mains.graph, sites), chosen)
    assert found.cuts.length_m.sum() == pytest.approx(judged.length_m())


def test_only_what_is_wanted_and_settings_count(street: PipeNetwork) -> None:
    mains, sites = planning_map(street, reach=REACH), candidate_sites(street)
    setups = [np.arange(len(sites))]
    wanted = np.zeros(len(mains.graph), dtype=bool)
    wanted[1] = True
    found = expected_fix(mains, sites, setups, budget=COMMON_BUDGET, wanted=wanted)
    assert set(found.cuts.edge) == {1}
    worse = expected_fix(
        mains, sites, setups, budget=COMMON_BUDGET, wanted=wanted, settings=FixSettings(clock_sd_s=0.003)
    )
    assert (worse.expected_m > found.expected_m).all()
    with pytest.raises(PlanError, match="longest piece"):
        expected_fix(mains, sites, setups, budget=COMMON_BUDGET, step_m=0.0)


def test_a_plan_without_setups_has_no_map(street: PipeNetwork) -> None:
    mains, sites = planning_map(street, reach=REACH), candidate_sites(street)
    assert len(expected_fix(mains, sites, [], budget=COMMON_BUDGET).expected_m) == 0
