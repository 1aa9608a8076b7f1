"""Polygons of a user: one area, zones by name, in the CRS of the network."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pyproj
import pytest
import shapely

from netcorr.errors import LayerError
from netcorr.layers.areas import read_area, read_zones

UTM = pyproj.CRS("EPSG:32633")


def saved(
    path: Path, shapes: list[shapely.Geometry], *, crs: str | None = "EPSG:32633", **columns: object
) -> Path:
    gpd.GeoDataFrame(columns, geometry=shapes, crs=crs).to_file(path, layer=path.stem)
    return path


def test_polygons_become_one_area(tmp_path: Path) -> None:
    file = saved(tmp_path / "a.gpkg", [shapely.box(0, 0, 2, 1), shapely.box(1, 0, 4, 1)])
    assert read_area(file, crs=UTM).area == pytest.approx(4.0)


def test_an_area_in_degrees_is_brought_to_the_network(tmp_path: Path) -> None:
    box = shapely.box(500000, 5500000, 501000, 5501000)
    degrees = gpd.GeoSeries([box], crs=UTM).to_crs("EPSG:4326").iloc[0]
    file = saved(tmp_path / "a.geojson", [degrees], crs="EPSG:4326")
    assert read_area(file, crs=UTM).symmetric_difference(box).area < 0.01 * box.area


def test_a_shape_that_crosses_itself_is_mended(tmp_path: Path) -> None:
    bow_tie = shapely.Polygon([(0, 0), (2, 2), (2, 0), (0, 2)])
    assert read_area(saved(tmp_path / "a.gpkg", [bow_tie]), crs=UTM).area == pytest.approx(2.0)


def test_zones_have_names(tmp_path: Path) -> None:
    shapes = [shapely.box(0, 0, 1, 1), shapely.box(1, 0, 2, 1)]
    file = saved(tmp_path / "z.gpkg", shapes, name=["a", "b"], DMA=["North", None])
    assert read_zones(file, crs=UTM)["zone"].tolist() == ["North", ""]
    assert read_zones(file, crs=UTM, column="Name")["zone"].tolist() == ["a", "b"]
    with pytest.raises(LayerError, match="no column 'zon'"):
        read_zones(file, crs=UTM, column="zon")
    assert read_zones(saved(tmp_path / "n.gpkg", shapes), crs=UTM)["zone"].tolist() == ["1", "2"]


def test_what_is_no_polygon_is_told(tmp_path: Path) -> None:
    file = saved(tmp_path / "p.gpkg", [shapely.Point(0, 0)])
    with pytest.raises(LayerError, match="no layer of polygons"):
        read_area(file, crs=UTM)
    with pytest.raises(LayerError, match="no such file"):
        read_area(tmp_path / "none.gpkg", crs=UTM)
