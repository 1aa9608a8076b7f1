"""The judge against a brute-force count."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.errors import PlanError
from netcorr.planning import CandidateSites, MainsGraph, build_problem, covered_by
from tests.planning.conftest import graphs, pairs_covering


@settings(deadline=None, max_examples=30)
@given(graph=graphs(), which=st.data())
def test_counts_are_those_of_trying_all_pairs(graph: MainsGraph, which: st.DataObject) -> None:
    chosen = which.draw(st.lists(st.integers(0, graph.node_count - 1), unique=True))
    problem = build_problem(graph, CandidateSites.at_nodes(np.arange(graph.node_count)))
    coverage = covered_by(problem, chosen)
    expected = [len(pairs) for pairs in pairs_covering(graph, chosen)]
    assert coverage.pairs.tolist() == expected
    for folds in (1, 2):
        held = np.array(expected) >= folds
        assert coverage.length_m(folds=folds) == pytest.approx(graph.length_m[held].sum())
        assert coverage.weight(folds=folds) == pytest.approx(graph.weight[held].sum())


@settings(deadline=None, max_examples=20)
@given(graph=graphs(), seed=st.integers(0, 99))
def test_more_sites_never_cover_less_and_order_does_not_matter(graph: MainsGraph, seed: int) -> None:
    problem = build_problem(graph, CandidateSites.at_nodes(np.arange(graph.node_count)))
    numbers = np.random.default_rng(seed).permutation(graph.node_count)
    before = covered_by(problem, [])
    for k in range(len(numbers) + 1):
        now = covered_by(problem, numbers[:k])
        assert (now.pairs >= before.pairs).all()
        assert (now.heard | ~before.heard).all()
        before = now
    assert (before.covered() == problem.coverable()).all()


def test_one_site_hears_what_it_cannot_place(district: tuple[MainsGraph, CandidateSites]) -> None:
    problem = build_problem(*district)
    coverage = covered_by(problem, [0])
    assert coverage.heard.any()
    assert not coverage.covered().any()


def test_numbers_that_are_no_sites_are_refused(district: tuple[MainsGraph, CandidateSites]) -> None:
    problem = build_problem(*district)
    with pytest.raises(PlanError, match="60 sites"):
        covered_by(problem, [60])
