"""Pieces of a network: what hangs together, by length."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import networkx as nx
import numpy as np
import pytest

from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import build_network
from netcorr.network.connected import connected

Maker = Callable[..., NetworkLayers]


def test_pieces_are_those_of_networkx(make_messy_town: Maker) -> None:
    network = build_network(make_messy_town(7))
    parts = connected(network)
    used = nx.Graph(
        (u, v) for u, v, d in network.graph.edges(data=True) if d["is_open"] or d["drawn_length_m"] == 0
    )
    wanted = []
    for nodes in nx.connected_components(used):
        inside = network.graph.subgraph(nodes).edges(data=True)
        wanted.append(sum(d["length_m"] for *_, d in inside if d["is_open"]))
    wanted = sorted((metres for metres in wanted if metres > 0), reverse=True)
    np.testing.assert_allclose(parts.length_m, wanted)
    assert parts.total_m == pytest.approx(sum(wanted))
    open_part = nx.Graph((u, v) for u, v, d in network.graph.edges(data=True) if d["is_open"])
    assert parts.zones == nx.number_connected_components(open_part)


def test_closed_valves_part_no_pieces_and_mains_out_of_service_join_none(make_layers: Maker) -> None:
    mains: dict[str, Any] = {
        "A": [(0, 0), (100, 0)],
        "B": [(100, 0), (150, 0)],
        "C": [(150, 0), (160, 0)],
        "D": [(160, 0), (190, 0)],
    }
    layers = make_layers(mains, {"V1": (100, 0)}, closed=["V1"], out_of_service=["C"])
    parts = connected(build_network(layers))
    np.testing.assert_allclose(parts.length_m, [150, 30], atol=0.1)
    assert parts.zones == 3
    ids = parts.columns["pipe_id"]
    piece = dict(zip(ids, parts.edge_piece, strict=True))
    assert piece == {"A": 0, "B": 0, "C": -1, "D": 1, "V1": 0}
    assert set(ids[parts.is_link]) == {"V1"}


def test_columns_are_those_of_the_graph(make_messy_town: Maker) -> None:
    network = build_network(make_messy_town(3))
    parts = connected(network)
    keyed = list(network.graph.edges(keys=True, data=True))
    assert parts.columns["pipe_id"].tolist() == [d["pipe_id"] for *_, d in keyed]
    assert parts.keys.tolist() == [key for *_, key, _ in keyed]
    degree = dict(network.graph.degree())
    out = sum(not d["is_open"] and d["drawn_length_m"] > 0 for *_, d in keyed)
    assert parts.degree.sum() == sum(degree.values()) - 2 * out
