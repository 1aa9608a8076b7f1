"""Columns that look like something are asked about, and never taken."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import pytest

from netcorr.layers import inspect_source, read_network_layers, write_mapping

Writer = Callable[..., Path]


def suggestions(path: Path) -> dict[str, str | None]:
    return {
        c.name: c.suggested for layer in inspect_source(path).layers for c in layer.columns if c.suggested
    }


def test_a_column_of_materials_without_a_known_name(town: Writer, mains: gpd.GeoDataFrame) -> None:
    path = town(
        mains=mains.rename(columns={"material": "XYZ"}).assign(XYZ=["GGG", "AC", None], street="Lead Lane")
    )
    assert suggestions(path) == {"XYZ": "material"}
    assert inspect_source(path).questions == (
        "mains, column XYZ: its values look like materials (GGG, AC): say so in a mapping if they are",
    )
    assert read_network_layers(path).mains["material"].tolist() == [None] * 3, "never taken unasked"
    toml = write_mapping(inspect_source(path), path.with_suffix(".toml"))
    text = toml.read_text(encoding="utf-8")
    assert '# material = "XYZ"  # its values look like materials (GGG, AC): say so in a mapping' in text
    toml.write_text(text.replace('# material = "XYZ"', 'material = "XYZ"'), encoding="utf-8")
    assert read_network_layers(toml).mains["material"].tolist() == ["ductile_iron", None, None]


def test_a_column_of_kinds(town: Writer, fittings: gpd.GeoDataFrame) -> None:
    path = town(fittings=fittings.rename(columns={"kind": "WHAT"}))
    assert suggestions(path) == {"WHAT": "kind"}
    toml = write_mapping(inspect_source(path), path.with_suffix(".toml"))
    text = toml.read_text(encoding="utf-8")
    text = text.replace("# kind = ", "kind = ").replace('kind = "other"', '# kind = "other"')
    toml.write_text(text, encoding="utf-8")
    assert read_network_layers(toml).fittings["kind"].tolist() == ["valve", "hydrant", "valve"]


@pytest.mark.parametrize(
    "values",
    [
        ["Elm Street", "Iron Street", "Station Road"],
        ["1", "2", "3"],
        [None, None, None],
        ["0", "-", "unknown"],
        ["a long remark that says that the main was made of PVC"] * 3,
    ],
)
def test_other_columns_are_left_alone(
    town: Writer, mains: gpd.GeoDataFrame, values: list[str | None]
) -> None:
    assert suggestions(town(mains=mains.drop(columns="material").assign(remark=values))) == {}


def test_a_layer_of_valves_needs_no_kind(
    tmp_path: Path, mains: gpd.GeoDataFrame, fittings: gpd.GeoDataFrame
) -> None:
    mains.to_file(tmp_path / "a.gpkg", layer="mains")
    valves = fittings.rename(columns={"kind": "WHAT"}).assign(WHAT=["gate valve", "valve", None])
    valves.to_file(tmp_path / "a.gpkg", layer="valves")
    assert suggestions(tmp_path / "a.gpkg") == {}


def test_other_kinds_in_a_layer_of_valves_are_said(
    tmp_path: Path, mains: gpd.GeoDataFrame, fittings: gpd.GeoDataFrame
) -> None:
    mains.to_file(tmp_path / "a.gpkg", layer="mains")
    fittings.to_file(tmp_path / "a.gpkg", layer="valvulas")
    said = "its values look like kinds of fittings (hydrant): say so in a mapping if they are"
    assert inspect_source(tmp_path / "a.gpkg").questions[0] == f"valvulas, column kind: {said}"


def test_a_column_of_ids_without_a_known_name(town: Writer, mains: gpd.GeoDataFrame) -> None:
    path = town(mains=mains.rename(columns={"asset_id": "ETIKETT"}).assign(street=["Elm", "Elm", "Oak"]))
    assert suggestions(path) == {"ETIKETT": "asset_id"}
    summary = inspect_source(path)
    (note,) = (column.note for column in summary.layers[0].columns if column.suggested)
    assert note == (
        "its values are different in all 3 features (M1, M2, M3): say so in a mapping if they are the ids"
    )
    toml = write_mapping(summary, path.with_suffix(".toml"))
    text = toml.read_text(encoding="utf-8")
    assert f'# asset_id = "ETIKETT"  # {note}' in text
    toml.write_text(text.replace('# asset_id = "ETI', 'asset_id = "ETI'), encoding="utf-8")
    assert read_network_layers(toml).mains["asset_id"].tolist() == ["M1", "M2", "M3"]
