"""Sites as users list them."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pytest
from shapely import Point

from netcorr.errors import LayerError
from netcorr.layers.site_list import read_site_list


def text(tmp_path: Path, content: str, name: str = "sites.csv") -> Path:
    file = tmp_path / name
    file.write_text(content, encoding="utf-8")
    return file


def test_one_id_a_line(tmp_path: Path) -> None:
    sites = read_site_list(text(tmp_path, "V1\n\n  H2 \n", "sites.txt"))
    assert (sites.fitting, sites.row) == (("V1", "H2"), (1, 3))


@pytest.mark.parametrize("sign", [",", ";", "\t"])
def test_a_table_of_deployments(tmp_path: Path, sign: str) -> None:
    table = "Logger,Fitting,recording\nL1,V1,a.wav\nL2,H2,b.wav\n".replace(",", sign)
    assert read_site_list(text(tmp_path, table)).fitting == ("V1", "H2")


def test_a_header_alone_names_the_column(tmp_path: Path) -> None:
    assert read_site_list(text(tmp_path, "\ufefffitting\nV1\n")).fitting == ("V1",)


def test_places_in_degrees(tmp_path: Path) -> None:
    sites = read_site_list(text(tmp_path, "logger,lon,lat\nL1,12.5,48\nL2,12.6,48\n"))
    assert sites.place[1] == Point(12.6, 48)
    assert sites.crs is not None
    assert sites.crs.to_epsg() == 4326
    with pytest.raises(LayerError, match="row 3: lon 'x'"):
        read_site_list(text(tmp_path, "lon,lat\n12.5,48\nx,48\n"))


def test_layers_with_ids_or_points(tmp_path: Path) -> None:
    points = gpd.GeoDataFrame({"note": ["a", "b"]}, geometry=[Point(1, 2), Point(3, 4)], crs="EPSG:32633")
    points.to_file(tmp_path / "points.gpkg")
    sites = read_site_list(tmp_path / "points.gpkg", where="note = 'b'")
    assert sites.place == (Point(3, 4),)
    points.assign(asset_id=["V1", "V2"]).to_file(tmp_path / "ids.gpkg")
    assert read_site_list(tmp_path / "ids.gpkg").fitting == ("V1", "V2")
    with pytest.raises(LayerError, match="cannot be understood"):
        read_site_list(tmp_path / "ids.gpkg", where="nothing = 1")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "no rows"),
        ("fitting,note\n", "no rows"),
        ("fitting,note\n,x\n", "no row with a fitting or a place"),
    ],
)
def test_an_empty_list_is_told(tmp_path: Path, content: str, words: str) -> None:
    with pytest.raises(LayerError, match=words):
        read_site_list(text(tmp_path, content))


def test_bytes_that_are_no_text_are_told(tmp_path: Path) -> None:
    file = tmp_path / "sites.csv"
    file.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(LayerError, match="UTF-8"):
        read_site_list(file)
    with pytest.raises(LayerError, match="a condition for a text file"):
        read_site_list(text(tmp_path, "V1\n"), where="a = 1")


def test_of_several_layers_the_one_that_holds_sites(tmp_path: Path) -> None:
    file = tmp_path / "plan.gpkg"
    points = gpd.GeoDataFrame({"fitting": ["V1"]}, geometry=[Point(1, 2)], crs="EPSG:32633")
    points.to_file(file, layer="planned_mains")
    points.assign(fitting=["H7"]).to_file(file, layer="planned_sites")
    assert read_site_list(file).fitting == ("H7",)
    points.to_file(file, layer="sites")
    with pytest.raises(LayerError, match="several layers; give a file with one layer"):
        read_site_list(file)
