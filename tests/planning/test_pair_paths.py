"""Edges of pairs in order from one sensor to the other."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings

from netcorr.planning import CandidateSites, MainsGraph, build_problem
from netcorr.planning.edge_speeds import EdgeSpeeds
from netcorr.planning.pair_paths import pair_paths
from tests.planning.conftest import graphs


def speeds(count: int) -> EdgeSpeeds:
    number = np.arange(count)
    one = np.full(count, 1250.0)
    return EdgeSpeeds(one, 0.02 * one, 0.01 * one, number % 3, number, number % 3 == 2)


@settings(deadline=None, max_examples=30)
@given(graph=graphs())
def test_edges_follow_each_other_from_the_first_site_to_the_second(graph: MainsGraph) -> None:
    problem = build_problem(graph, CandidateSites.at_nodes(np.arange(graph.node_count)))
    found = {one.pair: one for one in pair_paths(problem, graph, speeds(len(graph)))}
    assert set(found) == set(problem.covering.values.tolist())
    for pair, one in found.items():
        start, end = problem.sites.node[problem.pair_sites[pair]].tolist()
        at = start
        for edge, forward in zip(one.edge.tolist(), one.forward.tolist(), strict=True):
            ends = graph.from_node[edge], graph.to_node[edge]
            tail, head = ends if forward else ends[::-1]
            assert tail == at
            at = head
        assert at == end
        assert np.isclose(one.path.length_m.sum(), problem.pair_length_m[pair])
        np.testing.assert_allclose(one.start_m, np.cumsum(one.path.length_m) - one.path.length_m)


@settings(deadline=None, max_examples=20)
@given(graph=graphs())
def test_places_on_an_edge_are_measured_from_the_first_site(graph: MainsGraph) -> None:
    problem = build_problem(graph, CandidateSites.at_nodes(np.arange(graph.node_count)))
    for one in pair_paths(problem, graph, speeds(len(graph))):
        for k, edge in enumerate(one.edge.tolist()):
            ends = one.place_m(k, np.array([0.0, graph.length_m[edge]]), graph)
            wanted = one.start_m[k] + np.array([0.0, graph.length_m[edge]])
            np.testing.assert_allclose(np.sort(ends), wanted)
            assert (ends[0] < ends[1]) == bool(one.forward[k])


def test_only_the_pairs_asked_for() -> None:
    chain = MainsGraph(
        3,
        from_node=np.array([0, 2]),
        to_node=np.array([1, 1]),
        length_m=np.array([30.0, 40.0]),
        reach_m=np.full(2, 100.0),
        weight=np.ones(2),
        to_share=np.array([0.01, 0.02]),
    )
    problem = build_problem(chain, CandidateSites.at_nodes([0, 1, 2]))
    wanted = np.array([list(pair) == [0, 2] for pair in problem.pair_sites.tolist()])
    (one,) = pair_paths(problem, chain, speeds(2), pairs=wanted)
    assert one.edge.tolist() == [0, 1]
    assert one.path.node_share.tolist() == [0.01 + 0.02]
    assert one.path.plastic.tolist() == [False, False]
