"""Small random networks, and a brute-force count of what pairs of sites cover."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import combinations, pairwise
from typing import Any

import networkx as nx
import numpy as np
import pytest
from hypothesis import strategies as st

from netcorr.network import PipeNetwork, build_network
from netcorr.planning import CandidateSites, MainsGraph
from tests.network.conftest import layers_from


def random_graph(seed: int, *, nodes: int, reach_m: float, extra: int = 4) -> MainsGraph:
    """A random tree with some loops; real lengths, so that shortest paths are unique."""
    rng = np.random.default_rng(seed)
    later = np.arange(1, nodes)
    a = np.concatenate([rng.integers(0, later), rng.integers(0, nodes, extra)])
    b = np.concatenate([later, rng.integers(0, nodes, extra)])
    length_m = rng.uniform(20.0, 100.0, len(a))
    share = rng.choice([1.0, 0.5], len(a), p=[0.8, 0.2])
    return MainsGraph(
        nodes,
        from_node=a,
        to_node=b,
        length_m=length_m,
        reach_m=reach_m * share,
        weight=rng.uniform(0.0, 5.0, len(a)),
    )


def pairs_covering(graph: MainsGraph, sites: Iterable[int]) -> list[set[tuple[int, int]]]:
    """For each edge the pairs of nodes that cover it, by networkx and by trying all pairs."""
    streets = nx.MultiGraph()
    streets.add_nodes_from(range(graph.node_count))
    for k in range(len(graph)):
        streets.add_edge(
            int(graph.from_node[k]),
            int(graph.to_node[k]),
            key=k,
            length_m=graph.length_m[k],
            share=graph.length_m[k] / graph.reach_m[k],
        )
    covering: list[set[tuple[int, int]]] = [set() for _ in range(len(graph))]
    for a, b in combinations(sorted(sites), 2):
        try:
            nodes = nx.dijkstra_path(streets, a, b, weight="length_m")
        except nx.NetworkXNoPath:
            continue
        edges = [
            min((data["length_m"], k) for k, data in streets[u][v].items())[1] for u, v in pairwise(nodes)
        ]
        if sum(graph.length_m[k] / graph.reach_m[k] for k in edges) <= 1:
            for k in edges:
                covering[k].add((a, b))
    return covering


@st.composite
def graphs(draw: st.DrawFn, most_nodes: int = 14) -> MainsGraph:
    """Networks of a few nodes."""
    seed = draw(st.integers(0, 10_000))
    nodes = draw(st.integers(2, most_nodes))
    return random_graph(seed, nodes=nodes, reach_m=draw(st.sampled_from([90.0, 180.0, 400.0])))


@pytest.fixture(scope="module")
def district() -> tuple[MainsGraph, CandidateSites]:
    """A network of 60 nodes, all of them sites."""
    graph = random_graph(5, nodes=60, reach_m=220.0, extra=25)
    return graph, CandidateSites.at_nodes(np.arange(60))


def town(
    mains: Mapping[str, Sequence[Sequence[float]]],
    fittings: Mapping[str, tuple[float, float]],
    **more: Any,
) -> PipeNetwork:
    """A network drawn in a test; lengths on the ground are 0.04 % longer than drawn."""
    return build_network(layers_from(mains, fittings, **more))
