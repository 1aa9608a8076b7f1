"""What maps get wrong, and what the network makes of it; each trap in a test of its own."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import geopandas as gpd
import networkx as nx
import numpy as np
import pyproj
import pytest
import shapely
from shapely import LineString, MultiLineString, Point

from netcorr.errors import CancelledError, NetworkError
from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import (
    EDGE_ATTRIBUTES,
    FITTING_COLUMNS,
    LOG_COLUMNS,
    Tolerances,
    build_network,
    open_graph,
)

Maker = Callable[..., NetworkLayers]
Way = Callable[..., float | None]
GEOD = pyproj.Geod(ellps="WGS84")
TO_DEGREES = pyproj.Transformer.from_crs("EPSG:32633", "EPSG:4326", always_xy=True)


def ground_m(line: LineString) -> float:
    """Length on the ellipsoid by pyproj.Geod."""
    lon, lat = TO_DEGREES.transform(*shapely.get_coordinates(line).T)
    return float(GEOD.line_length(lon, lat))


def test_main_drawn_straight_through_its_tee_is_cut_there(make_layers: Maker, way_m: Way) -> None:
    layers = make_layers(
        {"M1": [(0, 0), (100, 0)], "M2": [(40, 0), (40, 60)]}, {"V1": (0, 0), "V2": (100, 0), "H1": (40, 60)}
    )
    network = build_network(layers)
    assert nx.number_connected_components(network.graph) == 1
    assert way_m(network, "V1", "H1") == pytest.approx(100, rel=1e-3)
    assert way_m(network, "V2", "H1") == pytest.approx(120, rel=1e-3)
    assert network.log["change"].tolist() == ["cut"]
    assert network.log["text"][0] == "cut 40.0 m from its start, where the end of main M2 touches it"


@pytest.mark.parametrize("gap", [0.0, 0.05, 0.19, -0.15])
def test_end_that_stops_short_or_overshoots_is_moved_to_the_main(
    make_layers: Maker, way_m: Way, gap: float
) -> None:
    layers = make_layers(
        {"M1": [(0, 0), (100, 0)], "M2": [(40, gap), (40, 60)]}, {"V1": (0, 0), "H1": (40, 60)}
    )
    network = build_network(layers)
    length_m = way_m(network, "V1", "H1")
    assert length_m is not None
    # moved to the main: the joint lies on M1, wherever M2 ended
    assert length_m == pytest.approx(
        ground_m(LineString([(500300, 5400700), (500340, 5400700), (500340, 5400760)]))
    )
    joined = network.log[network.log["change"].isin(["joined", "overshoot"])]
    assert joined["moved_m"].tolist() == pytest.approx([abs(gap)] if gap else [], rel=1e-3)


def test_end_farther_than_the_tolerance_stays_apart(make_layers: Maker, way_m: Way) -> None:
    layers = make_layers(
        {"M1": [(0, 0), (100, 0)], "M2": [(40, 0.25), (40, 60)]}, {"V1": (0, 0), "H1": (40, 60)}
    )
    assert way_m(build_network(layers), "V1", "H1") is None
    assert way_m(build_network(layers, tolerances=Tolerances(cut_m=0.3)), "V1", "H1") is not None


def test_crossing_without_an_end_stays_unconnected(make_layers: Maker, way_m: Way) -> None:
    mains = {
        "M1": [(0, 0), (50, 0), (100, 0)],
        "M2": [(50, -50), (50, 0), (50, 50)],
    }  # even with a shared vertex
    network = build_network(make_layers(mains, {"V1": (0, 0), "V2": (50, 50)}))
    assert way_m(network, "V1", "V2") is None
    assert network.graph.number_of_edges() == 2


def test_four_ends_in_one_place_make_one_joint_and_the_moves_are_logged(make_layers: Maker) -> None:
    mains = {
        "M1": [(0, 0), (50, 0)],
        "M2": [(50, 0), (100, 0)],
        "M3": [(50, 0), (50, 50)],
        "M4": [(50.1, -0.05), (50, -50)],
    }
    network = build_network(make_layers(mains))
    assert sorted(dict(network.graph.degree()).values()) == [1, 1, 1, 1, 4]
    assert network.log["source_id"].tolist() == ["M4"]  # the three that agree stay where they are
    assert network.log["moved_m"][0] == pytest.approx(np.hypot(0.1, 0.05), rel=1e-3)


@pytest.mark.parametrize("length", [0.05, 0.15, 0.2, 0.25, 1.0])
def test_short_pipe_in_a_row_survives(
    make_layers: Maker, pieces_of: Callable[..., list[dict[str, Any]]], length: float
) -> None:
    mains = {
        "M1": [(0, 0), (50, 0)],
        "S": [(50, 0), (50 + length, 0)],
        "M2": [(50 + length, 0), (100, 0)],
    }
    network = build_network(make_layers(mains, {"V1": (0, 0), "V2": (100, 0)}))
    assert sorted(dict(network.graph.degree()).values()) == [1, 1, 2, 2]
    assert pieces_of(network, "S")[0]["drawn_length_m"] == pytest.approx(length, rel=1e-3)
    assert set(network.log["change"]) <= {"kept_apart"}


@pytest.mark.parametrize("angle", [0.05, 0.4, 1.0, np.pi / 2])
@pytest.mark.parametrize("at", ["end", "middle"])
def test_short_stub_keeps_its_free_end(make_layers: Maker, way_m: Way, angle: float, at: str) -> None:
    x = 100.0 if at == "end" else 60.0
    tip = (x + 0.15 * np.cos(angle), 0.15 * np.sin(angle))
    mains = {"M1": [(0, 0), (100, 0)], "S": [(x, 0), tip], "M2": [tip, (tip[0], 40)]}
    network = build_network(make_layers(mains, {"V1": (0, 0), "H1": (tip[0], 40)}))
    drawn = [LineString(mains["S"]).length, LineString(mains["M2"]).length]
    assert way_m(network, "V1", "H1") == pytest.approx(x + sum(drawn), abs=0.08)
    assert "S" in {
        d["pipe_id"] for _, _, d in network.graph.edges(data=True) if d["from_node"] != d["to_node"]
    }


def test_row_of_short_pipes_is_not_eaten_by_a_coarse_tolerance(make_layers: Maker) -> None:
    mains = {f"S{k}": [(0.3 * k, 0), (0.3 * k + 0.3, 0)] for k in range(10)}
    network = build_network(make_layers(mains), tolerances=Tolerances(join_m=1.0, cut_m=1.0))
    assert network.graph.number_of_edges() == 10
    assert sorted(dict(network.graph.degree()).values()) == [1, 1] + [2] * 9


def test_ring_drawn_as_one_line_is_a_loop(make_layers: Maker, way_m: Way) -> None:
    ring = [(0, 0), (50, 0), (50, 50), (0, 50), (0, 0)]
    nearly = [(100, 0), (150, 0), (150, 50), (100, 50), (100, 0.1)]
    network = build_network(make_layers({"R1": ring, "R2": nearly}, {"V1": (50, 0), "V2": (150, 50)}))
    loops = [data for u, v, data in network.graph.edges(data=True)]
    assert nx.number_connected_components(network.graph) == 2
    assert len(loops) == 4
    assert all(degree == 2 for _, degree in network.graph.degree())


def test_line_that_ends_on_itself_is_cut_there(make_layers: Maker, way_m: Way) -> None:
    six = [(0, 0), (50, 0), (80, 0), (80, 40), (50, 40), (50, 0.05)]
    network = build_network(make_layers({"M1": six}, {"V1": (0, 0), "V2": (80, 40)}))
    assert way_m(network, "V1", "V2") == pytest.approx(120, rel=1e-3)
    assert network.log["change"].tolist() == [
        "joined",
        "cut",
    ] or set(network.log["change"]) == {"cut", "joined"}
    assert any(u == v for u, v in nx.selfloop_edges(network.graph)) or network.graph.number_of_edges() == 3


def test_line_that_crosses_itself_keeps_its_length(make_layers: Maker, way_m: Way) -> None:
    eight = [(0, 0), (50, 50), (50, 0), (0, 50)]
    network = build_network(make_layers({"M1": eight}, {"V1": (0, 0), "V2": (0, 50)}))
    assert way_m(network, "V1", "V2") == pytest.approx(50 + 2 * 50 * np.sqrt(2), rel=1e-3)


def test_parallel_pipes_are_two_edges(make_layers: Maker) -> None:
    mains = {"M1": [(0, 0), (100, 0)], "M2": [(0, 0), (50, 5), (100, 0)]}
    network = build_network(make_layers(mains))
    assert network.graph.number_of_edges() == 2
    assert network.graph.number_of_nodes() == 2


def test_two_ends_at_opposite_sides_of_a_main_share_a_joint(make_layers: Maker) -> None:
    mains = {"M1": [(0, 0), (100, 0)], "N": [(50, 0), (50, 50)], "S": [(50.1, 0), (50.1, -50)]}
    network = build_network(make_layers(mains))
    assert max(dict(network.graph.degree()).values()) == 4
    assert network.graph.number_of_edges() == 4


def test_measured_length_is_shared_out_by_drawn_length(
    make_layers: Maker, pieces_of: Callable[..., list[dict[str, Any]]]
) -> None:
    mains = {"M1": [(0, 0), (100, 0)], "M2": [(25, 0), (25, 60)]}
    network = build_network(make_layers(mains, columns={"M1": {"length_m": 130.0}}))
    lengths = [piece["length_m"] for piece in pieces_of(network, "M1")]
    assert sorted(lengths) == pytest.approx([32.5, 97.5], rel=1e-6)
    assert sum(lengths) == pytest.approx(130.0)
    assert "measured 130.0 m, drawn 100.0 m" in network.log["text"].tolist()


def test_slope_counts_where_the_map_has_heights_and_zero_is_no_height(
    make_layers: Maker, pieces_of: Callable[..., list[dict[str, Any]]]
) -> None:
    steep = [(0, 0, 200), (40, 0, 230)]
    mains = {"M1": steep, "M2": [(0, 20, 0), (40, 20, 0)], "M3": [(0, 40, 0), (40, 40, 230)]}
    network = build_network(make_layers(mains))
    flat_m = pieces_of(network, "M2")[0]["length_m"]
    assert flat_m == pytest.approx(40, rel=1e-3)
    assert pieces_of(network, "M1")[0]["length_m"] == pytest.approx(np.hypot(flat_m, 30), rel=1e-6)
    assert pieces_of(network, "M3")[0]["length_m"] == pytest.approx(flat_m, rel=1e-6)
    assert not pieces_of(network, "M1")[0]["geometry"].has_z


def test_edges_have_the_promised_attributes(make_messy_town: Maker) -> None:
    network = build_network(make_messy_town(3))
    for u, v, data in network.graph.edges(data=True):
        assert tuple(data) == EDGE_ATTRIBUTES
        assert {u, v} == {data["from_node"], data["to_node"]}
        ends = shapely.get_coordinates(data["geometry"])[[0, -1]]
        for node, place in zip((data["from_node"], data["to_node"]), ends, strict=True):
            assert (network.graph.nodes[node]["x"], network.graph.nodes[node]["y"]) == tuple(place)
    assert tuple(network.fittings.columns) == (*FITTING_COLUMNS, "geometry")
    assert tuple(network.log.columns) == (*LOG_COLUMNS, "geometry")
    assert sorted(network.graph.nodes) == list(range(network.graph.number_of_nodes()))


def test_drawn_length_is_that_on_the_ellipsoid(make_messy_town: Maker) -> None:
    network = build_network(make_messy_town(4))
    for _, _, data in network.graph.edges(data=True):
        if data["drawn_length_m"]:
            assert data["drawn_length_m"] == pytest.approx(ground_m(data["geometry"]), rel=1e-9, abs=1e-8)


def test_out_of_service_main_does_not_connect(make_layers: Maker, way_m: Way) -> None:
    mains = {"M1": [(0, 0), (50, 0)], "M2": [(50, 0), (100, 0)], "M3": [(100, 0), (150, 0)]}
    layers = make_layers(mains, {"V1": (0, 0), "V2": (150, 0)}, out_of_service=["M2"])
    network = build_network(layers)
    assert way_m(network, "V1", "V2") is None
    assert network.graph.number_of_edges() == 3
    assert open_graph(network).number_of_edges() == 2


def test_cancelled_work_stops(make_layers: Maker) -> None:
    class Cancelled:
        cancelled = True

        def progress(self, fraction: float, message: str = "") -> None: ...

        def message(self, text: str) -> None: ...

    with pytest.raises(CancelledError):
        build_network(make_layers({"M1": [(0, 0), (9, 0)]}), feedback=Cancelled())


def test_progress_rises_to_one(make_layers: Maker) -> None:
    class Bar:
        cancelled = False

        def __init__(self) -> None:
            self.seen: list[float] = []

        def progress(self, fraction: float, message: str = "") -> None:
            self.seen.append(fraction)

        def message(self, text: str) -> None: ...

    bar = Bar()
    build_network(make_layers({"M1": [(0, 0), (9, 0)]}), feedback=bar)
    assert bar.seen == sorted(bar.seen)
    assert bar.seen[-1] == 1.0


def test_twice_the_same_fitting_id_is_refused(make_layers: Maker) -> None:
    layers = make_layers({"M1": [(0, 0), (9, 0)]}, {"V1": (0, 0), "V2": (9, 0)})
    layers.fittings["asset_id"] = "V1"
    with pytest.raises(NetworkError, match=r"test\.gpkg, fitting V1: 2 fittings have this id; give every"):
        build_network(layers)


def test_layers_in_two_crs_are_refused(make_layers: Maker) -> None:
    layers = make_layers({"M1": [(0, 0), (9, 0)]}, {"V1": (0, 0)})
    other = NetworkLayers("x", mains=layers.mains, fittings=layers.fittings.to_crs(4326))
    with pytest.raises(NetworkError, match="WGS 84, while the mains have WGS 84 / UTM zone 33N"):
        build_network(other)


@pytest.mark.parametrize("shape", [MultiLineString([[(0, 0), (1, 0)]]), Point(0, 0)])
def test_other_geometry_than_lines_is_refused(make_layers: Maker, shape: Any) -> None:
    layers = make_layers({"M1": [(0, 0), (9, 0)]})
    wrong = layers.mains.set_geometry(gpd.GeoSeries([shape], crs=layers.mains.crs))
    with pytest.raises(NetworkError, match=r"main M1: geometry (MULTILINESTRING|POINT); split multipart"):
        build_network(NetworkLayers("x", mains=wrong, fittings=layers.fittings))


def test_no_usable_main_is_refused(make_layers: Maker) -> None:
    zero = make_layers({"M1": [(5, 5), (5, 5)]})
    with pytest.raises(NetworkError, match="no main has a length"):
        build_network(zero)
    empty = NetworkLayers("x", mains=zero.mains.iloc[:0], fittings=zero.fittings)
    with pytest.raises(NetworkError, match="no main has a geometry"):
        build_network(empty)
