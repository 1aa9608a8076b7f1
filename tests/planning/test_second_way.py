"""The margin over the second way round, against networkx with the edge taken out."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcorr.errors import CancelledError, PlanError
from netcorr.feedback import NoFeedback
from netcorr.planning import CandidateSites, ChoiceProblem, MainsGraph, build_problem
from netcorr.planning.second_way import with_margin
from tests.planning.conftest import graphs, random_graph


def covered_pairs(problem: ChoiceProblem) -> list[set[tuple[int, ...]]]:
    """Pairs of nodes that cover each stretch."""
    node = problem.sites.node[problem.pair_sites]
    return [{tuple(sorted(node[k].tolist())) for k in pairs} for pairs in problem.covering]


def way_without(graph: MainsGraph, edge: int, a: int, b: int) -> float:
    """Shortest way between two nodes when an edge is not there."""
    streets = nx.MultiGraph()
    streets.add_nodes_from(range(graph.node_count))
    for k in range(len(graph)):
        if k != edge:
            streets.add_edge(int(graph.from_node[k]), int(graph.to_node[k]), length_m=graph.length_m[k])
    try:
        return float(nx.dijkstra_path_length(streets, a, b, weight="length_m"))
    except nx.NetworkXNoPath:
        return np.inf


@given(graphs(), st.sampled_from([0.01, 0.1, 0.5, 2.0]))
def test_what_stays_has_no_second_way_within_the_margin(graph: MainsGraph, margin: float) -> None:
    problem = build_problem(graph, CandidateSites.at_nodes(np.arange(graph.node_count)))
    judged = build_problem(graph, problem.sites, margin=margin)
    length_m = dict(zip(map(tuple, problem.pair_sites.tolist()), problem.pair_length_m, strict=True))
    for edge, (before, after) in enumerate(zip(covered_pairs(problem), covered_pairs(judged), strict=True)):
        expected = {
            (a, b)
            for a, b in before
            if way_without(graph, edge, a, b) >= length_m[a, b] * (1 + margin) * (1 - 1e-9)
        }
        assert after == expected


def test_a_branch_has_no_second_way() -> None:
    graph = random_graph(3, nodes=30, reach_m=300.0, extra=0)
    problem = build_problem(graph, CandidateSites.at_nodes(np.arange(30)))
    judged = with_margin(problem, graph, margin=10.0)
    assert covered_pairs(judged) == covered_pairs(problem)


def test_of_two_mains_side_by_side_the_longer_is_the_second_way() -> None:
    graph = MainsGraph(
        2,
        from_node=np.array([0, 1]),
        to_node=np.array([1, 0]),
        length_m=np.array([100.0, 110.0]),
        reach_m=np.full(2, 200.0),
        weight=np.ones(2),
    )
    sites = CandidateSites.at_nodes([0, 1])
    assert build_problem(graph, sites, margin=0.09).coverable().tolist() == [True, False]
    assert build_problem(graph, sites, margin=0.11).coverable().tolist() == [False, False]


@pytest.mark.parametrize("margin", [-0.01, float("nan"), float("inf")])
def test_a_margin_that_cannot_be_right(margin: float) -> None:
    graph = random_graph(1, nodes=4, reach_m=300.0)
    with pytest.raises(PlanError, match="give 0 % or more"):
        build_problem(graph, CandidateSites.at_nodes([0, 1]), margin=margin)


def test_it_can_be_stopped() -> None:
    class Stop(NoFeedback):
        cancelled = True

    graph = random_graph(1, nodes=8, reach_m=300.0)
    problem = build_problem(graph, CandidateSites.at_nodes(np.arange(8)))
    with pytest.raises(CancelledError):
        with_margin(problem, graph, margin=0.1, feedback=Stop())
