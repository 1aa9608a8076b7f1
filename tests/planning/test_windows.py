"""A city chosen district by district: whatever is cut out fits to what lies round it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.planning import (
    CandidateSites,
    ChoiceProblem,
    MainsGraph,
    build_problem,
    choose_sites,
    covered_by,
)
from netcorr.planning import choice as choice_module
from netcorr.planning.windows import Windows
from tests.planning.conftest import random_graph


@pytest.fixture(scope="module")
def town() -> ChoiceProblem:
    graph = random_graph(8, nodes=150, reach_m=200.0, extra=60)
    return build_problem(graph, CandidateSites.at_nodes(np.arange(150)))


@pytest.fixture
def small_city(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the town be a city of small districts."""
    monkeypatch.setattr(choice_module, "CITY", 50)
    monkeypatch.setattr("netcorr.planning.windows.SIZE", 30)


def test_districts_hold_everything_and_are_connected(town: ChoiceProblem) -> None:
    wanted = town.coverable()
    windows = Windows(town, wanted)
    districts = list(windows.once_over(np.random.default_rng(1), size=30))
    held = np.unique(np.concatenate(districts))
    assert held.tolist() == np.flatnonzero(wanted).tolist()
    assert len(districts) > 3
    for one in districts:
        assert len(one) <= 30
        assert len(np.unique(one)) == len(one)


@settings(deadline=None, max_examples=20)
@given(seed=st.integers(0, 10_000), share=st.floats(0.1, 0.9))
def test_a_window_counts_as_the_whole_does(town: ChoiceProblem, seed: int, share: float) -> None:
    rng = np.random.default_rng(seed)
    chosen = rng.random(len(town.sites)) < share
    windows = Windows(town, town.coverable())
    district = next(iter(windows.once_over(rng, size=25)))
    part = windows.window(district, chosen=chosen, allowed=np.ones(len(town.sites), dtype=bool))
    assert set(district.tolist()) <= set(part.stretches.tolist())
    now = chosen.copy()
    now[part.sites[part.free]] = rng.random(int(part.free.sum())) < 0.5
    inside = covered_by(part.problem, np.flatnonzero(now[part.sites])).pairs
    assert inside.tolist() == covered_by(town, np.flatnonzero(now)).pairs[part.stretches].tolist()
    outside = np.setdiff1d(np.arange(len(town.stretches)), part.stretches)
    before = covered_by(town, np.flatnonzero(chosen)).pairs[outside]
    assert covered_by(town, np.flatnonzero(now)).pairs[outside].tolist() == before.tolist()


@pytest.mark.usefixtures("small_city")
def test_fewest_sites_of_a_city_are_hardly_more_than_the_best(town: ChoiceProblem) -> None:
    found = choose_sites(town, time_limit_s=6.0)
    assert (found.coverage.covered() == town.coverable()).all()
    assert found.bound <= len(found.sites) <= 1.02 * found.bound + 1


@pytest.mark.usefixtures("small_city")
@pytest.mark.parametrize("folds", [1, 2])
def test_the_share_asked_for_and_the_sites_fixed_are_kept(town: ChoiceProblem, folds: int) -> None:
    options = {"least_share": 0.4, "folds": folds, "fixed_in": [3, 90], "fixed_out": [5, 6, 7]}
    found = choose_sites(town, time_limit_s=3.0, **options)  # type: ignore[arg-type]
    assert found.coverage.weight(folds=folds) >= 0.4 * town.stretches.weight.sum() - 1e-9
    assert {3, 90} <= set(found.sites.tolist())
    assert not {5, 6, 7} & set(found.sites.tolist())
    assert found.bound <= len(found.sites)


def test_some_loggers_in_a_city_cover_no_less_than_before(
    town: ChoiceProblem, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = choose_sites(town, most_sites=20, time_limit_s=4.0)
    monkeypatch.setattr(choice_module, "CITY", 50)
    monkeypatch.setattr("netcorr.planning.windows.SIZE", 30)
    found = choose_sites(town, most_sites=20, time_limit_s=4.0)
    assert len(found.sites) <= 20
    assert found.value <= found.bound + 1e-6
    assert found.value >= 0.97 * whole.value


def test_a_network_of_pieces_has_districts_of_each() -> None:
    graph = random_graph(2, nodes=12, reach_m=200.0)
    twice = MainsGraph(
        24,
        from_node=np.concatenate([graph.from_node, graph.from_node + 12]),
        to_node=np.concatenate([graph.to_node, graph.to_node + 12]),
        length_m=np.tile(graph.length_m, 2),
        reach_m=np.tile(graph.reach_m, 2),
        weight=np.tile(graph.weight, 2),
    )
    problem = build_problem(twice, CandidateSites.at_nodes(np.arange(24)))
    districts = list(Windows(problem, problem.coverable()).once_over(np.random.default_rng(1)))
    assert len(districts) >= 2
