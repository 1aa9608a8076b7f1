"""A saved network as a file: valid, described, written whole or not at all."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
from osgeo_utils.samples import validate_gpkg
from shapely import LineString, Point

from netcorr.errors import ExportError
from netcorr.export import save_network
from netcorr.export.network_file import network_tables
from netcorr.export.network_schema import NETWORK_LAYERS
from netcorr.layers.network_layers import MAINS_COLUMNS, NetworkLayers
from netcorr.network import PipeNetwork, build_network

CRS = "EPSG:32633"


@pytest.fixture(scope="module")
def tee() -> PipeNetwork:
    """A tee with a closed valve beside it."""
    nan = float("nan")
    row = dict.fromkeys(MAINS_COLUMNS, nan) | {
        "material": None,
        "material_text": None,
        "in_service": True,
    }
    mains = gpd.GeoDataFrame(
        [row | {"asset_id": "M1"}, row | {"asset_id": "M2", "material": "pvc", "diameter_mm": 110.0}],
        geometry=[LineString([(5e5, 0), (500_090, 0)]), LineString([(500_030, 0.1), (500_030, 50)])],
        crs=CRS,
    )
    fittings = gpd.GeoDataFrame(
        {"asset_id": ["V1"], "kind": ["valve"], "is_open": [False]}, geometry=[Point(500_060, 0.4)], crs=CRS
    )
    return build_network(NetworkLayers("tee.gpkg", mains, fittings, notes=("a note",)))


def test_is_a_valid_geopackage(tee: PipeNetwork, tmp_path: Path) -> None:
    target = tmp_path / "network.gpkg"
    save_network(tee, target)
    checker = validate_gpkg.GPKGChecker(str(target), abort_at_first_error=False, warning_msg=False)
    checker.check()
    assert checker.errors == []
    assert [str(name) for name, _ in pyogrio.list_layers(target)] == [layer.name for layer in NETWORK_LAYERS]


def test_every_column_is_described(tee: PipeNetwork, tmp_path: Path) -> None:
    target = tmp_path / "network.gpkg"
    save_network(tee, target)
    with closing(sqlite3.connect(target)) as connection:
        described = set(connection.execute("SELECT table_name, column_name FROM gpkg_data_columns"))
        for layer in NETWORK_LAYERS:
            found = [row[1] for row in connection.execute(f'PRAGMA table_info("{layer.name}")')]
            assert {(layer.name, name) for name in found if name not in ("fid", "geom")} <= described


def test_tables_hold_every_edge_node_and_change(tee: PipeNetwork) -> None:
    tables = network_tables(tee)
    assert set(tables) == {layer.name for layer in NETWORK_LAYERS}
    edges, nodes = tables["network_edges"], tables["network_nodes"]
    assert len(edges) == tee.graph.number_of_edges() == 5
    assert nodes["pipes"].sum() == 2 * len(edges)
    assert sorted(tables["network_log"]["change"]) == ["attached", "closed", "cut", "joined"]
    info = tables["network_info"].set_index("name")["value"]
    assert info["source"] == "tee.gpkg"
    assert info["note"] == "a note"
    for layer in NETWORK_LAYERS:
        wanted = [column.name for column in layer.columns]
        assert [name for name in tables[layer.name].columns if name != "geometry"] == wanted


def test_an_earlier_one_is_replaced_and_other_files_are_not(tee: PipeNetwork, tmp_path: Path) -> None:
    target = tmp_path / "network.gpkg"
    save_network(tee, target)
    save_network(tee, target)
    other = tmp_path / "town.gpkg"
    gpd.GeoDataFrame({"asset_id": ["M1"]}, geometry=[Point(0, 0)], crs=CRS).to_file(other, layer="mains")
    before = other.read_bytes()
    with pytest.raises(ExportError, match="mains"):
        save_network(tee, other)
    assert other.read_bytes() == before
    with pytest.raises(ExportError, match=r"no \.gpkg at the end"):
        save_network(tee, tmp_path / "network.shp")
    assert isinstance(pyogrio.read_dataframe(target, layer="network_info"), pd.DataFrame)
