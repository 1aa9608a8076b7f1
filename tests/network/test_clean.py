"""What is left out before noding: nothing without a row in the log."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import Tolerances, build_network
from netcorr.network.clean import usable_mains
from netcorr.network.log import ChangeLog

Maker = Callable[..., NetworkLayers]


def test_zero_length_mains_are_left_out(make_layers: Maker) -> None:
    mains = {
        "M1": [(0, 0), (50, 0)],
        "Z": [(50, 0), (50, 0)],
        "Z2": [(50, 0), (50, 0.0005)],
        "M2": [(50, 0), (100, 0)],
    }
    network = build_network(make_layers(mains))
    assert network.graph.number_of_edges() == 2
    assert network.log["change"].tolist() == ["zero_length", "zero_length"]
    assert network.log["source_id"].tolist() == ["Z", "Z2"]
    assert network.log.geometry[0].x == 500350


@pytest.mark.parametrize("turned", [False, True])
def test_main_drawn_twice_counts_once(make_layers: Maker, turned: bool) -> None:
    line = [(0, 0), (50, 3), (100, 0)]
    mains = {"M2": line, "M1": line[::-1] if turned else line, "M3": [(100, 0), (150, 0)]}
    network = build_network(make_layers(mains))
    assert sorted(d["pipe_id"] for *_, d in network.graph.edges(data=True)) == ["M1", "M3"]
    assert network.log["text"].tolist() == ["drawn exactly like main M1, which is kept"]


def test_of_two_drawings_the_one_in_service_stays_and_differences_are_named(make_layers: Maker) -> None:
    line = [(0, 0), (50, 3), (100, 0)]
    columns: dict[str, Any] = {"M1": {"material": "asbestos_cement"}, "M2": {"diameter_mm": 200.0}}
    layers = make_layers({"M1": line, "M2": line}, out_of_service=["M1"], columns=columns)
    network = build_network(layers)
    assert [d["pipe_id"] for *_, d in network.graph.edges(data=True)] == ["M2"]
    assert network.log["text"][0].endswith("they differ in material, diameter_mm, in_service")


def test_three_drawings_of_one_main_count_once(make_layers: Maker) -> None:
    line = [(0, 0), (100, 0)]
    network = build_network(make_layers({"A": line, "B": line, "C": line[::-1]}))
    assert network.graph.number_of_edges() == 1
    assert network.log["source_id"].tolist() == ["B", "C"]


def test_same_ends_another_way_is_no_duplicate(make_layers: Maker) -> None:
    one, other = [(0, 0), (0, 9), (100, 9), (100, 0)], [(0, 0), (50, 9), (60, 9), (100, 0)]
    assert build_network(make_layers({"A": one, "B": other})).graph.number_of_edges() == 2


@pytest.mark.parametrize("wkt", [None, "LINESTRING EMPTY", "LINESTRING (0 0, nan 1, 2 2)"])
def test_mains_without_geometry_are_left_out(make_layers: Maker, wkt: str | None) -> None:
    layers = make_layers({"M1": [(0, 0), (50, 0)], "M2": [(50, 0), (100, 0)]})
    with np.errstate(invalid="ignore"):
        layers.mains.loc[1, "geometry"] = None if wkt is None else shapely.from_wkt(wkt)
    network = build_network(layers)
    assert network.graph.number_of_edges() == 1
    assert network.log["change"].tolist() == ["no_geometry"]
    assert network.log["source_id"].tolist() == ["M2"]
    assert network.log.geometry[0] is None


def test_repeated_vertices_do_no_harm(make_layers: Maker) -> None:
    network = build_network(
        make_layers(
            {"M1": [(0, 0), (0, 0), (50, 0), (50, 0), (100, 0)], "M2": [(50, 0), (50, 50)]}, {"V": (50, -0.3)}
        )
    )
    assert network.graph.number_of_edges() == 3
    assert all(shapely.is_valid(d["geometry"]) for *_, d in network.graph.edges(data=True))
    assert sum(d["length_m"] for *_, d in network.graph.edges(data=True)) == pytest.approx(150, rel=1e-3)


def test_main_drawn_over_a_part_of_another_counts_once(
    make_layers: Maker, way_m: Callable[..., float | None]
) -> None:
    mains = {"LONG": [(0, 0), (30, 0), (100, 0)], "OVER": [(70, 0), (20, 0)]}
    network = build_network(make_layers(mains, {"V1": (0, 0), "V2": (100, 0)}))
    assert sorted(d["pipe_id"] for *_, d in network.graph.edges(data=True)) == ["LONG", "LONG", "OVER"]
    assert way_m(network, "V1", "V2") == pytest.approx(100, rel=1e-3)
    # 50 m on this map are 50.02 m of ground
    assert network.log["text"][0] == "50.02 m of it is drawn over main OVER, which is kept"


def test_of_parts_drawn_over_each_other_the_one_in_service_is_kept(make_layers: Maker) -> None:
    mains = {"LONG": [(0, 0), (100, 0)], "OVER": [(70, 0), (20, 0)]}
    network = build_network(make_layers(mains, out_of_service=["OVER"]))
    assert [d["pipe_id"] for *_, d in network.graph.edges(data=True)] == ["LONG"] * 3


def test_end_that_runs_past_a_joint_makes_no_second_way(make_layers: Maker) -> None:
    mains = {
        "E": [(-90, 0), (200, 0)],
        "S": [(0.05, -90), (-1.5, -45), (0.117, 0.097)],
        "N": [(-0.085, -0.1), (-2.7, 45), (0, 90)],
    }
    for overshoot_m, change in ((0.0, "duplicate"), (0.5, "overshoot")):
        network = build_network(make_layers(mains), tolerances=Tolerances(overshoot_m=overshoot_m))
        pairs = [frozenset((u, v)) for u, v in network.graph.edges()]
        assert len(pairs) == len(set(pairs))
        assert change in set(network.log["change"])


def test_two_ways_of_one_length_that_are_apart_are_both_kept(make_layers: Maker) -> None:
    mains = {"UP": [(0, 0), (50, 2), (100, 0)], "DOWN": [(0, 0), (50, -2), (100, 0)]}
    network = build_network(make_layers(mains))
    assert network.graph.number_of_edges() == 2
    assert len(network.log) == 0


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_mains_come_by_id_and_those_that_share_one_by_their_place(make_layers: Maker, seed: int) -> None:
    rng = np.random.default_rng(seed)
    layers = make_layers({f"M{k}": rng.uniform(0, 100, (2, 2)) for k in range(12)})
    layers.mains["asset_id"] = rng.choice(["M1", "M10", "M2", "m2", "É"], 12)
    shuffled = layers.mains.iloc[rng.permutation(12)].reset_index(drop=True)
    log = ChangeLog(layers.mains.crs)
    once = usable_mains(layers, log)
    again = usable_mains(NetworkLayers("again", mains=shuffled, fittings=layers.fittings), log)
    assert once["asset_id"].tolist() == sorted(layers.mains["asset_id"])
    assert again["asset_id"].tolist() == once["asset_id"].tolist()
    assert (shapely.equals(again.geometry.array, once.geometry.array)).all()


def test_a_main_with_a_coordinate_that_is_no_number_is_left_out(make_layers: Maker) -> None:
    with np.errstate(invalid="ignore"):  # shapely complains of it too
        layers = make_layers({"B": [(0, 0), (50, 0)], "A": [(0, 9), (np.nan, 9)], "C": [(0, 20), (50, 20)]})
    log = ChangeLog(layers.mains.crs)
    assert usable_mains(layers, log)["asset_id"].tolist() == ["B", "C"]
    assert log.frame()["source_id"].tolist() == ["A"]
