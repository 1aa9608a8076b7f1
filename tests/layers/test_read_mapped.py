"""Reading through a mapping file: layers of their own files, codes, ids of several layers."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import Point

from netcorr.errors import LayerError
from netcorr.layers import read_mapping, read_network_layers

X0, Y0 = 500_000.0, 5_540_000.0

MAPPING = """
source = "."
[mains]
layer = "rohr"
columns = { asset_id = "NR", material = "TEXT", diameter = "TEXT", status = "ZUST" }
materials = { AZ = "asbestos_cement" }
status = { B = "in service", S = "out of service" }
[[fittings]]
source = "armatur.fgb"
kind = "valve"
id_prefix = "S"
columns = { asset_id = "NR", status = "STELLUNG" }
status = { "1" = "closed", "0" = "open" }
[[fittings]]
layer = "hydr"
id_prefix = "H"
kind = "hydrant"
columns = { asset_id = "NR" }
"""


@pytest.fixture
def foreign(tmp_path: Path, mains: gpd.GeoDataFrame) -> Path:
    """A network in three files with German columns, and its mapping."""
    rohr = gpd.GeoDataFrame(
        {"NR": [1, 2, 3], "TEXT": ["GGG DN 150", "AZ", "PE100 SDR11 110"], "ZUST": ["B", "B", "S"]},
        geometry=list(mains.geometry),
        crs=mains.crs,
    )
    rohr.to_file(tmp_path / "rohr.shp")
    points = [Point(X0, Y0), Point(X0 + 100, Y0)]
    valves = gpd.GeoDataFrame({"NR": [1, 2], "STELLUNG": [0, 1]}, geometry=points, crs=mains.crs)
    valves.to_file(tmp_path / "armatur.fgb")
    valves[["NR", "geometry"]].to_file(tmp_path / "hydr.gpkg")
    (tmp_path / "stadt.toml").write_text(MAPPING, encoding="utf-8")
    return tmp_path / "stadt.toml"


def test_mapping_of_files_codes_and_one_text_for_two_roles(foreign: Path) -> None:
    layers = read_network_layers(foreign)
    assert layers.source == "stadt.toml"
    assert layers.mains["material"].tolist() == ["ductile_iron", "asbestos_cement", "pe100"]
    np.testing.assert_allclose(layers.mains["diameter_mm"], [150, np.nan, 110])
    assert layers.mains["in_service"].tolist() == [True, True, False]
    fittings = layers.fittings.set_index("asset_id").sort_index()
    assert fittings["kind"].to_dict() == {"H1": "hydrant", "H2": "hydrant", "S1": "valve", "S2": "valve"}
    assert fittings["is_open"].to_dict() == {"H1": True, "H2": True, "S1": True, "S2": False}


def test_mapping_beside_a_source(foreign: Path) -> None:
    mapping = read_mapping(foreign)
    own = read_network_layers(foreign)
    for given in (foreign, mapping):
        layers = read_network_layers(foreign.parent, mapping=given)
        pd.testing.assert_frame_equal(pd.DataFrame(layers.mains), pd.DataFrame(own.mains))


def test_ids_in_two_layers_of_fittings(foreign: Path) -> None:
    mapping = read_mapping(foreign)
    same = dataclasses.replace(
        mapping, fittings=tuple(dataclasses.replace(part, id_prefix="") for part in mapping.fittings)
    )
    with pytest.raises(LayerError) as caught:
        read_network_layers(foreign.parent, mapping=same)
    assert str(caught.value).endswith(
        "fittings: 2 ids are in two layers, such as 2 in armatur and hydr; give one of the layers "
        'id_prefix = "..." in a mapping file'
    )


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('"ZUST"', '"ZUSTAND"', "rohr.shp, layer rohr: no column 'ZUSTAND', which the mapping names as "
         "status; name one of its columns: NR, TEXT, ZUST (similar: ZUST)"),
        ('"rohr"', '"rohre"', "no layer 'rohre'; name one of its layers: armatur, hydr, rohr (simil"),
        ('"armatur.fgb"', '"armaturen.fgb"', "no such file or folder; check the path (similar: armatur.fgb"),
        ('source = "."', "", "mapping, layer rohr: no source; add source = "),
    ],
)  # fmt: skip
def test_mapping_that_does_not_fit(foreign: Path, old: str, new: str, message: str) -> None:
    foreign.write_text(MAPPING.replace(old, new), encoding="utf-8")
    with pytest.raises(LayerError) as caught:
        read_network_layers(foreign)
    assert message in str(caught.value)
