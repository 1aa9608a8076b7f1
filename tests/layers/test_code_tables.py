"""Codes explained by a table beside the layer, by the GeoPackage itself, or by a file of its own."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest

from netcorr.errors import LayerError
from netcorr.layers import NetworkLayers, inspect_source, read_network_layers

Writer = Callable[..., Path]


@pytest.fixture
def coded(town: Writer, mains: gpd.GeoDataFrame, fittings: gpd.GeoDataFrame) -> Path:
    """A town whose materials, sizes, states and kinds are numbers."""
    return town(
        mains=mains.assign(material=[1, 2, 9], diameter_mm=[7, 8, 7], status=[1, 1, 2]).rename(
            columns={"diameter_mm": "SIZE"}
        ),
        fittings=fittings.assign(kind=[1, 2, 1], status=[1, 1, 0]),
    )


def table(path: Path, layer: str, /, **columns: list[object]) -> None:
    pyogrio.write_dataframe(pd.DataFrame(columns), path, layer=layer)


def with_notes(layers: NetworkLayers, part: str) -> list[str]:
    return [note for note in layers.notes if part in note]


def test_tables_beside_the_layers_are_found_by_their_names(coded: Path) -> None:
    table(coded, "lut_material", code=[1, 2], description=["Ductile Iron", "PVC-U"])
    table(coded, "pipe_size", id=[7, 8], name=["DN150", '6"'])
    table(coded, "status", code=[0, 1, 2], text=["closed", "in service", "abandoned"])
    table(coded, "KindCodes", CODE=[1, 2], DESCR=["Gate valve", "Hydrant"])
    layers = read_network_layers(coded)
    assert layers.mains["material"].tolist() == ["ductile_iron", "pvc", None]
    assert layers.mains["material_text"].tolist() == ["Ductile Iron", "PVC-U", "9"]
    assert layers.mains["diameter_mm"].tolist() == [150, 152.4, 150]
    assert layers.mains["in_service"].tolist() == [True, True, False]
    assert layers.fittings["kind"].tolist() == ["valve", "hydrant", "valve"]
    assert layers.fittings["is_open"].tolist() == [True, True, False]
    assert with_notes(
        layers,
        "table 'lut_material' is taken to explain the codes in 'material': its name says so "
        "(code 'code', text 'description')",
    )
    summary = inspect_source(coded)
    assert summary.problems == ()
    (column,) = [c for c in summary.layers[0].columns if c.name == "material"]
    assert [(v.value, v.meaning, v.key, v.asked) for v in column.values] == [
        ("1", "Ductile Iron", "ductile_iron", False),
        ("2", "PVC-U", "pvc", False),
        ("9", "", None, True),
    ]


@pytest.mark.parametrize("name", ["customers", "lut_owner", "material_costs"])
def test_other_tables_are_left_alone(coded: Path, name: str) -> None:
    table(coded, name, code=[1, 2], description=["Ductile Iron", "PVC-U"])
    table(coded, "SIZE", id=[7, 8], name=["DN150", '6"'])
    layers = read_network_layers(coded)
    assert layers.mains["material"].tolist() == [None, None, None]
    assert with_notes(layers, f"layer '{name}' is not used")


def test_a_table_without_these_codes_changes_nothing(town: Writer) -> None:
    path = town()
    table(path, "material", code=["X"], description=["steel"])
    layers = read_network_layers(path)
    assert layers.mains["material"].tolist() == ["ductile_iron", "pvc", "grey_iron"]
    assert with_notes(layers, "none of the values for the material is in its code table; they are read as")


def test_pick_lists_of_a_geopackage_are_read(coded: Path) -> None:
    """Schema extension of GeoPackage (OGC 12-128, annex F.9): enumerated constraints of a column."""
    connection = sqlite3.connect(coded)
    connection.executescript(
        """
        CREATE TABLE gpkg_data_columns (table_name TEXT, column_name TEXT, name TEXT, title TEXT,
            description TEXT, mime_type TEXT, constraint_name TEXT);
        CREATE TABLE gpkg_data_column_constraints (constraint_name TEXT, constraint_type TEXT, value TEXT,
            min NUMERIC, min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN, description TEXT);
        INSERT INTO gpkg_data_columns (table_name, column_name, constraint_name)
            VALUES ('mains', 'material', 'materials'), ('mains', 'SIZE', 'sizes'),
                ('fittings', 'kind', 'kinds');
        INSERT INTO gpkg_data_column_constraints (constraint_name, constraint_type, value, description) VALUES
            ('materials', 'enum', '1', 'Fonte ductile'), ('materials', 'enum', '2', 'PEHD'),
            ('materials', 'enum', '9', NULL),
            ('sizes', 'enum', '7', '150 mm'), ('sizes', 'enum', '8', '110x6.6'),
            ('kinds', 'enum', '1', 'vanne'), ('kinds', 'enum', '2', 'poteau d''incendie'),
            ('kinds', 'range', '3', 'vanne');
        """
    )
    connection.commit()
    connection.close()
    layers = read_network_layers(coded)
    assert layers.mains["material"].tolist() == ["ductile_iron", "pe", None]
    assert layers.mains["diameter_mm"].tolist() == [150, 110, 150]
    assert layers.fittings["kind"].tolist() == ["valve", "hydrant", "valve"]


def mapping(path: Path, codes: str) -> Path:
    toml = path.with_suffix(".toml")
    toml.write_text(
        'source = "town.gpkg"\n[mains]\nlayer = "mains"\n'
        f'columns = {{ asset_id = "asset_id", material = "material" }}\n{codes}\n'
        '[[fittings]]\nlayer = "fittings"\nkind = "valve"\ncolumns = { asset_id = "asset_id" }\n',
        encoding="utf-8",
    )
    return toml


def test_a_table_in_a_file_of_its_own(coded: Path) -> None:
    (coded.parent / "codes.csv").write_text("NR,STOFF\n1,Stahl\n2,Beton\n,leer\n9,\n", encoding="utf-8")
    codes = 'codes = { material = { source = "codes.csv", code = "NR", text = "STOFF" } }'
    layers = read_network_layers(mapping(coded, codes))
    assert layers.mains["material"].tolist() == ["steel", "concrete", None]
    both = f'{codes}\nmaterials = {{ "2" = "pe", "9" = "lead" }}'
    assert read_network_layers(mapping(coded, both)).mains["material"].tolist() == ["steel", "pe", "lead"]


@pytest.mark.parametrize(
    ("codes", "message"),
    [
        ('{ layer = "lut", code = "cod", text = "name" }', "code table lut: no column 'cod'; name one of its "
         "columns: code, name (similar: code)"),
        ('{ layer = "lot", code = "code", text = "name" }', "no layer 'lot'; name one of its layers"),
        ('{ layer = "lut", text = "name" }', "codes, material: no code; give code: the column"),
        ('{ layer = "lut", code = "code" }', "material: no text; give text: the column with what they mean"),
        ('{ layer = "lut", code = "code", text = "name", x = 1 }', "key 'x' is not known; use layer, source"),
        ('{ layer = "twice", code = "code", text = "name" }', "code table twice: code 1 has 2 meanings: "
         "Stahl, PVC; keep one of them"),
    ],
)  # fmt: skip
def test_what_a_user_sees(coded: Path, codes: str, message: str) -> None:
    table(coded, "lut", code=[1], name=["Stahl"])
    table(coded, "twice", code=[1, 1, 1], name=["Stahl", "PVC", "Stahl"])
    with pytest.raises(LayerError) as caught:
        read_network_layers(mapping(coded, f"codes = {{ material = {codes} }}"))
    assert message in str(caught.value)
