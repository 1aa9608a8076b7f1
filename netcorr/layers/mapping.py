"""The mapping: which layer and column of a utility's own files holds what, in which unit and code."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from netcorr.errors import LayerError
from netcorr.layers.conditions import KINDS
from netcorr.layers.names import listed, similar
from netcorr.layers.sizes import LENGTH_UNITS_MM
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

T = TypeVar("T")


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
        Text of the material column to key of `MATERIALS`.
    status : mapping of str to bool
        Text of the status column to whether the main is in service.
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
        The point layers.
    source : pathlib.Path or None
        Dataset or folder that holds the layers that name no file of their own.
    crs : str or None
        CRS in which all layers were drawn, in place of what the files say.
    reasons : tuple of str
        Why each layer and column was chosen, one sentence each, when the mapping was inferred.
    """

    mains: MainsMapping
    fittings: tuple[FittingsMapping, ...]
    source: Path | None = None
    crs: str | None = None
    reasons: tuple[str, ...] = ()


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
    table = _Table(_parse(file), f"mapping {file.name}")
    table.allow("source", "crs", "mains", "fittings")
    fittings = table.value.get("fittings", [])
    if not isinstance(fittings, list):
        raise table.error("fittings is not a list of tables", "write [[fittings]] once for each point layer")
    return LayerMapping(
        mains=_mains(table.sub("mains"), file.parent),
        fittings=tuple(
            _fittings(_Table(part, f"{table.item}, [[fittings]] number {number}"), file.parent)
            for number, part in enumerate(fittings, start=1)
        ),
        source=table.path("source", file.parent),
        crs=table.text("crs"),
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


def _parse(file: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        there = [path.name for path in file.parent.glob("*.toml")] if file.parent.is_dir() else []
        raise LayerError(
            f"mapping {file}", found="no such file", remedy=f"check the path{similar(file.name, there)}"
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise LayerError(
            f"mapping {file}", found=f"cannot be read ({error})", remedy="give a text file in UTF-8"
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise LayerError(
            f"mapping {file.name}", found=f"not TOML: {error}", remedy="correct the line that is named"
        ) from error


def _mains(table: _Table, folder: Path) -> MainsMapping:
    table.allow("layer", "source", "crs", "columns", "units", "materials", "status")
    columns, units = table.columns(MAINS_ROLES)
    units |= table.choices("units", {role: tuple(known) for role, known in UNITS.items()})
    return MainsMapping(
        layer=table.text("layer"),
        columns=columns,
        units=units,
        materials=table.codes("materials", {key: key for key in MATERIALS}),
        status=table.codes("status", MAIN_STATES),
        source=table.path("source", folder),
        crs=table.text("crs"),
    )


def _fittings(table: _Table, folder: Path) -> FittingsMapping:
    table.allow("layer", "source", "crs", "columns", "kind", "kinds", "status", "id_prefix")
    kind = table.text("kind")
    if kind is not None and kind not in KINDS:
        raise table.error(f"kind {kind!r} is not known{similar(kind, KINDS)}", f"use one of {listed(KINDS)}")
    return FittingsMapping(
        layer=table.text("layer"),
        columns=table.columns(FITTINGS_ROLES)[0],
        kind=kind,
        kinds=table.codes("kinds", {key: key for key in KINDS}),
        status=table.codes("status", FITTING_STATES),
        id_prefix=table.text("id_prefix") or "",
        source=table.path("source", folder),
        crs=table.text("crs"),
    )


class _Table:
    """One table of the file, with its name for messages."""

    def __init__(self, value: Any, item: str) -> None:
        self.item = item
        if not isinstance(value, dict):
            raise self.error("not a table", "see the example in the documentation of read_mapping")
        self.value: dict[str, Any] = value

    def error(self, found: str, remedy: str) -> LayerError:
        return LayerError(self.item, found=found, remedy=remedy)

    def allow(self, *keys: str) -> None:
        for key in self.value:
            if key not in keys:
                raise self.error(f"key {key!r} is not known{similar(key, keys)}", f"use {listed(keys)}")

    def sub(self, key: str) -> _Table:
        if key not in self.value:
            raise self.error(f"no table [{key}]", f"add [{key}] with its layer and columns")
        return _Table(self.value[key], f"{self.item}, [{key}]")

    def text(self, key: str) -> str | None:
        value = self.value.get(key)
        if value is not None and not isinstance(value, str):
            raise self.error(f"{key} = {value!r} is not text", f"write {key} as text between quotes")
        return value

    def path(self, key: str, folder: Path) -> Path | None:
        name = self.text(key)
        return folder / name if name else None

    def columns(self, roles: tuple[str, ...]) -> tuple[dict[str, str], dict[str, str]]:
        """Return role to column, and the units that the keys named."""
        part = _Table(self.value.get("columns", {}), f"{self.item}, columns")
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

    def choices(self, key: str, allowed: Mapping[str, tuple[str, ...]]) -> dict[str, str]:
        """Return a table whose values are each one of a few words."""
        part = _Table(self.value.get(key, {}), f"{self.item}, {key}")
        part.allow(*allowed)
        for name in part.value:
            if part.text(name) not in allowed[name]:
                raise part.error(
                    f"{name} = {part.value[name]!r} is not known", f"use one of {listed(allowed[name])}"
                )
        return dict(part.value)

    def codes(self, key: str, meanings: Mapping[str, T]) -> dict[str, T]:
        """Return a table from the file's own codes to what they mean."""
        part = _Table(self.value.get(key, {}), f"{self.item}, {key}")
        meant: dict[str, T] = {}
        for code in part.value:
            word = part.text(code) or ""
            if word not in meanings:
                raise part.error(
                    f"{code} = {word!r} is not known{similar(word, meanings)}",
                    f"use one of {listed(meanings, most=20)}",
                )
            meant[code.strip()] = meanings[word]
        return meant
