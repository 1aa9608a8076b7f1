"""Nearest sites beyond both ends of a main, against networkx without that main."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.planning import CandidateSites, MainsGraph
from netcorr.planning.beyond import nearest_beyond
from tests.planning.conftest import graphs


def by_networkx(graph: MainsGraph, nodes: list[int], edge: int, end: int) -> float:
    """Share of the way from an end to the nearest of some nodes when the edge is taken out."""
    streets = nx.MultiGraph()
    streets.add_nodes_from(range(graph.node_count))
    for k in range(len(graph)):
        if k != edge:
            share = graph.length_m[k] / graph.reach_m[k]
            streets.add_edge(int(graph.from_node[k]), int(graph.to_node[k]), share=share)
    near = nx.single_source_dijkstra_path_length(streets, end, weight="share")
    return min((near[node] for node in nodes if node in near), default=np.inf)


@settings(deadline=None, max_examples=40)
@given(graph=graphs(), which=st.data())
def test_sites_beyond_are_those_of_the_network_without_the_main(
    graph: MainsGraph, which: st.DataObject
) -> None:
    nodes = which.draw(st.lists(st.integers(0, graph.node_count - 1), min_size=1, unique=True))
    found = nearest_beyond(graph, CandidateSites.at_nodes(nodes))
    for k in range(len(graph)):
        for side, ends in enumerate((graph.from_node, graph.to_node)):
            wanted = by_networkx(graph, nodes, k, int(ends[k]))
            assert found.share[k, side] == pytest.approx(wanted, abs=1e-6)
            assert (found.site[k, side] >= 0) == np.isfinite(wanted)


@settings(deadline=None, max_examples=20)
@given(graph=graphs(), which=st.data())
def test_the_site_named_is_as_near_as_said(graph: MainsGraph, which: st.DataObject) -> None:
    nodes = which.draw(st.lists(st.integers(0, graph.node_count - 1), min_size=1, unique=True))
    found = nearest_beyond(graph, CandidateSites.at_nodes(nodes))
    for k, side in zip(*np.nonzero(found.site >= 0), strict=True):
        end = int((graph.from_node, graph.to_node)[side][k])
        alone = by_networkx(graph, [nodes[found.site[k, side]]], int(k), end)
        assert found.share[k, side] == pytest.approx(alone, abs=1e-6)


def test_nodes_passed_cost_and_the_node_of_the_site_does_not() -> None:
    chain = MainsGraph(
        4,
        from_node=np.array([0, 1, 2]),
        to_node=np.array([1, 2, 3]),
        length_m=np.full(3, 10.0),
        reach_m=np.full(3, 100.0),
        weight=np.ones(3),
        from_share=np.array([0.0, 0.02, 0.04]),
        to_share=np.array([0.01, 0.03, 9.0]),
    )
    share = nearest_beyond(chain, CandidateSites.at_nodes([3])).share
    assert share[0].tolist() == [np.inf, pytest.approx(0.2 + (0.01 + 0.02) + (0.03 + 0.04))]
    assert share[2].tolist() == [np.inf, 0.0]


def test_without_sites_nothing_lies_beyond() -> None:
    chain = MainsGraph(
        2,
        from_node=np.array([0]),
        to_node=np.array([1]),
        length_m=np.ones(1),
        reach_m=np.ones(1),
        weight=np.ones(1),
    )
    none = CandidateSites.at_nodes(np.zeros(0, dtype=int))
    assert nearest_beyond(chain, none).site.tolist() == [[-1, -1]]
