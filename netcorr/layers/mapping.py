"""The mapping: which layer and column of a utility's own files holds what, in which unit and code."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from netcorr.layers.conditions import KINDS
from netcorr.layers.missing_rules import MissingRules, read_missing
from netcorr.layers.names import listed, similar
from netcorr.layers.sizes import LENGTH_UNITS_MM
from netcorr.layers.toml_table import TomlTable
from netcorr.layers.vocabulary import MATERIALS
from netcorr.units import FOOT_M

#: What a column of mains can be taken for.
MAINS_ROLES = ("asset_id", "material", "diameter", "wall", "year", "wave_speed", "length", "status")
#: What a column of fittings can be taken for.
FITTINGS_ROLES = ("asset_id", "kind", "status")

#: Units of the numeric columns, as factors to mm (diameter, wall), m (length) and m/s (wave_speed).
UNITS: dict[str, dict[str, float]] = {
    "diameter": LENGTH_UNITS_MM,
    "wall": LENGTH_UNITS_MM,
    "length": {"m": 1.0, "ft": FOOT_M},
    "wave_speed": {"m/s": 1.0, "ft/s": FOOT_M},
}
#: Units where the mapping names none. The unit of a diameter is then judged from its values.
DEFAULT_UNITS = {"wall": "mm", "length": "m", "wave_speed": "m/s"}

#: Plain names that hold a unit, for the same role.
ROLE_WITH_UNIT = {
    "diameter_mm": ("diameter", "mm"),
    "diameter_in": ("diameter", "in"),
    "wall_mm": ("wall", "mm"),
    "wall_in": ("wall", "in"),
    "length_m": ("length", "m"),
    "length_ft": ("length", "ft"),
}

#: What the status words of a mapping mean.
MAIN_STATES = {"in service": True, "out of service": False}
FITTING_STATES = {"open": True, "closed": False}
#: What a mapping writes for a text that says nothing of the material.
UNKNOWN = "unknown"
#: Roles whose codes a code table can explain.
MAINS_CODED = ("material", "diameter", "status")
FITTINGS_CODED = ("kind", "status")


@dataclass(frozen=True)
class CodeTable:
    """A table that explains the codes of a column.

    Attributes
    ----------
    layer : str or None
        Name of the table or layer; None for the only one of `source`.
    code, text : str
        Its columns: the code as it stands in the column, and what it means.
    source : pathlib.Path or None
        File of the table, when it is not the source as a whole.
    """

    layer: str | None
    code: str
    text: str
    source: Path | None = None


@dataclass(frozen=True)
class MainsMapping:
    """Where the mains are, and how their columns are to be read.

    Attributes
    ----------
    layer : str or None
        Name of the layer; None for the only layer of `source`.
    columns : mapping of str to str
        Role (`MAINS_ROLES`) to column name.
    units : mapping of str to str
        Role to unit (`UNITS`).
    materials : mapping of str to str
        Text of the material column to key of `MATERIALS`, or to `UNKNOWN` where it says nothing.
    status : mapping of str to bool
        Text of the status column to whether the main is in service.
    codes : mapping of str to CodeTable
        Role (`MAINS_CODED`) to the table that explains its codes.
    source : pathlib.Path or None
        File of this layer, when it is not the source as a whole.
    crs : str or None
        CRS in which the layer was drawn, in place of what the file says.
    """

    layer: str | None
    columns: Mapping[str, str]
    units: Mapping[str, str] = field(default_factory=dict)
    materials: Mapping[str, str] = field(default_factory=dict)
    status: Mapping[str, bool] = field(default_factory=dict)
    codes: Mapping[str, CodeTable] = field(default_factory=dict)
    source: Path | None = None
    crs: str | None = None


@dataclass(frozen=True)
class FittingsMapping:
    """Where one layer of fittings is, and how its columns are to be read.

    Attributes
    ----------
    layer : str or None
        Name of the layer; None for the only layer of `source`.
    columns : mapping of str to str
        Role (`FITTINGS_ROLES`) to column name.
    kind : str or None
        Kind of every fitting in the layer (`KINDS`); None when a column tells.
    kinds : mapping of str to str
        Text of the kind column to one of `KINDS`.
    status : mapping of str to bool
        Text of the status column to whether the valve is open.
    codes : mapping of str to CodeTable
        Role (`FITTINGS_CODED`) to the table that explains its codes.
    id_prefix : str
        Put before every id, for layers that count from 1 each.
    source : pathlib.Path or None
        File of this layer, when it is not the source as a whole.
    crs : str or None
        CRS in which the layer was drawn, in place of what the file says.
    """

    layer: str | None
    columns: Mapping[str, str]
    kind: str | None = None
    kinds: Mapping[str, str] = field(default_factory=dict)
    status: Mapping[str, bool] = field(default_factory=dict)
    codes: Mapping[str, CodeTable] = field(default_factory=dict)
    id_prefix: str = ""
    source: Path | None = None
    crs: str | None = None


@dataclass(frozen=True)
class LayerMapping:
    """How to read a network from a utility's own layers.

    Attributes
    ----------
    mains : MainsMapping
        The line layer.
    fittings : tuple of FittingsMapping
        The layers of fittings: points, or short lines for valves.
    source : pathlib.Path or None
        Dataset or folder that holds the layers that name no file of their own.
    crs : str or None
        CRS in which all layers were drawn, in place of what the files say.
    reasons : tuple of str
        Why each layer and column was chosen, one sentence each, when the mapping was inferred.
    missing : MissingRules
        What to do where an attribute of a main is missing.
    """

    mains: MainsMapping
    fittings: tuple[FittingsMapping, ...]
    source: Path | None = None
    crs: str | None = None
    reasons: tuple[str, ...] = ()
    missing: MissingRules = field(default_factory=MissingRules)


def read_mapping(path: str | Path) -> LayerMapping:
    r"""Read a mapping from a TOML file.

    Parameters
    ----------
    path : str or pathlib.Path
        The file. Names of files in it are relative to its folder.

    Returns
    -------
    LayerMapping
        The mapping; whether its layers and columns exist is checked when they are read.

    Raises
    ------
    LayerError
        If the file is missing, is not TOML, or holds a key, role, unit, material or state that is not
        known; the message names near matches.

    Notes
    -----
    ::

        source = "network.gpkg"      # optional: file or folder
        crs = "EPSG:25831"           # optional: only where the files lack the true one

        [mains]
        layer = "water_pipe"
        columns = { asset_id = "PIPE_ID", material = "MAT", diameter = "DIAM", status = "STATE" }
        units = { diameter = "in" }
        materials = { AC = "asbestos_cement" }
        status = { L = "in service", X = "out of service" }
        codes = { diameter = { layer = "sizes", code = "CODE", text = "MEANING" } }

        [missing]                    # optional: without it nothing is filled in
        material = ["neighbours", { until_year = { 1950 = "grey_iron", 2100 = "pvc" } }]
        diameter = { assume = 100, from = 80, to = 150 }
        year = "refuse"

        [[fittings]]
        layer = "valve"
        kind = "valve"
        columns = { asset_id = "VALVE_ID", status = "POSITION" }
        status = { "0" = "open", "1" = "closed" }

    Examples
    --------
    >>> import pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     toml = pathlib.Path(folder, "map.toml")
    ...     _ = toml.write_text('[mains]\nlayer = "p"\ncolumns = { asset_id = "ID", diameter_in = "D" }\n')
    ...     mapping = read_mapping(toml)
    >>> mapping.mains.columns["diameter"], mapping.mains.units["diameter"]
    ('D', 'in')
    """
    file = Path(path)
    table = TomlTable.of_file(file)
    table.allow("source", "crs", "mains", "fittings", "missing")
    fittings = table.value.get("fittings", [])
    if not isinstance(fittings, list):
        raise table.error("fittings is not a list of tables", "write [[fittings]] once for each point layer")
    return LayerMapping(
        mains=_mains(table.sub("mains"), file.parent),
        fittings=tuple(
            _fittings(TomlTable(part, f"{table.item}, [[fittings]] number {number}"), file.parent)
            for number, part in enumerate(fittings, start=1)
        ),
        source=table.path("source", file.parent),
        crs=table.text("crs"),
        missing=read_missing(table.part("missing", name="[missing]")),
    )


def unit_factor(role: str, mapping: MainsMapping) -> float:
    """Factor from the unit of a numeric column to SI (diameter and wall: mm).

    Parameters
    ----------
    role : str
        One of `UNITS`.
    mapping : MainsMapping
        The mapping that may name the unit.

    Returns
    -------
    float
        Factor.

    Examples
    --------
    >>> unit_factor("wall", MainsMapping(None, {}, units={"wall": "in"}))
    25.4
    """
    return UNITS[role][mapping.units.get(role, DEFAULT_UNITS.get(role, "mm"))]


def _mains(table: TomlTable, folder: Path) -> MainsMapping:
    table.allow("layer", "source", "crs", "columns", "units", "materials", "status", "codes")
    columns, units = _columns(table, MAINS_ROLES)
    units |= table.choices("units", {role: tuple(known) for role, known in UNITS.items()})
    return MainsMapping(
        layer=table.text("layer"),
        columns=columns,
        units=units,
        materials=table.codes("materials", {key: key for key in (*MATERIALS, UNKNOWN)}),
        status=table.codes("status", MAIN_STATES),
        codes=_code_tables(table, MAINS_CODED, folder),
        source=table.path("source", folder),
        crs=table.text("crs"),
    )


def _fittings(table: TomlTable, folder: Path) -> FittingsMapping:
    table.allow("layer", "source", "crs", "columns", "kind", "kinds", "status", "codes", "id_prefix")
    kind = table.text("kind")
    if kind is not None and kind not in KINDS:
        raise table.error(f"kind {kind!r} is not known{similar(kind, KINDS)}", f"use one of {listed(KINDS)}")
    return FittingsMapping(
        layer=table.text("layer"),
        columns=_columns(table, FITTINGS_ROLES)[0],
        kind=kind,
        kinds=table.codes("kinds", {key: key for key in KINDS}),
        status=table.codes("status", FITTING_STATES),
        codes=_code_tables(table, FITTINGS_CODED, folder),
        id_prefix=table.text("id_prefix") or "",
        source=table.path("source", folder),
        crs=table.text("crs"),
    )


def _columns(table: TomlTable, roles: tuple[str, ...]) -> tuple[dict[str, str], dict[str, str]]:
    """Role to column, and the units that the keys named."""
    part = table.part("columns")
    plain = [key for key, (role, _) in ROLE_WITH_UNIT.items() if role in roles]
    part.allow(*roles, *plain)
    columns: dict[str, str] = {}
    units: dict[str, str] = {}
    for key in part.value:
        role, unit = ROLE_WITH_UNIT.get(key, (key, None))
        if role in columns:
            raise part.error(f"{role} is given twice", "keep one of the two")
        columns[role] = part.text(key) or ""
        if unit is not None:
            units[role] = unit
    if "asset_id" not in columns:
        raise part.error("no asset_id", "name the column that holds the id of each feature")
    return columns, units


def _code_tables(table: TomlTable, roles: tuple[str, ...], folder: Path) -> dict[str, CodeTable]:
    part = table.part("codes")
    part.allow(*roles)
    found: dict[str, CodeTable] = {}
    for role in part.value:
        one = part.part(role)
        one.allow("layer", "source", "code", "text")
        code = one.needed("code", "the column with the codes")
        text = one.needed("text", "the column with what they mean")
        found[role] = CodeTable(one.text("layer"), code, text, one.path("source", folder))
    return found
