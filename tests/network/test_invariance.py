"""What must not matter: direction, order, place, CRS and unit of the drawing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import build_network, network_edges

Maker = Callable[..., NetworkLayers]
Invariants = Callable[..., tuple[list[tuple[str, str | None]], np.ndarray[Any, Any]]]
SEEDS = st.integers(0, 100_000)


def assert_same(one: tuple[Any, Any], other: tuple[Any, Any]) -> None:
    """The same pipes and fittings, and the same lengths of pipes and ways between all fittings."""
    assert one[0] == other[0]
    np.testing.assert_array_equal(np.isfinite(one[1]), np.isfinite(other[1]))
    np.testing.assert_allclose(one[1], other[1], rtol=1e-6, atol=1e-6)


@settings(max_examples=12, deadline=None, phases=[Phase.explicit, Phase.generate])
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


@settings(max_examples=12, deadline=None, phases=[Phase.explicit, Phase.generate])
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


@settings(max_examples=12, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(
    seed=SEEDS,
    east=st.floats(-2000, 2000),
    north=st.floats(-50_000, 50_000),
    turn_deg=st.floats(0, 360),
)
def test_moving_and_turning_the_map_changes_nothing(
    make_messy_town: Maker,
    invariants_of: Invariants,
    redraw: Maker,
    seed: int,
    east: float,
    north: float,
    turn_deg: float,
) -> None:
    """Within 3 km of the central meridian the scale of UTM is the same to 1.1e-7, by its formula."""
    layers = make_messy_town(seed)
    middle = shapely.get_coordinates(layers.mains.geometry.to_numpy()).mean(axis=0)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    turn = np.array([[c, s], [-s, c]])
    other = redraw(layers, lambda xy: (xy - middle) @ turn + middle + [east, north])
    one, two = build_network(layers), build_network(other)
    assert_same(invariants_of(one), invariants_of(two))
    assert one.log["change"].value_counts().to_dict() == two.log["change"].value_counts().to_dict()


@pytest.mark.parametrize(
    "crs",
    [
        "EPSG:4326",  # degrees
        "EPSG:3857",  # Web Mercator: 1.5 times too long here
        "EPSG:3035",  # equal-area
        "+proj=lcc +lat_1=49 +lat_2=46 +lat_0=47.5 +lon_0=13.3 +datum=WGS84",  # conic
        "+proj=utm +zone=33 +datum=WGS84 +units=us-ft",
        "+proj=utm +zone=32 +datum=WGS84",
    ],
)
@settings(max_examples=4, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(seed=SEEDS)
def test_crs_and_unit_of_the_map_change_nothing(
    make_messy_town: Maker, invariants_of: Invariants, redraw: Maker, crs: str, seed: int
) -> None:
    # a straight line on one map is bent on another: with a vertex every 5 m the two drawings agree to microns
    layers = make_messy_town(seed)
    dense = shapely.segmentize(layers.mains.geometry.to_numpy(), 5.0)
    layers = NetworkLayers("dense", mains=layers.mains.set_geometry(dense), fittings=layers.fittings)
    to = pyproj.Transformer.from_crs(layers.mains.crs, crs, always_xy=True)
    other = redraw(layers, lambda xy: np.column_stack(to.transform(*xy.T)), crs=crs)
    assert_same(invariants_of(build_network(layers)), invariants_of(build_network(other)))


@settings(max_examples=15, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(seed=SEEDS)
def test_a_clean_network_needs_no_change(make_messy_town: Maker, seed: int) -> None:
    """The edges of a network, taken as mains, build the same network again."""
    layers = make_messy_town(seed)
    bare = NetworkLayers("bare", mains=layers.mains, fittings=layers.fittings.iloc[:0])
    first = build_network(bare)
    edges = network_edges(first)
    mains = edges.assign(
        asset_id=[f"{pipe}/{k}" for k, pipe in enumerate(edges["pipe_id"])],
        in_service=edges["is_open"],
        length_m=np.nan,
    )
    again = build_network(NetworkLayers("again", mains=mains, fittings=bare.fittings))
    assert set(again.log["change"]) <= {"kept_apart"}
    assert dict(again.graph.nodes(data=True)) == dict(first.graph.nodes(data=True))
    ends = [
        sorted((d["from_node"], d["to_node"], d["length_m"]) for *_, d in n.graph.edges(data=True))
        for n in (first, again)
    ]
    assert ends[0] == ends[1]
