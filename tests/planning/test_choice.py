"""Choices of sites against trying them all, against spopt, and against the judge."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.errors import CancelledError, PlanError
from netcorr.planning import (
    CandidateSites,
    ChoiceProblem,
    MainsGraph,
    Ragged,
    SiteChoice,
    Stretches,
    build_problem,
    choose_sites,
    covered_by,
)
from tests.planning.conftest import graphs, random_graph


def all_sites(graph: MainsGraph) -> ChoiceProblem:
    return build_problem(graph, CandidateSites.at_nodes(np.arange(graph.node_count)))


def fewest_by_trying(problem: ChoiceProblem, *, enough: float, folds: int = 1) -> int:
    """Least number of sites that cover enough weight, trying every choice."""
    for count in range(len(problem.sites) + 1):
        for sites in combinations(range(len(problem.sites)), count):
            if covered_by(problem, sites).weight(folds=folds) >= enough - 1e-9:
                return count
    raise AssertionError("not even all sites cover so much")


@settings(deadline=None, max_examples=15)
@given(graph=graphs(most_nodes=9), folds=st.sampled_from([1, 1, 2, 3]))
def test_fewest_sites_are_those_of_trying_them_all(graph: MainsGraph, folds: int) -> None:
    problem = all_sites(graph)
    choice = choose_sites(problem, folds=folds)
    coverable = problem.coverable(folds=folds)
    assert (choice.coverage.covered(folds=folds) == coverable).all()
    assert choice.proven
    # stretches of weight 0 must be covered too, so give every one a weight
    even = all_sites(with_weight(graph, np.ones(len(graph))))
    assert len(choice.sites) == fewest_by_trying(even, enough=float(coverable.sum()), folds=folds)
    assert choice.coverage.weight(folds=folds) == pytest.approx(graph.weight[coverable].sum())


def with_weight(graph: MainsGraph, weight: np.ndarray) -> MainsGraph:
    return MainsGraph(
        graph.node_count, graph.from_node, graph.to_node, graph.length_m, graph.reach_m, weight=weight
    )


@settings(deadline=None, max_examples=15)
@given(graph=graphs(most_nodes=9), loggers=st.integers(2, 5), folds=st.sampled_from([1, 1, 2]))
def test_most_coverage_is_that_of_trying_them_all(graph: MainsGraph, loggers: int, folds: int) -> None:
    problem = all_sites(graph)
    choice = choose_sites(problem, most_sites=loggers, folds=folds)
    best = max(
        covered_by(problem, sites).weight(folds=folds)
        for sites in combinations(range(graph.node_count), min(loggers, graph.node_count))
    )
    assert choice.coverage.weight(folds=folds) == pytest.approx(best, rel=1e-5)
    assert choice.bound == pytest.approx(best, rel=1e-4)
    assert len(choice.sites) <= loggers


@settings(deadline=None, max_examples=15)
@given(graph=graphs(most_nodes=9), share=st.floats(0.2, 0.9))
def test_fewest_sites_for_a_share_are_those_of_trying_them_all(graph: MainsGraph, share: float) -> None:
    problem = all_sites(graph)
    choice = choose_sites(problem, least_share=share)
    asked = share * graph.weight.sum()
    possible = graph.weight[problem.coverable()].sum()
    if asked <= possible * (1 - 1e-6):
        assert choice.coverage.weight() >= asked * (1 - 1e-9)
        assert len(choice.sites) == fewest_by_trying(problem, enough=asked)
    elif asked > possible * (1 + 1e-6):
        assert choice.coverage.weight() == pytest.approx(possible)


def test_bound_and_gap_are_true_when_the_time_is_short() -> None:
    problem = all_sites(random_graph(3, nodes=120, reach_m=260.0, extra=60))
    best = choose_sites(problem, time_limit_s=60)
    assert best.proven
    hasty = choose_sites(problem, time_limit_s=0.01)
    assert hasty.bound <= len(best.sites) <= len(hasty.sites)
    assert hasty.coverage.covered().sum() == problem.coverable().sum()


def test_sites_fixed_in_and_out_are_kept(district: tuple[MainsGraph, CandidateSites]) -> None:
    problem = build_problem(*district)
    free = choose_sites(problem)
    out = free.sites[:3]
    rest = np.setdiff1d(np.arange(60), free.sites)[:2]
    choice = choose_sites(problem, fixed_in=rest, fixed_out=out)
    assert np.isin(rest, choice.sites).all()
    assert not np.isin(out, choice.sites).any()
    assert choice.proven


def test_only_wanted_stretches_count(district: tuple[MainsGraph, CandidateSites]) -> None:
    problem = build_problem(*district)
    wanted = np.zeros(len(problem.stretches), dtype=bool)
    wanted[np.flatnonzero(problem.coverable())[:4]] = True
    choice = choose_sites(problem, wanted=wanted)
    assert choice.coverage.covered()[wanted].all()
    assert len(choice.sites) <= 8


def test_more_loggers_than_sites_is_no_fault() -> None:
    problem = all_sites(random_graph(2, nodes=6, reach_m=300.0))
    choice = choose_sites(problem, most_sites=50)
    assert choice.coverage.weight() == pytest.approx(
        problem.stretches.weight[problem.coverable()].sum(), rel=1e-9
    )
    assert choice.proven


def test_nothing_within_reach_gives_an_empty_choice() -> None:
    problem = all_sites(random_graph(2, nodes=6, reach_m=1.0))
    for choice in (choose_sites(problem), choose_sites(problem, most_sites=3)):
        assert len(choice.sites) == 0
        assert choice.value == choice.bound == 0


@pytest.mark.parametrize(
    ("given_", "words"),
    [
        ({"most_sites": 1}, "2 or more"),
        ({"folds": 0}, "1 or more"),
        ({"least_share": 1.5}, "0 to 1"),
        ({"fixed_in": [1], "fixed_out": [1]}, "fixed in and out"),
        ({"fixed_in": [0, 1, 2], "most_sites": 2}, "3 sites are fixed in"),
    ],
)
def test_what_cannot_be_is_refused(given_: dict[str, object], words: str) -> None:
    problem = all_sites(random_graph(2, nodes=6, reach_m=300.0))
    with pytest.raises(PlanError, match=words):
        choose_sites(problem, **given_)  # type: ignore[arg-type]


class Impatient:
    cancelled = True

    def progress(self, fraction: float, message: str = "") -> None: ...

    def message(self, text: str) -> None: ...


def test_it_stops_when_asked() -> None:
    with pytest.raises(CancelledError):
        choose_sites(all_sites(random_graph(3, nodes=60, reach_m=260.0, extra=30)), feedback=Impatient())


def single_sites(heard: np.ndarray, weight: np.ndarray) -> ChoiceProblem:
    """A problem in which single sites cover: the other site of every pair is one that is always chosen."""
    points, sites = np.nonzero(heard)
    n = heard.shape[1]
    order = np.lexsort((sites, points))
    points, sites = points[order], sites[order]
    ones = np.ones(len(heard))
    return ChoiceProblem(
        stretches=Stretches(np.arange(len(heard)), 0 * ones, ones, ones, weight),
        sites=CandidateSites.at_nodes(np.arange(n + 1)),
        pair_sites=np.column_stack([np.arange(n), np.full(n, n)]),
        pair_length_m=np.ones(n),
        covering=Ragged.grouped(points, values=sites, count=len(heard)),
        covering_from=sites,
        covering_to=np.full(len(sites), n),
    )


def spopt_choice(kind: str, apart: np.ndarray, weight: np.ndarray, *, radius: float, loggers: int) -> float:
    """Answer of spopt.locate: number of sites, or weight covered."""
    import pulp
    from spopt.locate import LSCP, MCLP

    solver = pulp.PULP_CBC_CMD(msg=False)
    if kind == "fewest":
        return float(LSCP.from_cost_matrix(apart, radius).solve(solver).problem.objective.value())
    model = MCLP.from_cost_matrix(apart, weight, service_radius=radius, p_facilities=loggers)
    return float(model.solve(solver).problem.objective.value())


@pytest.mark.filterwarnings("ignore")  # spopt and pulp warn about their own code
@pytest.mark.parametrize("seed", [1])
def test_with_reach_by_single_sites_it_is_the_covering_problem_of_spopt(seed: int) -> None:
    pytest.importorskip("spopt")
    rng = np.random.default_rng(seed)
    points, places = rng.uniform(0, 1000, (60, 2)), rng.uniform(0, 1000, (25, 2))
    apart = np.hypot(*(points[:, None, :] - places[None, :, :]).transpose(2, 0, 1))
    radius = float(apart.min(axis=1).max()) + 1.0
    weight = rng.integers(1, 20, 60).astype(float)
    problem = single_sites(apart <= radius, weight)
    fewest: SiteChoice = choose_sites(problem, fixed_in=[25])
    assert fewest.proven
    assert len(fewest.sites) - 1 == spopt_choice("fewest", apart, weight, radius=radius, loggers=0)
    most = choose_sites(problem, most_sites=5, fixed_in=[25])
    assert most.value == pytest.approx(spopt_choice("most", apart, weight, radius=radius, loggers=4))
