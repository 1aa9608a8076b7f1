"""Layers lie where their CRS says, in one CRS, in one place."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pyproj
import pytest
from shapely import LineString, Point

from netcorr.errors import LayerError
from netcorr.layers.place import check_together, placed, reprojected


def points(*xy: tuple[float, float], crs: str | None = None) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {"asset_id": [f"F{k}" for k in range(len(xy))]}, geometry=[Point(p) for p in xy], crs=crs
    )


UTM = pyproj.CRS("EPSG:32633")
TOWN = (500_000.0, 5_540_000.0)


def test_the_files_crs_is_kept_and_another_is_said() -> None:
    notes: list[str] = []
    assert placed(points(TOWN), "f", crs=None, file_crs=UTM, notes=notes).crs == UTM
    assert placed(points(TOWN), "f", crs="EPSG:32633", file_crs=UTM, notes=notes).crs == UTM
    assert notes == []
    assert placed(points(TOWN), "f", crs="EPSG:25833", file_crs=UTM, notes=notes).crs == "EPSG:25833"
    assert notes == [
        "f: read as ETRS89 / UTM zone 33N, as given, in place of WGS 84 / UTM zone 33N in the file"
    ]


def test_beside_the_zone_is_said_and_far_from_it_refused() -> None:
    notes: list[str] = []
    to_utm = pyproj.Transformer.from_crs(4326, 32633, always_xy=True)
    placed(points(to_utm.transform(19.0, 50.0)), "f", crs=None, file_crs=UTM, notes=notes)
    assert notes == [
        "f: lies up to 1.0 degrees outside the area meant for WGS 84 / UTM zone 33N (EPSG:32633)"
    ]
    with pytest.raises(LayerError, match="lie 7 degrees outside the area of WGS 84 / UTM zone 33N"):
        placed(points(to_utm.transform(25.0, 50.0)), "f", crs=None, file_crs=UTM, notes=notes)


def test_one_impossible_point_among_many_is_named() -> None:
    good = [(14.0 + k / 100, 50.0) for k in range(5)]
    with pytest.raises(LayerError, match=r"1 feature \(F5\) with coordinates that cannot lie in WGS 84"):
        placed(points(*good, (14.0, 5000.0)), "f", crs="EPSG:4326", file_crs=None, notes=[])


def test_axis_order_alone_is_no_other_crs() -> None:
    notes: list[str] = []
    out = reprojected(points((14.0, 50.0), crs="OGC:CRS84"), pyproj.CRS("EPSG:4326"), "f", notes=notes)
    assert (out.geometry.iloc[0].x, out.crs.to_epsg(), notes) == (14.0, 4326, [])


def test_reprojection_agrees_with_pyproj() -> None:
    out = reprojected(points((14.0, 50.0), crs="EPSG:4326"), UTM, "f", notes=[])
    expected = pyproj.Transformer.from_crs(4326, 32633, always_xy=True).transform(14.0, 50.0)
    np.testing.assert_allclose((out.geometry.iloc[0].x, out.geometry.iloc[0].y), expected)


def test_a_shift_that_is_coarse_is_said() -> None:
    notes: list[str] = []
    reprojected(points((-98.0, 38.0), crs="EPSG:4267"), pyproj.CRS("EPSG:32614"), "f", notes=notes)
    assert any(
        "the datum shift from NAD27 to WGS 84 / UTM zone 14N has an accuracy" in note for note in notes
    )


@pytest.mark.parametrize(
    ("offset", "apart"), [((0, 0), False), ((9_000, 0), False), ((0, 20_000), True), ((-20_000, 3_000), True)]
)
def test_mains_and_fittings_lie_together(offset: tuple[float, float], apart: bool) -> None:
    x, y = TOWN
    mains = gpd.GeoDataFrame(
        {"asset_id": ["M"]}, geometry=[LineString([TOWN, (x + 1000, y + 1000)])], crs="EPSG:32633"
    )
    fittings = points((x + offset[0], y + offset[1]), crs="EPSG:32633")
    if apart:
        with pytest.raises(
            LayerError, match=r"the fittings lie (19|20) km from the mains; one of the two layers"
        ):
            check_together(mains, fittings, "town")
    else:
        check_together(mains, fittings, "town")
