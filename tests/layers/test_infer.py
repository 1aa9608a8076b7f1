"""Mappings from names alone: plain names, aliases, cut names, and refusing to guess."""

from __future__ import annotations

from pathlib import Path

import pytest

from netcorr.errors import LayerError
from netcorr.layers.infer import column_roles, infer_mapping
from netcorr.layers.source_summary import ColumnSummary, GeometryFamily, LayerSummary, SourceSummary


def layer(name: str, geometry: GeometryFamily, *columns: str) -> LayerSummary:
    return LayerSummary(
        name=name,
        path=Path("town.gpkg"),
        layer=name,
        geometry=geometry,
        has_z=False,
        count=1,
        crs=None,
        bounds=None,
        columns=tuple(ColumnSummary(column, "text") for column in columns),
    )


def source(*layers: LayerSummary) -> SourceSummary:
    return SourceSummary("town.gpkg", layers)


MAINS = layer("mains", "line", "asset_id", "material", "diameter_mm")
FITTINGS = layer("fittings", "point", "asset_id", "kind")


def test_plain_names() -> None:
    mapping = infer_mapping(source(FITTINGS, MAINS))
    assert mapping.mains.layer == "mains"
    assert dict(mapping.mains.columns) == {
        **{"asset_id": "asset_id", "material": "material"},
        "diameter": "diameter_mm",
    }
    assert dict(mapping.mains.units) == {"diameter": "mm"}
    (fittings,) = mapping.fittings
    assert (fittings.layer, fittings.kind, dict(fittings.columns)) == (
        *("fittings", None),
        {"asset_id": "asset_id", "kind": "kind"},
    )


@pytest.mark.parametrize(
    ("column", "role", "unit"),
    [
        ("PIPE_ID", "asset_id", None),
        ("PipeMaterial", "material", None),
        ("MAT", "material", None),
        ("Werkstoff", "material", None),
        ("matériau", "material", None),
        ("DN", "diameter", "mm"),
        ("diameter_in", "diameter", "in"),
        ("diameter_i", "diameter", "in"),  # cut by a Shapefile
        ("diameter_m", "diameter", None),  # cut, or metres: its values must tell
        ("Nennweite", "diameter", "mm"),
        ("NOMINAL_DI", "diameter", None),
        ("diametro", "diameter", None),
        ("wall_mm", "wall", "mm"),
        ("WALL_THICK", "wall", None),
        ("wave_speed", "wave_speed", None),
        ("length_m", "length", "m"),
        ("length_ft", "length", "ft"),
        ("InstallDate", "year", None),
        ("Baujahr", "year", None),
        ("LIFECYCLES", "status", None),
        ("estado", "status", None),
    ],
)
def test_aliases(column: str, role: str, unit: str | None) -> None:
    columns = ("asset_id", column) if role != "asset_id" else (column,)
    mapping = infer_mapping(source(layer("mains", "line", *columns), FITTINGS))
    assert mapping.mains.columns[role] == column
    assert mapping.mains.units.get(role) == unit
    assert not (unit is None and role in mapping.mains.units)


@pytest.mark.parametrize("column", ["Shape_Length", "length", "SHAPE_LEN", "comment"])
def test_drawn_lengths_are_not_taken_for_measured_ones(column: str) -> None:
    assert column_roles(layer("mains", "line", "asset_id", column)) == {"asset_id": "asset_id"}


def test_plain_name_before_alias() -> None:
    roles = column_roles(layer("mains", "line", "OBJECTID", "mat", "id", "asset_id", "material"))
    assert roles == {"asset_id": "asset_id", "material": "material"}


def test_one_column_has_one_role() -> None:
    roles = column_roles(layer("valves", "point", "code", "type", "position"))
    assert roles == {"asset_id": "code", "kind": "type", "status": "position"}


def test_layers_named_after_their_kind() -> None:
    mapping = infer_mapping(
        source(
            layer("water_pipes", "line", "id", "mat"),
            layer("service_lines", "line", "id", "mat", "diam"),
            layer("Valves", "point", "id", "type", "status"),
            layer("hydrants", "point", "id"),
            layer("customers", "point", "id"),
            layer("districts", "polygon", "id"),
        )
    )
    assert mapping.mains.layer == "water_pipes"
    assert [(part.layer, part.kind) for part in mapping.fittings] == [
        ("Valves", "valve"),
        ("hydrants", "hydrant"),
    ]
    assert "kind" not in mapping.fittings[0].columns
    for sentence in (
        "layer 'water_pipes' is taken for the mains: its name and columns fit best among the line layers "
        "(the others: service_lines)",
        "column 'mat' of 'water_pipes' is taken for the material",
        "every feature of 'Valves' is taken for a valve: the layer's name says so",
        "layer 'customers' is not used",
        "layer 'districts' is not used",
    ):
        assert sentence in mapping.reasons


def test_only_point_layer_without_kinds() -> None:
    mapping = infer_mapping(source(MAINS, layer("points", "point", "id")))
    assert (mapping.fittings[0].layer, mapping.fittings[0].kind) == ("points", "other")
    assert "'points' has no column for the kind of fitting: all are of kind 'other'" in mapping.reasons


@pytest.mark.parametrize(
    ("layers", "message"),
    [
        (
            (FITTINGS,),
            "town.gpkg: no line layer, but fittings (point); give a source that holds the mains as lines",
        ),
        (
            (MAINS, layer("a", "polygon")),
            "town.gpkg: no fittings layer, but mains (line), a (polygon); give a",
        ),
        (
            (MAINS, layer("a", "point", "id"), layer("b", "point", "id")),
            "no fittings layer, but mains (line), a",
        ),
        (
            (layer("north", "line", "id"), layer("south", "line", "id"), FITTINGS),
            "2 line layers that could be the mains: north, south; name one of them mains, or say which",
        ),
        (
            (layer("mains", "line", "x", "y"), FITTINGS),
            "layer mains: no asset_id column (its columns: x, y); name",
        ),
        (
            (MAINS, layer("fittings", "point", "x")),
            "layer fittings: no asset_id column (its columns: x); name",
        ),
    ],
)
def test_what_cannot_be_told_is_asked(layers: tuple[LayerSummary, ...], message: str) -> None:
    with pytest.raises(LayerError) as caught:
        infer_mapping(source(*layers))
    assert message in str(caught.value)
