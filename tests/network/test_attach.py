"""Fittings: which main, which node, how far off."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st

from netcorr.errors import NetworkError
from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import Tolerances, build_network
from netcorr.network.attach import NodePlaces
from netcorr.network.lines import Lines
from netcorr.network.pieces import Cuts

Maker = Callable[..., NetworkLayers]
Way = Callable[..., float | None]


def test_valve_off_the_main_sits_on_it_and_the_offset_is_kept(make_layers: Maker) -> None:
    network = build_network(make_layers({"M1": [(0, 0), (100, 0)]}, {"V1": (40, 0.3)}))
    valve = network.fittings.loc["V1"]
    assert valve["pipe_id"] == "M1"
    assert valve["offset_m"] == pytest.approx(0.3, rel=1e-3)
    assert network.graph.degree(valve["node"]) == 2
    assert network.graph.nodes[valve["node"]]["x"] == pytest.approx(500340)
    assert network.graph.nodes[valve["node"]]["y"] == pytest.approx(5400700)
    row = network.log.iloc[0]
    assert (row["source_id"], row["change"]) == ("V1", "attached")
    assert row["moved_m"] == pytest.approx(0.3, rel=1e-3)
    assert row["text"] == "sits on main M1, drawn 0.30 m from it"


def test_fitting_40_m_off_is_refused_by_name_and_distance(make_layers: Maker) -> None:
    network = build_network(make_layers({"M1": [(0, 0), (100, 0)]}, {"V1": (40, 40), "V2": (10, 0)}))
    assert network.fittings.at["V1", "node"] == -1
    assert network.fittings.at["V1", "pipe_id"] is None
    assert network.fittings.at["V1", "offset_m"] == pytest.approx(40, rel=1e-3)
    assert network.log["change"].tolist() == ["too_far"]
    with pytest.raises(
        NetworkError, match=r"fitting V1: the nearest main is 40\.0 m away; correct its place"
    ):
        network.node_of("V1")
    assert network.node_of("V2") >= 0


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000))
@example(seed=269)  # an end that ran past another main was cut back
def test_offset_is_that_to_the_nearest_main_however_far(make_layers: Maker, seed: int) -> None:
    # Outside: shapely.distance to every main.
    rng = np.random.default_rng(seed)
    mains = {f"M{k}": np.cumsum(rng.uniform(-30, 30, (4, 2)), axis=0) for k in range(8)}
    far = np.array([20.0, 100.0, 2000.0])[rng.integers(0, 3, 20)]
    layers = make_layers(mains, {f"H{k}": rng.uniform(-1, 1, 2) * r for k, r in enumerate(far)})
    shapes, points = layers.mains.geometry.to_numpy(), layers.fittings.geometry.to_numpy()
    expected_m = shapely.distance(points[:, None], shapes[None, :]).min(axis=1)
    fittings = build_network(layers, tolerances=Tolerances(overshoot_m=0.0)).fittings
    assert (expected_m > 100).any()
    np.testing.assert_allclose(fittings["offset_m"], expected_m, rtol=1e-3, atol=1e-3)


@pytest.mark.parametrize(("offset", "sits"), [(4.9, True), (5.1, False)])
def test_fitting_tolerance_is_in_ground_metres(make_layers: Maker, offset: float, sits: bool) -> None:
    layers = make_layers({"M1": [(0, 0), (100, 0)]}, {"H1": (40, offset)})
    for crs in ("EPSG:32633", "EPSG:4326", "EPSG:3857", "+proj=utm +zone=33 +units=us-ft"):
        other = NetworkLayers("x", mains=layers.mains.to_crs(crs), fittings=layers.fittings.to_crs(crs))
        assert bool(build_network(other).fittings.at["H1", "node"] >= 0) is sits


def test_hydrant_at_the_end_of_its_own_lead_uses_that_end(make_layers: Maker, way_m: Way) -> None:
    mains = {"M1": [(0, 0), (100, 0)], "L1": [(40, 0), (40, 3)]}
    network = build_network(make_layers(mains, {"H1": (40, 3), "V1": (0, 0)}))
    assert network.fittings.at["H1", "pipe_id"] == "L1"
    assert network.graph.degree(network.node_of("H1")) == 1
    assert way_m(network, "H1", "V1") == pytest.approx(43, rel=1e-3)


@pytest.mark.parametrize(
    ("at", "own"), [(0.15, False), (0.25, True), (39.85, False), (40.15, False), (40.3, True)]
)
def test_fitting_near_a_node_along_the_main_uses_it(make_layers: Maker, at: float, own: bool) -> None:
    mains = {"M1": [(0, 0), (100, 0)], "M2": [(40, 0), (40, 50)]}
    without = build_network(make_layers(mains)).graph.number_of_nodes()
    network = build_network(make_layers(mains, {"V1": (at, -0.4)}))
    assert network.graph.number_of_nodes() == without + own


def test_valve_and_hydrant_at_one_place_share_a_node(make_layers: Maker) -> None:
    network = build_network(make_layers({"M1": [(0, 0), (100, 0)]}, {"V1": (40, 0.2), "H1": (40.1, -2)}))
    assert network.node_of("V1") == network.node_of("H1")
    assert network.graph.nodes[network.node_of("V1")]["x"] == pytest.approx(500340.05)


def test_main_in_service_is_preferred_and_said(make_layers: Maker) -> None:
    mains = {"OLD": [(0, 0), (100, 0)], "NEW": [(0, 1.2), (100, 1.2)]}
    layers = make_layers(mains, {"V1": (40, 0.2)}, out_of_service=["OLD"])
    network = build_network(layers)
    assert network.fittings.at["V1", "pipe_id"] == "NEW"
    assert network.fittings.at["V1", "offset_m"] == pytest.approx(1.0, rel=1e-3)
    assert "sits on main NEW, which is in service; main OLD is nearer but out of service" in set(
        network.log["text"]
    )
    near = build_network(layers, tolerances=Tolerances(fitting_m=0.5))
    assert near.fittings.at["V1", "pipe_id"] == "OLD"
    mains["NEW"] = [(0, 1.6), (100, 1.6)]
    across = build_network(make_layers(mains, {"V1": (40, 0.2)}, out_of_service=["OLD"]))
    assert across.fittings.at["V1", "pipe_id"] == "OLD"


def test_fitting_without_a_place_is_logged_not_attached(make_layers: Maker) -> None:
    layers = make_layers({"M1": [(0, 0), (100, 0)]}, {"V1": (40, 0), "V2": (50, 0)})
    layers.fittings.loc[0, "geometry"] = None
    network = build_network(layers)
    assert network.fittings["node"].tolist()[0] == -1
    assert np.isnan(network.fittings.at["V1", "offset_m"])
    assert network.log["change"].tolist() == ["no_geometry"]


def test_fitting_that_is_no_point_is_refused(make_layers: Maker) -> None:
    layers = make_layers({"M1": [(0, 0), (100, 0)]}, {"V1": (40, 0)})
    layers.fittings.loc[0, "geometry"] = shapely.LineString([(0, 0), (1, 1)])
    with pytest.raises(NetworkError, match="fitting V1: geometry LINESTRING; give fittings as single points"):
        build_network(layers)


def test_no_fittings_at_all(make_layers: Maker) -> None:
    network = build_network(make_layers({"M1": [(0, 0), (100, 0)]}))
    assert len(network.fittings) == 0
    assert network.graph.number_of_edges() == 1


@settings(max_examples=30, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(seed=st.integers(0, 10_000))
def test_every_fitting_sits_on_the_main_nearest_to_it(make_messy_town: Maker, seed: int) -> None:
    """Against shapely's distances, one pair at a time."""
    layers = make_messy_town(seed)
    network = build_network(layers, tolerances=Tolerances(overshoot_m=0.0))  # no main is cut back
    live = layers.mains["in_service"].to_numpy()
    shapes, ids = layers.mains.geometry.to_numpy(), layers.mains["asset_id"].to_numpy()
    for name, row in network.fittings.iterrows():
        distances = shapely.distance(shapes, row.geometry)
        limit = min(distances.min() + 0.9996, 4.998)  # 1 m and 5 m on the ground are shorter on this map
        near = live if distances[live].min() <= limit else np.ones(len(live), dtype=bool)
        nearest = ids[near][distances[near] <= distances[near].min() + 1e-6]
        if row["node"] < 0:
            assert distances.min() > 4.998, name
            continue
        assert row["pipe_id"] in nearest
        assert row["offset_m"] == pytest.approx(distances[near].min(), rel=2e-3, abs=1e-6)
        node = network.graph.nodes[row["node"]]
        # the node is the foot of the fitting, or a node within the tolerance along the main
        assert shapely.Point(node["x"], node["y"]).distance(row.geometry) <= row["offset_m"] + 0.45


def test_ends_and_cuts_of_each_main_in_order(make_layers: Maker) -> None:
    mains = {"A": [(0, 0), (100, 0)], "B": [(0, 9), (50, 9)], "C": [(0, 20), (70, 20)]}
    lines = Lines.from_frame(make_layers(mains).mains, pyproj.CRS(32633))
    cuts = Cuts.sorted_from(
        np.array([2, 0, 0]), along_m=np.array([30.0, 60.0, 20.0]), node=np.array([7, 8, 9])
    )
    places = NodePlaces.of(
        lines, np.array([0, 1, 2, 3, 4, 5]), cuts=cuts, reach_m=0.5, narrow=np.array([8, -1])
    )
    assert places.line.tolist() == [0, 0, 0, 0, 1, 1, 2, 2, 2]
    assert places.node.tolist() == [0, 9, 8, 1, 2, 3, 4, 7, 5]
    assert places.along_m == pytest.approx([0, 20, 60, 100, 0, 50, 0, 30, 70], abs=0.1)
    assert (np.diff(places.axis_m) > 0).all()
    assert places.reach_m.tolist() == [0.5, 0.5, 0.01] + [0.5] * 6
