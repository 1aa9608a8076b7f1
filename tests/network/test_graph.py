"""The graph of what is open, and the edges as a layer."""

from __future__ import annotations

from collections.abc import Callable

import networkx as nx
import numpy as np
import pytest
import shapely

from netcorr.errors import NetworkError
from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import CHANGES, EDGE_ATTRIBUTES, build_network, network_edges, open_graph
from netcorr.network.assemble import assemble_graph, edge_order
from netcorr.network.log import ChangeLog
from netcorr.network.tolerances import Tolerances

Maker = Callable[..., NetworkLayers]


def test_edges_as_a_layer_hold_all_of_the_graph(make_messy_town: Maker) -> None:
    network = build_network(make_messy_town(7))
    edges = network_edges(network)
    assert set(edges.columns) == {*EDGE_ATTRIBUTES, "key"}
    assert edges.crs == network.crs
    again = nx.MultiGraph()
    again.add_nodes_from(network.graph.nodes)
    for row in edges.to_dict("records"):
        key = row.pop("key")
        again.add_edge(row["from_node"], row["to_node"], key, **row)
    assert nx.utils.edges_equal(
        [(u, v, k) for u, v, k in again.edges(keys=True)],
        [(u, v, k) for u, v, k in network.graph.edges(keys=True)],
    )
    for u, v, key, data in again.edges(keys=True, data=True):
        true = network.edge(u, v, key)
        assert data["geometry"] == true["geometry"]
        assert data["length_m"] == true["length_m"]
        assert data["is_open"] == true["is_open"]


def test_a_graph_is_the_same_whatever_the_order_of_its_edges(make_messy_town: Maker) -> None:
    """And it is the one that networkx builds from the same edges."""
    network = build_network(make_messy_town(9))
    edges = list(network.graph.edges(keys=True, data=True))
    assert edge_order(
        *(np.array([data[name] for *_, data in edges]) for name in ("from_node", "to_node"))
    ).tolist() == list(range(len(edges)))
    shuffled = [edges[k] for k in np.random.default_rng(1).permutation(len(edges))]
    shuffled.sort(key=lambda edge: edge[2])  # parallel edges as given
    columns = {
        name: np.fromiter((data[name] for *_, data in shuffled), dtype=object) for name in EDGE_ATTRIBUTES
    }
    xy = np.array([(node["x"], node["y"]) for _, node in network.graph.nodes(data=True)])
    again = assemble_graph(columns, xy, crs=network.crs)
    assert list(again.edges(keys=True, data=True)) == edges
    assert list(again.nodes(data=True)) == list(network.graph.nodes(data=True))
    plain = nx.MultiGraph()
    plain.add_nodes_from(network.graph.nodes(data=True))
    plain.add_edges_from((data["from_node"], data["to_node"], key, data) for *_, key, data in edges)
    assert dict(plain.adjacency()) == dict(again.adjacency())
    assert {tuple(data) for *_, data in again.edges(data=True)} == {EDGE_ATTRIBUTES}


def test_open_graph_leaves_the_network_alone(make_messy_town: Maker) -> None:
    network = build_network(make_messy_town(8))
    before = network.graph.number_of_edges()
    graph = open_graph(network)
    closed = sum(not data["is_open"] for *_, data in network.graph.edges(data=True))
    assert closed > 0
    assert graph.number_of_edges() == before - closed
    graph.remove_nodes_from(list(graph.nodes))
    assert network.graph.number_of_edges() == before


def test_attributes_come_through_with_missing_ones_missing(make_layers: Maker) -> None:
    columns = {
        "M1": {"material": None, "material_text": "??", "diameter_mm": np.nan, "wave_speed_m_s": 1210.0}
    }
    network = build_network(make_layers({"M1": [(0, 0), (9, 0)], "M2": [(9, 0), (20, 0)]}, columns=columns))
    edges = {data["pipe_id"]: data for *_, data in network.graph.edges(data=True)}
    assert edges["M1"]["material"] is None
    assert edges["M1"]["material_text"] == "??"
    assert np.isnan(edges["M1"]["diameter_mm"])
    assert edges["M1"]["wave_speed_m_s"] == 1210.0
    assert edges["M2"]["material"] == "grey_iron"
    assert edges["M2"]["diameter_mm"] == 150.0
    assert np.isnan(edges["M2"]["wave_speed_m_s"])
    assert {type(data["is_open"]) for data in edges.values()} == {bool}


def test_materials_missing_everywhere_are_none(make_layers: Maker) -> None:
    blank = {"material": None, "material_text": None, "year": np.nan}
    network = build_network(make_layers({"M1": [(0, 0), (9, 0)]}, columns={"M1": blank}))
    data = next(iter(network.graph.edges(data=True)))[2]
    assert data["material"] is None
    assert data["material_text"] is None
    assert np.isnan(data["year"])


def test_log_rows_are_points_sorted_by_kind(make_messy_town: Maker) -> None:
    log = build_network(make_messy_town(9)).log
    rank = [list(CHANGES).index(change) for change in log["change"]]
    assert rank == sorted(rank)
    assert (shapely.get_type_id(log.geometry.to_numpy()) == shapely.GeometryType.POINT).all()
    assert (log["moved_m"] >= 0).all()
    assert log["text"].str.len().min() > 10


def test_log_knows_only_its_kinds() -> None:
    log = ChangeLog(crs=None)
    with pytest.raises(KeyError):
        log.add("improved", ["M1"], xy=[[0, 0]], text=["better"])


def test_empty_log_is_a_layer(make_layers: Maker) -> None:
    log = build_network(make_layers({"M1": [(0, 0), (9, 0)]})).log
    assert len(log) == 0
    assert log.crs == "EPSG:32633"
    assert log["moved_m"].dtype == float


@pytest.mark.parametrize("value", [-0.1, np.nan, np.inf])
def test_tolerances_must_be_lengths(value: float) -> None:
    with pytest.raises(NetworkError, match=r"tolerance cut_m: .*give 0 or a positive length"):
        Tolerances(cut_m=value)
