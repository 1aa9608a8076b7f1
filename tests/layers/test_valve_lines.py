"""Valves drawn as short lines: a fitting in the middle, and a main that keeps the network together."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely import LineString, MultiLineString, Point

from netcorr.errors import LayerError
from netcorr.layers import NetworkLayers, inspect_source, read_network_layers

X0, Y0 = 500_000.0, 5_540_000.0
UTM = "EPSG:32633"
Town = Callable[..., NetworkLayers]


def valve_layer(*lines: LineString | MultiLineString | Point, **columns: list[object]) -> gpd.GeoDataFrame:
    ids = [str(k) for k in range(1, len(lines) + 1)]
    return gpd.GeoDataFrame({"id": ids, **columns}, geometry=list(lines), crs=UTM)


@pytest.fixture
def street(tmp_path: Path) -> Town:
    """Three mains in a row with gaps of 0.5 m where the valves are drawn, and a hydrant."""
    lines = [LineString([(X0 + 100 * k, Y0), (X0 + 100 * k + 99.5, Y0)]) for k in range(3)]
    mains = gpd.GeoDataFrame(
        {
            "asset_id": ["1", "2", "3"],
            "material": ["DI", None, "PVC"],
            "diameter_mm": [150.0, 150.0, 110.0],
            "status": ["in service", "in service", "in service"],
        },
        geometry=lines,
        crs=UTM,
    )
    hydrant = gpd.GeoDataFrame({"id": ["H1"]}, geometry=[Point(X0 + 250, Y0)], crs=UTM)
    path = tmp_path / "town.gpkg"
    mains.to_file(path, layer="mains")
    hydrant.to_file(path, layer="hydrants")

    def read(valves: gpd.GeoDataFrame) -> NetworkLayers:
        valves.to_file(path, layer="valves")
        return read_network_layers(path)

    return read


FIRST = LineString([(X0 + 99.5, Y0), (X0 + 100, Y0)])
SECOND = LineString([(X0 + 199.5, Y0), (X0 + 200, Y0)])


def test_a_fitting_in_the_middle_and_a_main(street: Town) -> None:
    layers = street(valve_layer(FIRST, SECOND, status=["closed", "open"]))
    valves = layers.fittings[layers.fittings["kind"] == "valve"].set_index("asset_id")
    assert valves["is_open"].to_dict() == {"1": False, "2": True}
    assert valves.geometry["1"].equals_exact(Point(X0 + 99.75, Y0), 1e-6)
    assert set(layers.fittings.geom_type) == {"Point"}
    links = layers.mains.set_index("asset_id").loc[["1#valve", "2#valve"]]
    assert links["material"].tolist() == ["ductile_iron", "pvc"], "of the neighbour that knows its own"
    assert links["diameter_mm"].tolist() == [150, 110]
    assert links["in_service"].all()
    assert links.geometry.iloc[0].equals_exact(FIRST, 1e-6)
    assert [note for note in layers.notes if "2 drawn as lines; each counts as a fitting" in note]


def test_inspection_agrees(street: Town, tmp_path: Path) -> None:
    street(valve_layer(FIRST, SECOND))
    summary = inspect_source(tmp_path / "town.gpkg")
    assert summary.problems == ()
    assert {layer.name: layer.role for layer in summary.layers} == {
        "mains": "mains",
        "hydrants": "fittings",
        "valves": "fittings",
    }


def test_a_line_that_touches_nothing_is_unknown(street: Town) -> None:
    layers = street(valve_layer(LineString([(X0, Y0 + 50), (X0 + 1, Y0 + 50)])))
    (link,) = layers.mains[layers.mains["asset_id"] == "1#valve"].itertuples()
    assert link.material is None
    assert link.material_text is None
    assert np.isnan(link.diameter_mm)


def test_ids_of_their_own_are_kept(street: Town) -> None:
    layers = street(valve_layer(FIRST).assign(id=["V9"]))
    assert layers.mains["asset_id"].tolist() == ["1", "2", "3", "V9"]


def test_points_and_lines_in_one_layer_are_valves(street: Town, tmp_path: Path) -> None:
    street(valve_layer(FIRST))
    mixed = valve_layer(Point(X0 + 50, Y0), MultiLineString([FIRST, SECOND]))
    mixed.to_file(tmp_path / "mixed.geojson")
    toml = tmp_path / "town.toml"
    toml.write_text(
        '[mains]\nsource = "town.gpkg"\nlayer = "mains"\ncolumns = { asset_id = "asset_id" }\n'
        '[[fittings]]\nsource = "mixed.geojson"\nkind = "valve"\ncolumns = { asset_id = "id" }\n',
        encoding="utf-8",
    )
    layers = read_network_layers(toml)
    assert layers.fittings["asset_id"].tolist() == ["1", "2", "2#2"]
    assert layers.mains["asset_id"].tolist() == ["1", "2", "3", "2#valve", "2#2"]


def test_a_valve_as_long_as_a_main_is_said(street: Town) -> None:
    layers = street(valve_layer(LineString([(X0 + 99.5, Y0), (X0 + 99.5, Y0 + 40)])))
    assert [note for note in layers.notes if "drawn more than 10 m long: 1 feature (1); check them" in note]


def test_lines_in_another_crs_are_brought_along(street: Town) -> None:
    layers = street(valve_layer(FIRST, SECOND).to_crs("EPSG:4326"))
    link = layers.mains.geometry.to_numpy()[3]
    assert shapely.hausdorff_distance(link, FIRST) < 1e-6
    assert layers.mains["material"][3] == "ductile_iron"


def test_areas_are_no_fittings(street: Town, tmp_path: Path) -> None:
    street(valve_layer(FIRST))
    valve_layer(FIRST.buffer(1), FIRST).to_file(tmp_path / "areas.geojson")
    toml = tmp_path / "town.toml"
    toml.write_text(
        '[mains]\nsource = "town.gpkg"\nlayer = "mains"\ncolumns = { asset_id = "asset_id" }\n'
        '[[fittings]]\nsource = "areas.geojson"\nkind = "valve"\ncolumns = { asset_id = "id" }\n',
        encoding="utf-8",
    )
    with pytest.raises(LayerError) as caught:
        read_network_layers(toml)
    assert str(caught.value) == (
        "areas.geojson, layer areas: 1 of 2 features are not points or short lines: 1 is a polygon; give a "
        "layer of points or short lines, or split the others off"
    )


def test_valves_alone_are_not_the_mains(tmp_path: Path) -> None:
    valve_layer(FIRST).to_file(tmp_path / "a.gpkg", layer="valves")
    with pytest.raises(LayerError, match=r"a.gpkg: no line layer, but valves \(line\); give a source that"):
        read_network_layers(tmp_path / "a.gpkg")
