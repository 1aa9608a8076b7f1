"""Layers of a checked map: valid, typed also when empty, described, and saying what was found."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from osgeo_utils.samples import validate_gpkg
from shapely import LineString, Point

from netcorr.errors import ExportError
from netcorr.export.check_schema import CHECK_LAYERS
from netcorr.export.check_tables import check_tables, write_check
from netcorr.layers.network_layers import MAINS_COLUMNS, NetworkLayers
from netcorr.network import build_network
from netcorr.network.map_check import MapCheck, check_network

CRS = "EPSG:32633"
EAST, NORTH = 500_000.0, 5_400_000.0


def check_of(mains: dict[str, Any], fittings: dict[str, Any], **columns: dict[str, Any]) -> MapCheck:
    """Check of a map drawn in metres from a corner."""
    plain = dict.fromkeys(MAINS_COLUMNS, np.nan) | {"material": "grey_iron", "material_text": "CI"}
    plain |= {"diameter_mm": 150.0, "in_service": True, "assumed": ""}
    rows = [plain | {"asset_id": name} | columns.get(name, {}) for name in mains]
    lines = [LineString([(x + EAST, y + NORTH) for x, y in coords]) for coords in mains.values()]
    points = [Point(x + EAST, y + NORTH) for x, y in fittings.values()]
    kinds = ["valve" if name[0] == "V" else "hydrant" for name in fittings]
    layers = NetworkLayers(
        "town.gpkg",
        gpd.GeoDataFrame(rows, geometry=lines, crs=CRS),
        gpd.GeoDataFrame(
            {"asset_id": list(fittings), "kind": kinds, "is_open": np.ones(len(kinds), dtype=bool)},
            geometry=points,
            crs=CRS,
        ),
    )
    return check_network(build_network(layers))


@pytest.fixture(scope="module")
def found() -> MapCheck:
    """A map with one fault of every kind."""
    return check_of(
        {
            "A": [(0, 0), (300, 0)],
            "B": [(304, 0), (500, 0)],
            "C": [(100, -50), (100, 40)],
            "D": [(200, 0.1), (200, 80)],
            "E": [(0, 900), (30, 900)],
            "F\x1b[31m": [(250, 0), (250, 70)],
        },
        {"V1": (50, 1), "H1": (290, 2), "H2": (50, 300)},
        B={"diameter_mm": np.nan, "assumed": "material grey cast iron from neighbours (3 of 4)"},
        D={"material": None, "material_text": "AC"},
        E={"in_service": False},
    )


@pytest.fixture(scope="module")
def faultless() -> MapCheck:
    return check_of({"A": [(0, 0), (100, 0)]}, {"V1": (10, 0), "V2": (90, 0)})


def is_valid(path: Path) -> bool:
    checker = validate_gpkg.GPKGChecker(str(path), abort_at_first_error=False, warning_msg=False)
    checker.check()
    assert checker.errors == []
    return True


def test_is_a_valid_geopackage_with_or_without_findings(
    found: MapCheck, faultless: MapCheck, tmp_path: Path
) -> None:
    for number, check in enumerate((found, faultless)):
        target = tmp_path / f"check{number}.gpkg"
        write_check(check, target)
        assert is_valid(target)
        assert [str(name) for name, _ in pyogrio.list_layers(target)] == [
            *(one.name for one in CHECK_LAYERS),
            "layer_styles",
        ]
        for layer in CHECK_LAYERS:
            info = pyogrio.read_info(target, layer=layer.name)
            assert info["geometry_type"] == layer.geometry
            assert list(info["fields"]) == [column.name for column in layer.columns]


def test_every_column_is_described(found: MapCheck, tmp_path: Path) -> None:
    target = tmp_path / "check.gpkg"
    write_check(found, target)
    with closing(sqlite3.connect(target)) as connection:
        described = {
            (table, column): text
            for table, column, text in connection.execute(
                "SELECT table_name, column_name, description FROM gpkg_data_columns"
            )
        }
    assert set(described) == {(one.name, column.name) for one in CHECK_LAYERS for column in one.columns}
    assert all(described.values())


def test_empty_layers_are_typed(faultless: MapCheck) -> None:
    tables = check_tables(faultless)
    for name in ("near_misses", "crossings", "far_fittings", "missing_attributes", "map_changes"):
        assert len(tables[name]) == 0
    assert str(tables["near_misses"]["gap_m"].dtype) == "float64"
    assert str(tables["near_misses"]["order_to_fix"].dtype) == "Int32"
    assert str(tables["missing_attributes"]["stops"].dtype) == "bool"


def test_near_misses_and_crossings(found: MapCheck) -> None:
    tables = check_tables(found)
    [gap] = tables["near_misses"].to_dict("records")
    assert (gap["kind"], {gap["pipe_id"], gap["other_id"]}) == ("end to end", {"A", "B"})
    assert gap["gap_m"] == pytest.approx(4.0, abs=0.01)
    assert gap["connects_m"] == pytest.approx(196, abs=0.2)
    assert shapely.length(gap["geometry"]) == pytest.approx(4.0, abs=0.01), "the gap itself, as a line"
    [crossing] = tables["crossings"].to_dict("records")
    assert {crossing["pipe_id"], crossing["other_id"]} == {"A", "C"}
    assert crossing["geometry"].distance(Point(EAST + 100, NORTH)) < 0.01
    assert sorted([gap["order_to_fix"], crossing["order_to_fix"]]) == [1, 2]


def test_pieces_by_size(found: MapCheck) -> None:
    pieces = check_tables(found)["network_pieces"]
    assert pieces["piece"].tolist() == [1, 2, 3]
    assert pieces["length_m"].tolist() == pytest.approx([450, 196, 90], abs=0.5)
    assert pieces["share"].sum() == pytest.approx(1)
    assert pieces["mains"].tolist() == [3, 1, 1]
    assert pieces["fittings"].tolist() == [2, 0, 0]
    assert pieces["width_m"].tolist() == pytest.approx([300, 196, 0], abs=0.5)
    assert pieces["height_m"].tolist() == pytest.approx([80, 0, 90], abs=0.5)
    assert pieces["gap_m"].iloc[1] == pytest.approx(4.0, abs=0.01)
    assert "gap of 4.00 m between mains" in pieces["note"].iloc[1]
    assert "crossing between mains" in pieces["note"].iloc[2]


def test_mains_as_connected(found: MapCheck) -> None:
    pipes = check_tables(found)["checked_pipes"]
    assert pipes.groupby("pipe_id")["number"].max()["A"] == len(pipes[pipes["pipe_id"] == "A"]) > 2
    total = found.parts.total_m + pipes["length_m"][~pipes["in_service"]].sum()
    assert pipes["length_m"].sum() == pytest.approx(total)
    assert pipes["piece"].isna().sum() == 1, "the main out of service"
    assert "F\ufffd[31m" in set(pipes["pipe_id"]), "what a map says may be anything"


def test_fittings_and_those_too_far(found: MapCheck) -> None:
    tables = check_tables(found)
    fittings = tables["checked_fittings"].set_index("asset_id")
    assert fittings["pipe_id"].to_dict() == {"V1": "A", "H1": "A", "H2": None}
    assert fittings["piece"].isna().tolist() == [False, False, True]
    [far] = tables["far_fittings"].to_dict("records")
    assert far["asset_id"] == "H2"
    assert far["offset_m"] == pytest.approx(np.hypot(50, 260), abs=0.5), "to the end of main C"
    assert far["nearest_id"] == "C"


def test_missing_attributes(found: MapCheck) -> None:
    missing = check_tables(found)["missing_attributes"].set_index("pipe_id")
    assert sorted(missing.index) == ["B", "D"]
    assert missing["missing"].to_dict() == {"B": "diameter", "D": "material"}
    assert missing["assumed"]["B"] == "material grey cast iron from neighbours (3 of 4)"
    assert missing["material_text"].to_dict() == {"B": None, "D": "AC"}
    assert missing["stops"].all()
    assert missing["length_m"].tolist() == pytest.approx(missing.geometry.length.tolist(), rel=1e-3)


def test_changes_are_explained(found: MapCheck) -> None:
    changes = check_tables(found)["map_changes"]
    assert len(changes) == len(found.network.log)
    assert changes["meaning"].notna().all()
    assert changes["moved_m"].max() >= 0.1


def test_an_earlier_check_is_replaced_and_a_map_never(found: MapCheck, tmp_path: Path) -> None:
    target = tmp_path / "check.gpkg"
    write_check(found, target)
    write_check(found, target)
    town = tmp_path / "town.gpkg"
    gpd.GeoDataFrame({"asset_id": ["M1"]}, geometry=[Point(0, 0)], crs=CRS).to_file(town, layer="mains")
    before = town.read_bytes()
    with pytest.raises(ExportError, match="mains"):
        write_check(found, town)
    assert town.read_bytes() == before


def test_without_any_fitting(faultless: MapCheck) -> None:
    network = faultless.network
    bare = check_network(replace(network, fittings=network.fittings.iloc[:0]))
    tables = check_tables(bare)
    assert len(tables["checked_fittings"]) == len(tables["far_fittings"]) == 0
    assert bare.level == "not yet"
