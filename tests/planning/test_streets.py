"""Ways of a crew against networkx."""

from __future__ import annotations

from pathlib import Path

import networkx as nx
import numpy as np
import pytest

from netcorr.layers import read_network_layers
from netcorr.network import PipeNetwork, build_network
from netcorr.planning.streets import DETOUR, Streets

TOWN = Path(__file__).parents[2] / "sample_network" / "town.gpkg"


@pytest.fixture(scope="module")
def town() -> PipeNetwork:
    return build_network(read_network_layers(TOWN))


def test_ways_are_the_shortest_along_all_mains(town: PipeNetwork) -> None:
    streets = Streets(town)
    nodes = town.fittings["node"].to_numpy()
    nodes = np.random.default_rng(1).permutation(nodes[nodes >= 0])[:12]
    found = streets.apart_m(nodes[:6], nodes[6:])
    for i, a in enumerate(nodes[:6].tolist()):
        reached = nx.single_source_dijkstra_path_length(town.graph, a, weight="drawn_length_m")
        for j, b in enumerate(nodes[6:].tolist()):
            assert found[i, j] == pytest.approx(reached[b], abs=0.01)
    np.testing.assert_allclose(streets.from_any_m(nodes[:6], nodes[6:]), found.min(axis=0))


def test_the_line_of_a_way_is_as_long_as_the_way(town: PipeNetwork) -> None:
    streets = Streets(town)
    nodes = town.fittings["node"].to_numpy()
    a, b = (int(k) for k in nodes[nodes >= 0][[3, -5]])
    line, along = streets.way(a, b)
    assert along
    assert line is not None
    [[way_m]] = streets.apart_m(np.array([a]), np.array([b]))
    assert line.length == pytest.approx(way_m, rel=2e-3), "the plane of the CRS, not the ground"
    for node, xy in ((a, line.coords[0]), (b, line.coords[-1])):
        assert xy == pytest.approx((town.graph.nodes[node]["x"], town.graph.nodes[node]["y"]), abs=1e-6)
    assert streets.way(a, a) == (None, True)


def test_what_the_mains_do_not_connect_is_straight(town: PipeNetwork) -> None:
    graph = town.graph.copy()
    lone = int(town.fittings["node"].max())
    graph.remove_edges_from(list(graph.edges(lone, keys=True)))
    cut = PipeNetwork(town.source, graph, town.fittings, town.log, town.crs)
    streets = Streets(cut)
    other = int(town.fittings["node"].iloc[0])
    line, along = streets.way(other, lone)
    assert not along
    assert line is not None
    [[way_m]] = streets.apart_m(np.array([other]), np.array([lone]))
    assert way_m == pytest.approx(DETOUR * line.length, rel=2e-3)
    assert streets.from_any_m(np.array([other]), np.array([lone]))[0] == pytest.approx(way_m)
