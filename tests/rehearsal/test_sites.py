"""Planned sites from tables and layers: what is understood, and what is refused in clear words."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import pytest
from pyproj import Transformer
from shapely import Point

from netcorr.errors import NetcorrError, NetworkError, PlanError
from netcorr.network import PipeNetwork
from netcorr.rehearsal import PlannedSite, read_sites

Spot = Callable[..., tuple[float, float]]


def table(folder: Path, text: str, name: str = "sites.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_a_deployments_table_without_recordings(network: PipeNetwork, tmp_path: Path) -> None:
    path = table(tmp_path, "logger,fitting,recording,start,lead_m\nL1,H0,,,0.8\nL2,H1,,,\n")
    assert read_sites(path, network) == (PlannedSite("H0", "L1", 0.8), PlannedSite("H1", "L2"))


def test_nights_are_told_apart(network: PipeNetwork, tmp_path: Path) -> None:
    path = table(
        tmp_path,
        "logger;fitting;start\nL1;H0;2026-03-01T02:00Z\nL2;H1;2026-03-01T02:00Z\nL1;H2;2026-03-02T02:00Z\n",
    )
    assert [(site.logger, site.setup[:10]) for site in read_sites(path, network)] == [
        ("L1", "2026-03-01"),
        ("L2", "2026-03-01"),
        ("L1", "2026-03-02"),
    ]


def test_two_rounds_of_one_logger_are_one_site(network: PipeNetwork, tmp_path: Path) -> None:
    path = table(tmp_path, "logger,fitting\nL1,H0\nL1,H0\nL2,H1\n")
    assert [site.fitting for site in read_sites(path, network)] == ["H0", "H1"]


def test_a_logger_that_stands_twice_is_named_by_its_fittings(network: PipeNetwork, tmp_path: Path) -> None:
    path = table(tmp_path, "logger,fitting\nL1,H0\nL1,H1\n,H2\n")
    assert [site.logger for site in read_sites(path, network)] == ["H0", "H1", "H2"]


def test_a_layer_of_points_with_asset_ids(spot: Spot, network: PipeNetwork, tmp_path: Path) -> None:
    frame = gpd.GeoDataFrame(
        {"asset_id": ["H0", "H2"]}, geometry=[Point(spot(0)), Point(spot(200))], crs=network.crs
    )
    frame.to_file(tmp_path / "sites.gpkg", layer="chosen")
    assert [site.fitting for site in read_sites(tmp_path / "sites.gpkg", network)] == ["H0", "H2"]


def test_points_alone_find_their_fittings(spot: Spot, network: PipeNetwork, tmp_path: Path) -> None:
    frame = gpd.GeoDataFrame(
        {"name": ["a", "b"]}, geometry=[Point(spot(3)), Point(spot(98))], crs=network.crs
    )
    frame.to_file(tmp_path / "sites.gpkg")
    assert [site.fitting for site in read_sites(tmp_path / "sites.gpkg", network)] == ["H0", "H1"]


def test_the_layer_named_sites_is_taken(spot: Spot, network: PipeNetwork, tmp_path: Path) -> None:
    path = tmp_path / "plan.gpkg"
    for name, fitting in (("route", "H9"), ("sites", "H1"), ("spare", "H2")):
        gpd.GeoDataFrame({"fitting": [fitting]}, geometry=[Point(spot(0))], crs=network.crs).to_file(
            path, layer=name
        )
    assert [site.fitting for site in read_sites(path, network)] == ["H1"]


def test_longitude_and_latitude(spot: Spot, network: PipeNetwork, tmp_path: Path) -> None:
    lon, lat = Transformer.from_crs(network.crs, "EPSG:4326", always_xy=True).transform(*spot(101, 1))
    path = table(tmp_path, f"logger,lon,lat\nL1,{lon:.7f},{lat:.7f}\n")
    assert [site.fitting for site in read_sites(path, network)] == ["H1"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("logger,fitting\n", "no sites"),
        ("logger\nL1\n", "row 2: neither a fitting nor a place"),
        ("fitting,lead_m\nH0,long\nH1,-2\n", "row 2: lead_m 'long' is no number; row 3: lead_m '-2'"),
        ("logger,lon,lat\nL1,0,0\n", "row 2: the nearest fitting"),
    ],
)
def test_rows_at_fault_are_named(network: PipeNetwork, tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(PlanError, match=words):
        read_sites(table(tmp_path, text), network)


def test_an_unknown_fitting_is_named(network: PipeNetwork, tmp_path: Path) -> None:
    with pytest.raises(NetworkError, match="fitting H77: no fitting has this id"):
        read_sites(table(tmp_path, "fitting\nH77\n"), network)


def test_files_that_are_none(network: PipeNetwork, tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="no such file"):
        read_sites(tmp_path / "gone.csv", network)
    with pytest.raises(NetcorrError):
        read_sites(table(tmp_path, "not a dataset", "sites.gpkg"), network)


def test_several_layers_and_none_that_is_meant(spot: Spot, network: PipeNetwork, tmp_path: Path) -> None:
    path = tmp_path / "plan.gpkg"
    for name in ("one", "two"):
        gpd.GeoDataFrame({"fitting": ["H0"]}, geometry=[Point(spot(0))], crs=network.crs).to_file(
            path, layer=name
        )
    with pytest.raises(PlanError, match=r"several layers \(one, two\)"):
        read_sites(path, network)


def test_a_site_of_several_setups_is_in_each(network: PipeNetwork, tmp_path: Path) -> None:
    path = table(tmp_path, "fitting;setups\nH0;1\nH1;1, 2\nH2;2\n")
    sites = [(site.fitting, site.setup) for site in read_sites(path, network)]
    assert sites == [("H0", "1"), ("H1", "1"), ("H1", "2"), ("H2", "2")]
