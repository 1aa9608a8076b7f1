"""A saved network opened again: equal to the one saved, whatever it holds, and quicker than cleaning."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyproj
import pytest
from pandas.testing import assert_frame_equal

from netcorr.errors import CancelledError, LayerError, NetworkError
from netcorr.export import save_network
from netcorr.feedback import NoFeedback
from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import (
    Alternative,
    PipeNetwork,
    Tolerances,
    build_network,
    is_saved_network,
    open_network,
)
from netcorr.path import correlation_path

Maker = Callable[..., NetworkLayers]


def same_value(one: Any, other: Any) -> bool:
    if isinstance(one, float) and math.isnan(one):
        return isinstance(other, float) and math.isnan(other)
    return type(one) is type(other) and bool(one == other)


def assert_equal(one: PipeNetwork, other: PipeNetwork) -> None:
    assert (one.source, one.notes, one.crs) == (other.source, other.notes, other.crs)
    assert one.tolerances == other.tolerances
    assert list(one.graph.nodes(data=True)) == list(other.graph.nodes(data=True))
    assert list(one.graph.edges(keys=True)) == list(other.graph.edges(keys=True))
    # the order of neighbours decides between ways of one length
    for node in one.graph:
        assert list(one.graph[node]) == list(other.graph[node])
    for edge in one.graph.edges(keys=True):
        a, b = one.edge(*edge), other.edge(*edge)
        assert list(a) == list(b)
        assert all(same_value(a[name], b[name]) for name in a), (a, b)
    assert_frame_equal(one.fittings, other.fittings)
    assert_frame_equal(one.log, other.log, check_dtype=False)
    assert one.log.crs == other.log.crs


def saved(network: PipeNetwork, folder: Path) -> Path:
    path = folder / "network.gpkg"
    save_network(network, path)
    return path


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_round_trip_gives_an_equal_network(make_messy_town: Maker, tmp_path: Path, seed: int) -> None:
    network = build_network(make_messy_town(seed))
    assert {"closed", "cut"} <= set(network.log["change"])
    path = saved(network, tmp_path)
    assert is_saved_network(path)
    again = open_network(path)
    assert_equal(network, again)
    (tmp_path / "twice").mkdir()
    assert_equal(network, open_network(saved(again, tmp_path / "twice")))


def test_what_is_unknown_assumed_or_without_a_place_comes_back(make_layers: Maker, tmp_path: Path) -> None:
    layers = make_layers(
        {
            "M1": [(0, 0, 5), (50, 1, 9), (100, 0, 7)],
            "M2": [(100, 0), (200, 0)],
            "Ä 3": [(200, 0), (200, 50)],
        },
        {"V1": (0, 0), "H1": (150, 1), "V9": (150, 60)},
        columns={
            "M1": {"material": None, "material_text": None, "length_m": 104.0, "year": np.nan},
            "M2": {"material_text": "", "wave_speed_m_s": 1234.5},
        },
    )
    mains = layers.mains.assign(assumed=["material taken from neighbours", "", None])
    fittings = layers.fittings.copy()
    fittings.loc[2, "geometry"] = None
    could_be = ((Alternative("material", "pvc", 0.25), Alternative("diameter", 80.0, 1 / 6)), (), None)
    mains["could_be"] = pd.Series(could_be, index=mains.index, dtype=object)
    layers = NetworkLayers("a.gpkg", mains=mains, fittings=fittings, notes=("first; note", "second"))
    network = build_network(layers, tolerances=Tolerances(join_m=0.1 + 0.2, overshoot_m=0))
    again = open_network(saved(network, tmp_path))
    assert_equal(network, again)
    assert {d["assumed"] for *_, d in again.graph.edges(data=True)} == {"material taken from neighbours", ""}
    first = correlation_path(again, "V1", fitting_b="H1").segments[0]
    assert (first.assumed, first.could_be) == ("material taken from neighbours", could_be[0])
    assert {d["could_be"] for *_, d in again.graph.edges(data=True)} == set(could_be)


def test_a_network_without_fittings_or_changes(make_layers: Maker, tmp_path: Path) -> None:
    network = build_network(make_layers({"M1": [(0, 0), (100, 0)]}))
    assert_equal(network, open_network(saved(network, tmp_path)))


@pytest.mark.parametrize("crs", ["EPSG:3089", "+proj=utm +zone=33 +datum=WGS84 +units=us-ft"])
def test_any_crs_comes_back(make_layers: Maker, tmp_path: Path, crs: str) -> None:
    corner = (5_250_000, 3_800_000) if crs == "EPSG:3089" else (1_650_000, 17_700_000)
    network = build_network(make_layers({"M1": [(0, 0), (100, 0)]}, crs=crs, corner=corner))
    again = open_network(saved(network, tmp_path))
    assert again.crs == network.crs == pyproj.CRS(crs)


def test_other_files_are_no_saved_networks(make_layers: Maker, tmp_path: Path) -> None:
    plain = tmp_path / "town.gpkg"
    make_layers({"M1": [(0, 0), (100, 0)]}).mains.to_file(plain, layer="mains")
    text = tmp_path / "text.gpkg"
    text.write_text("not a database")
    for path in (plain, text, tmp_path / "none.gpkg", tmp_path):
        assert not is_saved_network(path)
    with pytest.raises(NetworkError, match="no saved network in it; give a file that netcorr check wrote"):
        open_network(plain)
    with pytest.raises(LayerError, match="no such file or folder"):
        open_network(tmp_path / "none.gpkg")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            "UPDATE network_info SET value = '9' WHERE name = 'format'",
            "format 9; this netcorr opens format 3",
        ),
        ("UPDATE network_edges SET to_node = 77", "were changed, or do not belong together; save it again"),
        ("DELETE FROM network_info", "format unknown"),
        ("DELETE FROM network_info WHERE name = 'join_m'", "tolerances of the saved network are missing"),
        (
            "UPDATE network_info SET value = 'wide' WHERE name = 'cut_m'",
            "tolerances of the saved network are missing or no numbers",
        ),
    ],
)
def test_a_file_changed_afterwards_is_refused(
    make_layers: Maker, tmp_path: Path, change: str, message: str
) -> None:
    path = saved(build_network(make_layers({"M1": [(0, 0), (100, 0)]})), tmp_path)
    connection = sqlite3.connect(path)
    for (trigger,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(f'DROP TRIGGER "{trigger}"')
    connection.execute(change)
    connection.commit()
    connection.close()
    with pytest.raises(NetworkError, match=message):
        open_network(path)


def test_opening_can_be_cancelled(make_layers: Maker, tmp_path: Path) -> None:
    class Stopped(NoFeedback):
        cancelled = True

    path = saved(build_network(make_layers({"M1": [(0, 0), (100, 0)]})), tmp_path)
    with pytest.raises(CancelledError):
        open_network(path, feedback=Stopped())
