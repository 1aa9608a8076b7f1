"""A small invented town, written in any format and CRS."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import pytest
from shapely import LineString, Point, force_2d

X0, Y0 = 500_000.0, 5_540_000.0
UTM = "EPSG:32633"

#: Writes mains and fittings and returns what `read_network_layers` is given.
Writer = Callable[..., Path]


@pytest.fixture
def mains() -> gpd.GeoDataFrame:
    lines = [
        LineString([(X0, Y0), (X0 + 100, Y0)]),
        LineString([(X0 + 100, Y0), (X0 + 180, Y0 + 60), (X0 + 180, Y0 + 90)]),
        LineString([(X0 + 100, Y0), (X0 + 100, Y0 - 75)]),
    ]
    return gpd.GeoDataFrame(
        {
            "asset_id": ["M1", "M2", "M3"],
            "material": ["Ductile Iron", "PVC-U", "Grauguß"],
            "diameter_mm": [150.0, 110.0, 100.0],
            "wave_speed": [None, 395.5, None],
            "length_m": [None, None, 76.0],
            "wall_mm": [6.0, None, None],
            "year": [1988, 2004, 1931],
            "status": ["in service", "in service", "abandoned"],
        },
        geometry=lines,
        crs=UTM,
    )


@pytest.fixture
def fittings() -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {
            "asset_id": ["V1", "H1", "V2"],
            "kind": ["gate valve", "hydrant", "valve"],
            "status": ["open", None, "closed"],
        },
        geometry=[Point(X0, Y0), Point(X0 + 180, Y0 + 90), Point(X0 + 100, Y0 - 75)],
        crs=UTM,
    )


def write_network(folder: Path, mains: gpd.GeoDataFrame, fittings: gpd.GeoDataFrame, suffix: str) -> Path:
    """Write both layers in one format; a GeoPackage holds both, other formats make a folder."""
    if suffix == "gpkg":
        mains.to_file(folder / "town.gpkg", layer="mains")
        fittings.to_file(folder / "town.gpkg", layer="fittings")
        return folder / "town.gpkg"
    short = {name: name[:10] for name in mains.columns} if suffix == "shp" else {}
    for name, frame in (("mains", mains.rename(columns=short)), ("fittings", fittings)):
        there = frame.to_crs("EPSG:4326") if suffix == "geojson" else frame
        options = {"COORDINATE_PRECISION": 12} if suffix == "geojson" else {}
        there.to_file(folder / f"{name}.{suffix}", **options)
    return folder


@pytest.fixture
def town(tmp_path: Path, mains: gpd.GeoDataFrame, fittings: gpd.GeoDataFrame) -> Writer:
    def write(
        suffix: str = "gpkg", *, mains: gpd.GeoDataFrame = mains, fittings: gpd.GeoDataFrame = fittings
    ) -> Path:
        return write_network(tmp_path, mains, fittings, suffix)

    return write


def flat(frame: gpd.GeoDataFrame) -> list[LineString | Point]:
    return [force_2d(shape) for shape in frame.geometry]
