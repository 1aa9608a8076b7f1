"""Gains kept up to date against counting afresh; greedy, swaps and pruning keep their promises."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.planning import CandidateSites, ChoiceProblem, MainsGraph, build_problem, covered_by
from netcorr.planning.cover_rows import Targets
from netcorr.planning.local_search import ChosenSites, fill_up, prune, swap
from tests.planning.conftest import graphs, random_graph


def progress(problem: ChoiceProblem, sites: list[int], folds: int) -> float:
    """Weight, partial folds counted: what gains are differences of."""
    stretches = problem.coverable(folds=folds)
    counted = np.minimum(covered_by(problem, sites).pairs, folds) / folds
    return float((problem.stretches.weight * counted)[stretches].sum())


def state_of(graph: MainsGraph, folds: int = 1) -> tuple[ChoiceProblem, ChosenSites]:
    problem = build_problem(graph, CandidateSites.at_nodes(np.arange(graph.node_count)))
    targets = Targets.of(problem, folds=folds)
    return problem, ChosenSites(problem, targets, weight=targets.weight, folds=folds)


@settings(deadline=None, max_examples=25)
@given(graph=graphs(), folds=st.integers(1, 3), steps=st.lists(st.integers(0, 13), max_size=12))
def test_gains_are_what_a_fresh_count_says(graph: MainsGraph, folds: int, steps: list[int]) -> None:
    problem, state = state_of(graph, folds)
    for site in (step % graph.node_count for step in steps):
        if state.chosen[site]:
            state.remove(site)
        else:
            state.add([site])
    now = state.sites.tolist()
    weight = progress(problem, now, folds)
    for site in range(graph.node_count):
        other = sorted(set(now) ^ {site})
        assert state.gain[site] == pytest.approx(abs(progress(problem, other, folds) - weight), abs=1e-9)


def test_greedy_stops_at_the_number_of_loggers_and_swaps_never_lose() -> None:
    _, state = state_of(random_graph(7, nodes=60, reach_m=220.0, extra=20))
    everywhere, nobody = np.ones(60, dtype=bool), np.zeros(60, dtype=bool)
    fill_up(state, allowed=everywhere, most_sites=9)
    before = state.weight
    assert len(state.sites) == 9
    swap(state, allowed=everywhere, fixed=nobody, rng=np.random.default_rng(1))
    assert len(state.sites) == 9
    assert state.weight >= before


def test_pruning_leaves_no_site_that_could_go() -> None:
    problem, state = state_of(random_graph(7, nodes=60, reach_m=220.0, extra=20))
    state.add(range(60))
    prune(state, fixed=np.zeros(60, dtype=bool))
    sites = state.sites.tolist()
    assert covered_by(problem, sites).covered().sum() == problem.coverable().sum()
    for site in sites:
        fewer = covered_by(problem, [other for other in sites if other != site])
        assert fewer.weight() < problem.stretches.weight[problem.coverable()].sum()


def test_allowed_and_fixed_are_kept() -> None:
    _, state = state_of(random_graph(7, nodes=60, reach_m=220.0, extra=20))
    allowed = np.arange(60) % 3 > 0
    fixed = np.zeros(60, dtype=bool)
    fixed[[1, 2]] = True
    state.add([1, 2])
    fill_up(state, allowed=allowed, most_sites=12)
    swap(state, allowed=allowed, fixed=fixed, rng=np.random.default_rng(1))
    assert state.chosen[[1, 2]].all()
    assert not state.chosen[~allowed].any()
