"""Columns of a utility's own layer to the canonical ones, and a sentence for all that was not understood."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from netcorr.errors import LayerError
from netcorr.layers.distinct import Distinct, texts
from netcorr.layers.fill_missing import BLANK_COLUMNS
from netcorr.layers.mapping import UNKNOWN, FittingsMapping, MainsMapping, unit_factor
from netcorr.layers.names import is_blank, listed
from netcorr.layers.read_values import Codes, diameter_mm, kind_key, material_key, number_or_text, state
from netcorr.layers.sizes import UNIT_WORDS, diameter_unit_from_values, implausible_diameters
from netcorr.layers.vocabulary import MATERIALS, ambiguous_material

#: Years that a main can have been laid in: from, and below.
_YEARS = (1800, 2100)
#: Material texts that get a sentence each.
_MOST_NOTES = 10
_MAINS_ORDER = (
    *("material", "material_text", "diameter_mm", "wall_mm", "year", "wave_speed_m_s", "length_m"),
    "in_service",
)


def mains_attributes(
    frame: gpd.GeoDataFrame, mapping: MainsMapping, item: str, notes: list[str], *, codes: Codes | None = None
) -> gpd.GeoDataFrame:
    """Canonical columns of the mains.

    Parameters
    ----------
    frame : geopandas.GeoDataFrame
        As read, its columns named by role.
    mapping : MainsMapping
        Which column holds what.
    item : str
        What it is, for notes.
    notes : list of str
        Gets a sentence for each thing missing, not understood or judged.
    codes : mapping of str to mapping of str to str, optional
        What code tables say: role, to code, to text.

    Returns
    -------
    geopandas.GeoDataFrame
        `MAINS_COLUMNS`, geometry and `BLANK_COLUMNS`.

    Raises
    ------
    LayerError
        If the unit of the diameters cannot be told or cannot be true.
    """
    out = frame[["asset_id", "geometry"]]
    material = _distinct(frame, "material", codes, item, notes)
    keys = material.read(lambda code, text: material_key(code, text, mapping.materials))
    out["material"] = _objects(material.spread(keys), out)
    out["material_text"] = _objects(material.spread(material.meant), out)
    blank = [is_blank(text) for text in material.meant]
    blank = [b or mapping.materials.get(c) == UNKNOWN for b, c in zip(blank, material.written, strict=True)]
    out[BLANK_COLUMNS["material"]] = material.spread(blank, dtype=bool, blank=True)
    _note_materials(material, keys, blank, item, notes=notes)
    diameter = _distinct(frame, "diameter", codes, item, notes)
    out["diameter_mm"] = _diameters_mm(diameter, mapping, item, notes)
    out[BLANK_COLUMNS["diameter"]] = diameter.says_nothing
    out["wall_mm"] = _numbers(frame, mapping, "wall", item, notes)
    out["year"] = _years(frame, mapping.columns.get("year"), item, notes)
    out[BLANK_COLUMNS["year"]] = out["year"].isna()
    out["wave_speed_m_s"] = _numbers(frame, mapping, "wave_speed", item, notes)
    out["length_m"] = _numbers(frame, mapping, "length", item, notes)
    out["in_service"] = _in_service(_distinct(frame, "status", codes, item, notes), mapping, item, notes)
    return out[["asset_id", *_MAINS_ORDER, "geometry", *BLANK_COLUMNS.values()]]


def fittings_attributes(
    frame: gpd.GeoDataFrame,
    mapping: FittingsMapping,
    item: str,
    notes: list[str],
    *,
    codes: Codes | None = None,
) -> gpd.GeoDataFrame:
    """Canonical columns of one layer of fittings.

    Parameters
    ----------
    frame : geopandas.GeoDataFrame
        As read, its columns named by role.
    mapping : FittingsMapping
        Which column holds what.
    item : str
        What it is, for notes.
    notes : list of str
        Gets a sentence for each thing missing or not understood.
    codes : mapping of str to mapping of str to str, optional
        What code tables say: role, to code, to text.

    Returns
    -------
    geopandas.GeoDataFrame
        `FITTINGS_COLUMNS` and geometry.
    """
    out = frame[["asset_id", "geometry"]]
    if mapping.kind is not None:
        out["kind"] = _objects(np.full(len(frame), mapping.kind, dtype=object), out)
    else:
        kind = _distinct(frame, "kind", codes, item, notes)
        kinds = kind.read(lambda code, text: kind_key(code, text, mapping.kinds))
        out["kind"] = _objects(kind.spread([key or "other" for key in kinds], blank="other"), out)
        unclear = [key is None and text != "other" for key, text in zip(kinds, kind.meant, strict=True)]
        _note_unclear(kind, unclear, f"{item}: kind not understood, taken as of kind 'other'", notes=notes)
    column = mapping.columns.get("status")
    status = _distinct(frame, "status", codes, item, notes)
    states = status.read(
        lambda code, text: state(code, text, mapping.status, of="fittings", column=column or "")
    )
    valve = (out["kind"] == "valve").to_numpy(dtype=bool)
    out["is_open"] = ~(valve & status.spread([known is False for known in states], dtype=bool, blank=False))
    if column is None and valve.any():
        notes.append(f"{item}: no column says which valves are closed; all {valve.sum()} are taken as open")
    elif column is not None:
        unclear = [known is None for known in states]
        said = f"{item}: status of valves not understood, taken as open"
        _note_unclear(status, unclear, said, of=valve, notes=notes)
    return out[["asset_id", "kind", "is_open", "geometry"]]


def _distinct(frame: pd.DataFrame, role: str, codes: Codes | None, item: str, notes: list[str]) -> Distinct:
    """Values of a role's column, with its code table applied."""
    if role not in frame:
        return Distinct.nothing(len(frame))
    table = (codes or {}).get(role)
    found = Distinct.of(frame[role], table)
    if table is not None and found.written and not set(found.written) & set(table):
        notes.append(
            f"{item}: none of the values for the {role} is in its code table; they are read as they are"
        )
    return found


def _objects(values: Any, out: pd.DataFrame) -> pd.Series:
    """Column in which None stays None."""
    return pd.Series(values, index=out.index, dtype=object)


def _note_materials(
    material: Distinct, keys: Sequence[str | None], blank: Sequence[bool], item: str, *, notes: list[str]
) -> None:
    n = len(material.number)
    missing = int(material.spread(blank, dtype=bool, blank=True).sum())
    if missing:
        notes.append(f"{item}: {missing} of {n} without a material")
    unread = [key is None and not b for key, b in zip(keys, blank, strict=True)]
    odd = material.counts(material.spread(unread, dtype=bool, blank=False))
    for text, count in odd[:_MOST_NOTES]:
        candidates = " or ".join(MATERIALS[key] for key in ambiguous_material(text))
        why = f"may be {candidates}" if candidates else "is not understood"
        notes.append(
            f"{item}: material {text!r} of {count} {why}; say what it is in a mapping file: "
            f'[mains] materials = {{ "{text}" = "..." }}'
        )
    if len(odd) > _MOST_NOTES:
        rest = sum(count for _, count in odd[_MOST_NOTES:])
        notes.append(f"{item}: {len(odd) - _MOST_NOTES} more material texts of {rest} are not understood")


def _diameters_mm(diameter: Distinct, mapping: MainsMapping, item: str, notes: list[str]) -> Any:
    column = mapping.columns.get("diameter")
    if column is None:
        notes.append(f"{item}: no column for the diameter")
        return np.full(len(diameter.number), np.nan)
    unit = mapping.units.get("diameter")
    if unit is None:
        unit, reason = diameter_unit_from_values(number_or_text(text) for text in diameter.meant)
        if unit is None:
            raise LayerError(
                f"{item}, column {column}",
                found=f"unit not known: {reason}",
                remedy="name the column diameter_mm or diameter_in, or set it in a mapping file: "
                '[mains] units = { diameter = "mm" }',
            )
        notes.append(f"{item}: diameters in {column!r} are read in {UNIT_WORDS[unit]}: {reason}")
    read = np.array([diameter_mm(text, unit) for text in diameter.meant], dtype=float)
    diameters_mm = diameter.spread(read, dtype=float, blank=np.nan)
    wrong = implausible_diameters(diameters_mm)
    if wrong is not None:
        raise LayerError(
            f"{item}, column {column}",
            found=f"{wrong}, which mains do not have",
            remedy='state the true unit: [mains] units = { diameter = "in" }, or a column diameter_in',
        )
    unknown = int(np.isnan(diameters_mm).sum())
    if unknown:
        said = zip(diameter.meant, np.isnan(read).tolist(), strict=True)
        odd = [text for text, not_read in said if not_read and not is_blank(text)]
        told = f"; not understood: {listed(sorted(odd), most=5)}" if odd else ""
        notes.append(f"{item}: {unknown} of {len(diameters_mm)} without a known diameter{told}")
    return diameters_mm


def _numbers(frame: pd.DataFrame, mapping: MainsMapping, role: str, item: str, notes: list[str]) -> Any:
    column = mapping.columns.get(role)
    if column is None:
        return np.full(len(frame), np.nan)
    raw = frame[role]
    if not pd.api.types.is_numeric_dtype(raw):
        raw = raw.astype(str).str.strip().str.replace(",", ".", regex=False)
    numbers = np.array(pd.to_numeric(raw, errors="coerce"), dtype=float)
    numbers[~(np.isfinite(numbers) & (numbers > 0))] = np.nan
    odd = {str(value) for value in frame[role][np.isnan(numbers)].unique() if not is_blank(value)}
    if odd:
        notes.append(f"{item}: in {column!r} these are no positive numbers: {listed(sorted(odd), most=5)}")
    return numbers * unit_factor(role, mapping)


def _years(frame: pd.DataFrame, column: str | None, item: str, notes: list[str]) -> Any:
    if column is None:
        return np.full(len(frame), np.nan)
    raw = frame["year"]
    if pd.api.types.is_datetime64_any_dtype(raw):
        return raw.dt.year.to_numpy(dtype=float)
    if pd.api.types.is_numeric_dtype(raw):
        years = raw.to_numpy(dtype=float, na_value=np.nan)
        years = np.where((years >= _YEARS[0]) & (years < _YEARS[1]), np.floor(years), np.nan)
    else:
        written = pd.Series(texts(raw), index=raw.index, dtype=object).astype("string")
        found = written.str.extract(r"(?<!\d)((?:18|19|20)\d\d)(?!\d)", expand=False)
        years = pd.to_numeric(found, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    odd = {str(value) for value in raw[np.isnan(years)].unique() if not is_blank(value)}
    if odd:
        notes.append(f"{item}: in {column!r} these are no years: {listed(sorted(odd), most=5)}")
    return years


def _in_service(status: Distinct, mapping: MainsMapping, item: str, notes: list[str]) -> Any:
    column = mapping.columns.get("status")
    states = status.read(
        lambda code, text: state(code, text, mapping.status, of="mains", column=column or "")
    )
    if column is None:
        notes.append(f"{item}: no column says what is in service; all are taken as in service")
    else:
        unclear = [known is None for known in states]
        _note_unclear(status, unclear, f"{item}: status not understood, taken as in service", notes=notes)
    return status.spread([known is not False for known in states], dtype=bool, blank=True)


def _note_unclear(
    values: Distinct, unclear: Sequence[bool], said: str, *, notes: list[str], of: Any = True
) -> None:
    """Count the features, of those in `of`, whose value is blank or among the `unclear` ones."""
    counts = values.counts(values.spread(unclear, dtype=bool, blank=True) & of)
    if counts:
        parts = [f"{text!r} ({count})" if text else f"blank ({count})" for text, count in counts]
        notes.append(f"{said}: {listed(parts)}")
