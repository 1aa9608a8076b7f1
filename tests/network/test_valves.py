"""Closed valves part the network."""

from __future__ import annotations

from collections.abc import Callable

import networkx as nx
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import EDGE_ATTRIBUTES, build_network, open_graph

Maker = Callable[..., NetworkLayers]
Way = Callable[..., float | None]
MAIN = {"M1": [(0, 0), (100, 0)]}
ENDS = {"H1": (0, 0), "H2": (100, 0)}


def test_closed_valve_parts_its_main(make_layers: Maker, way_m: Way) -> None:
    fittings = {**ENDS, "V1": (40, 0.3)}
    assert way_m(build_network(make_layers(MAIN, fittings)), "H1", "H2") == pytest.approx(100, rel=1e-3)
    network = build_network(make_layers(MAIN, fittings, closed=["V1"]))
    assert way_m(network, "H1", "H2") is None
    links = [data for _, _, data in network.graph.edges(data=True) if not data["is_open"]]
    assert len(links) == 1
    assert tuple(links[0]) == EDGE_ATTRIBUTES
    assert links[0]["pipe_id"] == "V1"
    assert links[0]["length_m"] == links[0]["drawn_length_m"] == 0.0
    assert links[0]["geometry"].length == 0
    assert network.node_of("V1") in (links[0]["from_node"], links[0]["to_node"])
    assert "closed" in network.log["change"].tolist()
    assert nx.number_connected_components(network.graph) == 1
    assert nx.number_connected_components(open_graph(network)) == 2


def test_closed_valve_near_a_tee_shuts_only_the_pipe_it_is_drawn_on(make_layers: Maker, way_m: Way) -> None:
    mains = {**MAIN, "M2": [(40, 0), (40, 50)]}
    network = build_network(make_layers(mains, {**ENDS, "V1": (40.02, 0.1), "H3": (40, 50)}, closed=["V1"]))
    assert way_m(network, "H1", "H2") == pytest.approx(100, rel=1e-3)
    assert way_m(network, "H1", "H3") is None


def test_closed_valve_where_three_pipes_meet_parts_all_and_is_named(make_layers: Maker, way_m: Way) -> None:
    mains = {**MAIN, "M2": [(40, 0), (40, 50)]}
    network = build_network(make_layers(mains, {**ENDS, "V1": (40, 0), "H3": (40, 50)}, closed=["V1"]))
    for one, other in (("H1", "H2"), ("H1", "H3"), ("H2", "H3")):
        assert way_m(network, one, other) is None
    row = network.log[network.log["change"] == "closed_joint"].iloc[0]
    assert row["source_id"] == "V1"
    assert "where 3 pipes meet" in row["text"]
    assert sum(not data["is_open"] for _, _, data in network.graph.edges(data=True)) == 2


def test_closed_valve_at_a_dead_end_parts_nothing(make_layers: Maker, way_m: Way) -> None:
    network = build_network(make_layers(MAIN, {**ENDS, "V1": (100, 0)}, closed=["V1"]))
    assert way_m(network, "H1", "H2") == pytest.approx(100, rel=1e-3)
    assert network.log["change"].tolist() == ["closed_end"]


def test_two_closed_valves_at_one_place_part_once(make_layers: Maker, way_m: Way) -> None:
    network = build_network(
        make_layers(MAIN, {**ENDS, "V1": (40, 0.3), "V2": (40, -0.2)}, closed=["V1", "V2"])
    )
    assert way_m(network, "H1", "H2") is None
    assert network.node_of("V1") == network.node_of("V2")
    assert sum(not data["is_open"] for _, _, data in network.graph.edges(data=True)) == 1
    assert "closed valve at the place of closed valve V1" in network.log["text"].tolist()


@pytest.mark.parametrize("at", [39.85, 40.15])
def test_hydrant_beside_a_closed_valve_stays_on_its_own_side(
    make_layers: Maker, way_m: Way, at: float
) -> None:
    network = build_network(make_layers(MAIN, {**ENDS, "V1": (40, 0), "H3": (at, 1)}, closed=["V1"]))
    assert (way_m(network, "H1", "H3") is not None) is (at < 40)
    assert (way_m(network, "H2", "H3") is not None) is (at > 40)


def test_closed_valve_on_a_ring_leaves_the_other_way_round(make_layers: Maker, way_m: Way) -> None:
    ring = {"R": [(0, 0), (50, 0), (50, 50), (0, 50), (0, 0)]}
    network = build_network(make_layers(ring, {"H1": (10, 0), "H2": (40, 0), "V1": (25, 0)}, closed=["V1"]))
    assert way_m(network, "H1", "H2") == pytest.approx(170, rel=1e-3)


@settings(max_examples=25, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(seed=st.integers(0, 10_000))
def test_closing_valves_never_shortens_or_makes_a_way(make_messy_town: Maker, way_m: Way, seed: int) -> None:
    layers = make_messy_town(seed)
    opened = NetworkLayers("open", mains=layers.mains, fittings=layers.fittings.assign(is_open=True))
    some_closed, all_open = build_network(layers), build_network(opened)
    names = some_closed.fittings.index[some_closed.fittings["is_open"] & (some_closed.fittings["node"] >= 0)]
    for other in names[1:8]:
        one = way_m(some_closed, names[0], other)
        if one is not None:
            reference = way_m(all_open, names[0], other)
            assert reference is not None
            assert one >= reference - 1.0  # nodes are shared a little otherwise, decimetres apart
