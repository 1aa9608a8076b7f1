"""What must not matter: direction, order, place, CRS and unit of the drawing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import build_network

Maker = Callable[..., NetworkLayers]
Invariants = Callable[..., tuple[list[tuple[str, str | None]], np.ndarray[Any, Any]]]
SEEDS = st.integers(0, 100_000)


def assert_same(one: tuple[Any, Any], other: tuple[Any, Any], *, relative: float = 1e-6) -> None:
    assert one[0] == other[0]
    np.testing.assert_array_equal(np.isfinite(one[1]), np.isfinite(other[1]))
    np.testing.assert_allclose(one[1], other[1], rtol=relative, atol=1e-4)


@settings(max_examples=25, deadline=None)
@given(seed=SEEDS)
def test_reversing_lines_changes_nothing(
    make_messy_town: Maker, invariants_of: Invariants, seed: int
) -> None:
    layers = make_messy_town(seed)
    turn = np.random.default_rng(seed).random(len(layers.mains)) < 0.5
    turned = layers.mains.geometry.where(~turn, layers.mains.geometry.reverse())
    other = NetworkLayers("turned", mains=layers.mains.set_geometry(turned), fittings=layers.fittings)
    one, two = build_network(layers), build_network(other)
    assert_same(invariants_of(one), invariants_of(two))
    assert one.log["change"].value_counts().to_dict() == two.log["change"].value_counts().to_dict()


@settings(max_examples=25, deadline=None)
@given(seed=SEEDS)
def test_order_of_features_changes_nothing_at_all(make_messy_town: Maker, seed: int) -> None:
    layers = make_messy_town(seed)
    other = NetworkLayers(
        "shuffled",
        mains=layers.mains.sample(frac=1, random_state=seed),
        fittings=layers.fittings.sample(frac=1, random_state=seed),
    )
    one, two = build_network(layers), build_network(other)
    assert dict(one.graph.nodes(data=True)) == dict(two.graph.nodes(data=True))
    edges = [
        sorted((u, v, d["pipe_id"], d["length_m"]) for u, v, d in n.graph.edges(data=True))
        for n in (one, two)
    ]
    assert edges[0] == edges[1]
    assert one.fittings["node"].sort_index().to_dict() == two.fittings["node"].sort_index().to_dict()
    assert one.log.drop(columns="geometry").equals(two.log.drop(columns="geometry"))


@settings(max_examples=20, deadline=None)
@given(seed=SEEDS, north=st.floats(-2000, 2000))
def test_moving_the_map_changes_nothing(
    make_messy_town: Maker, invariants_of: Invariants, redraw: Maker, seed: int, north: float
) -> None:
    layers = make_messy_town(seed)
    moved = redraw(layers, lambda xy: xy + np.array([0.0, north]))
    # the ground under the map differs by some 1e-7 in scale
    assert_same(invariants_of(build_network(layers)), invariants_of(build_network(moved)), relative=5e-6)


@pytest.mark.parametrize(
    "crs",
    [
        "EPSG:4326",  # degrees
        "EPSG:3857",  # Web Mercator: 1.5 times too long here
        "EPSG:3035",  # equal-area
        "EPSG:31287",  # conic, another datum
        "+proj=utm +zone=33 +datum=WGS84 +units=us-ft",
        "+proj=utm +zone=32 +datum=WGS84",
    ],
)
@settings(max_examples=8, deadline=None)
@given(seed=SEEDS)
def test_crs_and_unit_of_the_map_change_nothing(
    make_messy_town: Maker, invariants_of: Invariants, redraw: Maker, crs: str, seed: int
) -> None:
    layers = make_messy_town(seed)
    target = pyproj.CRS(crs)
    # a change of datum moves the ellipsoid under the map: keep the datum, so that lengths stay the same
    to = pyproj.Transformer.from_crs(layers.mains.crs, target, always_xy=True)
    other = redraw(layers, lambda xy: np.column_stack(to.transform(*xy.T)), crs=target)
    relative = (
        1e-6 if target.ellipsoid == layers.mains.crs.ellipsoid or "GRS" in str(target.ellipsoid) else 2e-4
    )
    assert_same(invariants_of(build_network(layers)), invariants_of(build_network(other)), relative=relative)


@settings(max_examples=15, deadline=None)
@given(seed=SEEDS)
def test_building_twice_from_the_edges_adds_nothing(
    make_messy_town: Maker, invariants_of: Invariants, seed: int
) -> None:
    """A network that is clean needs no change: its own edges build the same one."""
    from netcorr.network import network_edges

    layers = make_messy_town(seed)
    first = build_network(layers)
    edges = network_edges(first)
    edges = edges[edges["drawn_length_m"] > 0].reset_index(drop=True)
    mains = edges.assign(
        asset_id=[f"{p}/{k}" for k, p in enumerate(edges["pipe_id"])],
        in_service=edges["is_open"],
        length_m=np.nan,
    )
    again = build_network(NetworkLayers("again", mains=mains, fittings=layers.fittings))
    assert set(again.log["change"]) <= {
        "attached",
        "too_far",
        "closed",
        "closed_joint",
        "closed_end",
        "kept_apart",
        "passed_over",
    }
    assert again.graph.number_of_nodes() == first.graph.number_of_nodes()
    lengths = [invariants_of(network)[1] for network in (first, again)]
    np.testing.assert_allclose(*lengths, rtol=1e-6, atol=1e-4)
