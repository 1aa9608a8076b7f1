"""Finding layers in files, folders and datasets by their headers."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
from shapely import LineString, Point, Polygon

from netcorr.errors import LayerError
from netcorr.layers.sources import find_layer, survey_source


@pytest.mark.parametrize("suffix", ["gpkg", "shp", "geojson", "fgb"])
def test_headers_in_every_format(town: Callable[..., Path], suffix: str) -> None:
    summary = survey_source(town(suffix))
    layers = {layer.name: layer for layer in summary.layers}
    assert sorted(layers) == ["fittings", "mains"]
    mains, fittings = layers["mains"], layers["fittings"]
    assert (mains.geometry, mains.count, fittings.geometry, fittings.count) == ("line", 3, "point", 3)
    assert mains.crs is not None
    assert mains.crs.equals("EPSG:4326" if suffix == "geojson" else "EPSG:32633", ignore_axis_order=True)
    assert mains.bounds is not None
    assert mains.bounds[0] == pytest.approx(15.0 if suffix == "geojson" else 500_000.0)
    dtypes = {column.name: column.dtype for column in mains.columns}
    assert dtypes["asset_id"] == "text"
    assert dtypes["year"] == "integer"
    assert dtypes["diameter_m" if suffix == "shp" else "diameter_mm"] == "real"


def test_a_table_and_a_polygon_layer_are_told_apart(town: Callable[..., Path]) -> None:
    path = town()
    area = gpd.GeoDataFrame(geometry=[Polygon([(0, 0), (1, 0), (1, 1)])], crs="EPSG:32633")
    area.to_file(path, layer="district")
    pyogrio.write_dataframe(pd.DataFrame({"a": [1]}), path, layer="notes")
    kinds = {layer.name: layer.geometry for layer in survey_source(path).layers}
    assert kinds == {"mains": "line", "fittings": "point", "district": "polygon", "notes": "none"}


def test_height_is_declared(tmp_path: Path) -> None:
    frame = gpd.GeoDataFrame({"a": [1]}, geometry=[LineString([(0, 0, 5), (1, 1, 6)])], crs="EPSG:32633")
    frame.to_file(tmp_path / "mains.gpkg")
    (layer,) = survey_source(tmp_path / "mains.gpkg").layers
    assert (layer.geometry, layer.has_z) == ("line", True)


def test_geojson_without_a_declared_type_is_looked_into(tmp_path: Path) -> None:
    shapes: dict[str, list[LineString | Point]] = {
        "lines": [LineString([(0, 0), (1, 1)])],
        "both": [LineString([(0, 0), (1, 1)]), Point(0, 0)],
        "empty": [],
    }
    for name, content in shapes.items():
        features = [{"type": "Feature", "properties": {}, "geometry": s.__geo_interface__} for s in content]
        text = json.dumps({"type": "FeatureCollection", "features": features})
        (tmp_path / f"{name}.geojson").write_text(text, encoding="utf-8")
    kinds = {layer.name: layer.geometry for layer in survey_source(tmp_path).layers}
    assert kinds == {"both": "mixed", "empty": "none", "lines": "line"}


def test_layers_of_one_name_in_two_files_keep_their_file(tmp_path: Path, mains: gpd.GeoDataFrame) -> None:
    mains.to_file(tmp_path / "mains.gpkg")
    mains.to_file(tmp_path / "mains.fgb")
    assert [layer.name for layer in survey_source(tmp_path).layers] == ["mains.fgb:mains", "mains.gpkg:mains"]


def test_one_bad_file_in_a_folder_does_not_hide_the_others(town: Callable[..., Path]) -> None:
    folder = town("fgb")
    (folder / "broken.gpkg").write_bytes(b"not a database")
    summary = survey_source(folder)
    assert sorted(layer.name for layer in summary.layers) == ["fittings", "mains"]
    assert len(summary.unread) == 1
    assert summary.unread[0].startswith("broken.gpkg: cannot be read (")


def test_missing_source_names_near_matches(town: Callable[..., Path]) -> None:
    path = town()
    with pytest.raises(LayerError) as caught:
        survey_source(path.with_name("twon.gpkg"))
    assert str(caught.value).endswith("no such file or folder; check the path (similar: town.gpkg)")


@pytest.mark.parametrize("name", ["broken.gpkg", "broken.shp", "broken.geojson", "broken.fgb", "notes.txt"])
def test_unreadable_file(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(b"this is no map")
    with pytest.raises(LayerError) as caught:
        survey_source(tmp_path / name)
    assert str(caught.value).startswith(f"{name}: cannot be read (")
    assert "check that the file is whole" in str(caught.value)


PARQUET = "Parquet" in pyogrio.list_drivers()


@pytest.mark.skipif(PARQUET, reason="this GDAL has its Parquet driver")
@pytest.mark.parametrize("name", ["mains.parquet", "mains.geoparquet"])
def test_geoparquet_without_a_driver_is_not_blamed_on_the_file(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(b"PAR1 is how such a file starts and ends PAR1")
    with pytest.raises(LayerError) as caught:
        survey_source(tmp_path / name)
    said = str(caught.value)
    assert said.startswith(f"{name}: GeoParquet, for which the GDAL {pyogrio.__gdal_version_string__} in use")
    assert said.endswith("(.gpkg) or FlatGeobuf (.fgb) in a GIS, or use a GDAL with Parquet")


@pytest.mark.skipif(not PARQUET, reason="this GDAL has no Parquet driver")
def test_geoparquet_is_read(tmp_path: Path, mains: gpd.GeoDataFrame) -> None:
    pyogrio.write_dataframe(mains, tmp_path / "mains.parquet", driver="Parquet")
    (layer,) = survey_source(tmp_path / "mains.parquet").layers
    assert (layer.geometry, layer.count) == ("line", len(mains))


def test_folder_without_layers(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("nothing")
    with pytest.raises(LayerError, match="no file with layers in it; give a GeoPackage"):
        survey_source(tmp_path)


def test_layer_by_name(town: Callable[..., Path]) -> None:
    summary = survey_source(town())
    assert find_layer(summary, "mains").name == find_layer(summary, "MAINS").name == "mains"
    with pytest.raises(LayerError) as caught:
        find_layer(summary, "main")
    assert str(caught.value) == (
        "town.gpkg: no layer 'main'; name one of its layers: mains, fittings (similar: mains)"
    )
    with pytest.raises(
        LayerError, match="2 layers and none is named; name one of its layers: mains, fittings"
    ):
        find_layer(summary, None)
