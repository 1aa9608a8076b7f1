"""Attributes that are missing: a rule or nothing, and every assumption visible."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from shapely import LineString, Point

from netcorr.errors import LayerError
from netcorr.layers import NetworkLayers, read_network_layers

X0, Y0 = 500_000.0, 5_540_000.0
Writer = Callable[..., Path]

MAPPING = """
source = "town.gpkg"
[mains]
layer = "mains"
columns = { asset_id = "asset_id", material = "material", diameter_mm = "diameter_mm", year = "year" }
{codes}
[[fittings]]
layer = "fittings"
columns = { asset_id = "asset_id", kind = "kind" }
[missing]
{rules}
"""


@pytest.fixture
def row(tmp_path: Path) -> Callable[..., NetworkLayers]:
    """Five mains in a row, some of which lack things, read by the rules of a mapping."""
    lines = [LineString([(X0 + 100 * k, Y0), (X0 + 100 * k + 100, Y0)]) for k in range(5)]
    mains = gpd.GeoDataFrame(
        {
            "asset_id": [f"M{k}" for k in range(1, 6)],
            "material": ["CI", None, "unknown", "AC", "CI"],
            "diameter_mm": [100.0, 0.0, None, 150.0, 150.0],
            "year": [1931, None, 1962, 1985, 0],
        },
        geometry=lines,
        crs="EPSG:32633",
    )
    fittings = gpd.GeoDataFrame(
        {"asset_id": ["H1"], "kind": ["hydrant"]}, geometry=[Point(X0, Y0)], crs="EPSG:32633"
    )
    mains.to_file(tmp_path / "town.gpkg", layer="mains")
    fittings.to_file(tmp_path / "town.gpkg", layer="fittings")

    def read(rules: str, codes: str = "") -> NetworkLayers:
        toml = tmp_path / "town.toml"
        toml.write_text(MAPPING.replace("{rules}", rules).replace("{codes}", codes), encoding="utf-8")
        return read_network_layers(toml)

    return read


def notes(layers: NetworkLayers) -> list[str]:
    return [note for note in layers.notes if " missing for " in note]


def test_without_a_rule_nothing_is_filled_in(row: Callable[..., NetworkLayers]) -> None:
    for rules in ("", 'material = "leave"\ndiameter = "leave"\nyear = "leave"'):
        mains = row(rules).mains
        assert mains["material"].tolist() == ["grey_iron", None, None, None, "grey_iron"]
        np.testing.assert_array_equal(mains["diameter_mm"], [100, np.nan, np.nan, 150, 150])
        assert mains["assumed"].tolist() == [""] * 5


def test_an_assumption_is_said_on_the_main_and_in_the_notes(row: Callable[..., NetworkLayers]) -> None:
    layers = row(
        'material = { assume = "pvc", or = ["pe"] }\ndiameter = { assume = 100, from = 80, to = 150 }'
    )
    assert layers.mains["material"].tolist() == ["grey_iron", "pvc", "pvc", None, "grey_iron"]
    assert layers.mains["assumed"].tolist() == [
        "",
        *["material assumed PVC (or polyethylene 33 %); diameter assumed 100 mm (or 80 mm 17 %, 150 mm 17 %)"]
        * 2,
        "",
        "",
    ]
    assert notes(layers) == [
        "town.toml, mains: material missing for 2: 2 assumed PVC (or polyethylene 33 %)",
        "town.toml, mains: diameter missing for 2: 2 assumed 100 mm (or 80 mm 17 %, 150 mm 17 %)",
    ]


def test_what_is_written_but_not_understood_is_never_overruled(row: Callable[..., NetworkLayers]) -> None:
    layers = row('material = { assume = "pvc" }')
    assert layers.mains["material"][3] is None, "AC is asked about, not assumed"
    assert any("'AC' of 1 may be asbestos cement or steel" in note for note in layers.notes)
    told = row('material = { assume = "pvc" }', 'materials = { AC = "unknown" }')
    assert told.mains["material"][3] == "pvc", "unless the mapping says that AC says nothing"
    assert told.mains["material_text"][3] == "AC"


def test_neighbours_that_know_are_asked_and_their_agreement_is_said(
    row: Callable[..., NetworkLayers],
) -> None:
    layers = row('material = "neighbours"\ndiameter = "neighbours"\nyear = "neighbours"')
    mains = layers.mains
    assert mains["material"].tolist() == ["grey_iron", "grey_iron", None, None, "grey_iron"]
    np.testing.assert_array_equal(mains["diameter_mm"], [100, 100, 150, 150, 150])
    np.testing.assert_array_equal(mains["year"], [1931, 1946.5, 1962, 1985, 1985])
    assert mains["assumed"].tolist() == [
        "",
        "material grey cast iron from neighbours (1 of 1; or another 33 %); "
        "diameter 100 mm from neighbours (1 of 1; or another 33 %); "
        "year 1946 from neighbours (2, 1931 to 1962)",
        "diameter 150 mm from neighbours (1 of 1; or another 33 %)",
        "",
        "year 1985 from neighbours (1)",
    ]
    assert notes(layers)[0] == (
        "town.toml, mains: material missing for 2: 1 taken from neighbours, of which 100% agree on average, "
        "1 stay unknown"
    )


def test_rules_in_order(row: Callable[..., NetworkLayers]) -> None:
    layers = row('material = ["neighbours", { until_year = { 1945 = "grey_iron", 1970 = "ductile_iron" } }]')
    assert layers.mains["material"].tolist() == ["grey_iron", "grey_iron", "ductile_iron", None, "grey_iron"]
    assert layers.mains["assumed"][2] == (
        "material assumed ductile iron for mains laid up to 1970 (or another 33 %)"
    )


def test_a_year_that_is_assumed_or_past_the_table_answers_nothing(row: Callable[..., NetworkLayers]) -> None:
    layers = row('material = { until_year = { 1961 = "grey_iron" } }\nyear = { assume = 1950 }')
    assert layers.mains["material"].tolist() == ["grey_iron", None, None, None, "grey_iron"]
    assert layers.mains["year"].tolist() == [1931, 1950, 1962, 1985, 1950]
    assert layers.mains["assumed"][1] == "year assumed 1950 (or another 33 %)"


def test_refusal_names_the_mains(row: Callable[..., NetworkLayers]) -> None:
    with pytest.raises(LayerError) as caught:
        row('diameter = "refuse"')
    assert str(caught.value) == (
        "town.toml, mains: 2 of 5 mains without a diameter (M2, M3), which the mapping refuses; fill them "
        "in, or say under [missing] what to take for the diameter"
    )
    with pytest.raises(LayerError, match=r"1 of 5 mains without a material \(M3\)"):
        row('material = ["neighbours", "refuse"]')
    row('material = ["neighbours", { assume = "pe" }, "refuse"]')


def test_a_rule_that_is_not_needed_says_nothing(town: Writer) -> None:
    path = town()
    layers = read_network_layers(path)
    assert layers.mains["assumed"].tolist() == ["", "", ""]
    assert notes(layers) == []
