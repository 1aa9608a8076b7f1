"""A network as arrays: what is damaged is refused, what is whole says how much it holds."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import build_network
from netcorr.network.packed import packed, totals, unpacked

Maker = Callable[..., NetworkLayers]


def test_totals_are_those_of_the_network(make_messy_town: Maker) -> None:
    network = build_network(make_messy_town(8))
    found = totals(packed(network))
    edges = [data for *_, data in network.graph.edges(data=True)]
    assert found["edges"] == pytest.approx(
        (len(edges), *(sum(d[name] for d in edges) for name in ("from_node", "to_node", "length_m")))
    )
    assert found["fittings"] == (len(network.fittings), network.fittings["node"].sum())
    assert found["nodes"] == (network.graph.number_of_nodes(),)
    assert found["log"] == (len(network.log),)


def test_equal_values_are_one_object_again(make_messy_town: Maker) -> None:
    network = build_network(make_messy_town(8))
    again = unpacked(packed(network), network.crs)
    edges = [data for *_, data in again.graph.edges(data=True)]
    assert len({id(data["material"]) for data in edges if data["material"] == "grey_iron"}) == 1
    assert len({id(data["wall_mm"]) for data in edges}) == 1
    assert all(type(data["is_open"]) is bool and type(data["from_node"]) is int for data in edges)


@pytest.mark.parametrize("name", ["edge.xy", "log.text.values", "fitting.place"])
@pytest.mark.parametrize("spoil", ["missing", "cut off"])
def test_a_damaged_part_is_an_error(make_layers: Maker, name: str, spoil: str) -> None:
    network = build_network(make_layers({"M1": [(0, 0), (100, 0)]}, {"V1": (20, 1)}))
    parts = packed(network)
    if spoil == "missing":
        del parts[name]
    else:
        parts[name] = parts[name][:-3]
    with pytest.raises((KeyError, ValueError)):
        unpacked(parts, network.crs)


def test_nothing_in_it_is_code(make_layers: Maker) -> None:
    """Objects of Python would be run when they are read."""
    parts = packed(build_network(make_layers({"M1": [(0, 0), (100, 0)]})))
    rng = np.random.default_rng(1)
    parts["edge.xy"] = np.array([rng], dtype=object).dumps()
    with pytest.raises(ValueError, match="pickle"):
        totals({**parts, "edge.length_m": parts["edge.xy"]})
