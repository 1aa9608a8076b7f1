"""Rows against what they stand for: a choice covers a target exactly when it obeys all rows of it."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.planning import CandidateSites, MainsGraph, build_problem, covered_by
from netcorr.planning.cover_rows import CoverRows, Targets
from tests.planning.conftest import graphs


@settings(deadline=None, max_examples=30)
@given(graph=graphs(), which=st.data())
def test_a_choice_breaks_a_row_of_exactly_the_targets_it_does_not_cover(
    graph: MainsGraph, which: st.DataObject
) -> None:
    count = graph.node_count
    problem = build_problem(graph, CandidateSites.at_nodes(np.arange(count)))
    targets = Targets.of(problem)
    chosen = which.draw(st.lists(st.integers(0, count - 1), unique=True))
    fraction = np.zeros(count)
    fraction[chosen] = 1.0
    broken = CoverRows(targets, site_count=count).broken(fraction, np.ones(len(targets)))
    covered = covered_by(problem, chosen).covered()[targets.stretch]
    assert {row.target for row in broken} == set(np.flatnonzero(~covered).tolist())
    for row in broken:
        assert not np.isin(row.sites, chosen).any()


@settings(deadline=None, max_examples=20)
@given(graph=graphs(), seed=st.integers(0, 99))
def test_every_row_touches_all_pairs_of_its_target(graph: MainsGraph, seed: int) -> None:
    count = graph.node_count
    problem = build_problem(graph, CandidateSites.at_nodes(np.arange(count)))
    targets = Targets.of(problem)
    rows = CoverRows(targets, site_count=count)
    fraction = np.random.default_rng(seed).uniform(0, 0.5, count)
    for row in [*rows.sides(), *rows.broken(fraction, np.ones(len(targets)))]:
        pairs = problem.pair_sites[targets.pairs[row.target]]
        assert np.isin(pairs, row.sites).any(axis=1).all()


@settings(deadline=None, max_examples=20)
@given(graph=graphs())
def test_targets_gather_all_that_can_be_covered(graph: MainsGraph) -> None:
    problem = build_problem(graph, CandidateSites.at_nodes(np.arange(graph.node_count)))
    targets = Targets.of(problem)
    np.testing.assert_allclose(targets.weight.sum(), graph.weight[problem.coverable()].sum())
    assert len({targets.pairs[k].tobytes() for k in range(len(targets))}) == len(targets)
    for k, stretch in enumerate(targets.stretch.tolist()):
        np.testing.assert_array_equal(targets.pairs[k], problem.covering[stretch])
