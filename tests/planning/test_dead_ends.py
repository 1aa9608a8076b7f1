"""What lies beyond the last candidate, against cutting every main by networkx."""

from __future__ import annotations

from pathlib import Path

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.layers import read_network_layers
from netcorr.network import PipeNetwork, build_network
from netcorr.planning import CandidateSites, MainsGraph, build_problem
from netcorr.planning.candidates import candidate_sites
from netcorr.planning.dead_ends import beyond_sites, find_dead_ends
from netcorr.planning.from_network import planning_map
from netcorr.planning.reach import ReachTable
from tests.planning.conftest import graphs

TOWN = Path(__file__).parents[2] / "sample_network" / "town.gpkg"


@pytest.fixture(scope="module")
def town() -> PipeNetwork:
    return build_network(read_network_layers(TOWN))


def beyond_by_cutting(graph: MainsGraph, sites: set[int]) -> list[bool]:
    """Cut every edge in turn: it and the side that is left without a site are beyond."""
    streets = nx.MultiGraph()
    streets.add_nodes_from(range(graph.node_count))
    ends = list(zip(graph.from_node.tolist(), graph.to_node.tolist(), strict=True))
    for k, (a, b) in enumerate(ends):
        streets.add_edge(a, b, key=k)
    beyond = [False] * len(graph)
    for k, (a, b) in enumerate(ends):
        streets.remove_edge(a, b, key=k)
        for end in (a, b):
            side = nx.node_connected_component(streets, end)
            if not side & sites:
                beyond[k] = True
                for j, (c, d) in enumerate(ends):
                    beyond[j] |= c in side and d in side
        streets.add_edge(a, b, key=k)
    return beyond


@settings(deadline=None)
@given(graph=graphs(), data=st.data())
def test_it_is_what_cutting_every_main_says(graph: MainsGraph, data: st.DataObject) -> None:
    nodes = st.integers(0, graph.node_count - 1)
    sites = data.draw(st.lists(nodes, unique=True, min_size=1))
    found = beyond_sites(graph, CandidateSites.at_nodes(sites))
    assert found.tolist() == beyond_by_cutting(graph, set(sites))


@settings(deadline=None)
@given(graph=graphs(), data=st.data())
def test_no_pair_covers_what_lies_beyond(graph: MainsGraph, data: st.DataObject) -> None:
    nodes = st.integers(0, graph.node_count - 1)
    sites = CandidateSites.at_nodes(data.draw(st.lists(nodes, unique=True, min_size=1)))
    assert not (build_problem(graph, sites).coverable() & beyond_sites(graph, sites)).any()


def test_every_dead_end_is_told_once_with_the_fitting_that_would_help(town: PipeNetwork) -> None:
    mains = planning_map(town, reach=ReachTable())
    everything = candidate_sites(town)
    usual = find_dead_ends(mains, everything, wanted=np.ones(len(mains.graph), dtype=bool))
    hydrants = candidate_sites(town, kinds=("hydrant",))
    found = find_dead_ends(mains, hydrants, wanted=np.ones(len(mains.graph), dtype=bool))
    edges = np.concatenate([one.edges for one in found])
    assert sorted(edges.tolist()) == np.flatnonzero(beyond_sites(mains.graph, hydrants)).tolist()
    assert sum(one.length_m for one in found) > sum(one.length_m for one in usual)
    helped = [one for one in found if one.bracketed_m > 0]
    assert helped
    for one in helped:
        assert one.kind == town.fittings.at[one.fitting, "kind"] != "hydrant"
        node = town.node_of(str(one.fitting))
        assert node in mains.graph.from_node[one.edges] or node in mains.graph.to_node[one.edges]
        assert 0 < one.bracketed_m <= one.length_m + 1e-6
    with_all = candidate_sites(town, only={*hydrants.fitting, *(str(one.fitting) for one in helped)})
    now = mains.graph.length_m[beyond_sites(mains.graph, with_all)].sum()
    gained = mains.graph.length_m[edges].sum() - now
    assert gained == pytest.approx(sum(one.bracketed_m for one in helped), rel=0.35)
    assert gained >= max(one.bracketed_m for one in helped) - 1e-6


def test_a_dead_end_outside_the_district_is_not_told(town: PipeNetwork) -> None:
    mains = planning_map(town, reach=ReachTable())
    sites = candidate_sites(town)
    assert find_dead_ends(mains, sites, wanted=np.zeros(len(mains.graph), dtype=bool)) == ()
