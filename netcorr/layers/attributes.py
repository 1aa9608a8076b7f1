"""Columns of a utility's own layer to the canonical ones, and a sentence for all that was not understood."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from netcorr.errors import LayerError
from netcorr.layers.conditions import in_service_from_text, is_open_from_text, kind_from_text, yes_means
from netcorr.layers.mapping import FittingsMapping, MainsMapping, unit_factor
from netcorr.layers.names import is_blank, listed
from netcorr.layers.sizes import (
    UNIT_WORDS,
    diameter_mm_from_text,
    diameter_unit_from_values,
    implausible_diameters,
)
from netcorr.layers.vocabulary import MATERIALS, ambiguous_material, material_from_text

#: Years that a main can have been laid in: from, and below.
_YEARS = (1800, 2100)
#: Material texts that get a sentence each.
_MOST_NOTES = 10


def texts(values: pd.Series) -> list[str | None]:
    """Values of a column as text, None where nothing is written.

    Parameters
    ----------
    values : pandas.Series, shape (n,)
        A column as read.

    Returns
    -------
    list of str or None
        Whole numbers without a decimal point, text without blanks at its ends.

    Examples
    --------
    >>> texts(pd.Series([1.0, 2.5, None])), texts(pd.Series([" a ", "", None]))
    (['1', '2.5', None], ['a', None, None])
    """
    known = values.notna().to_numpy()
    plain = values.tolist()
    written: list[str | None] = []
    for value, is_known in zip(plain, known, strict=True):
        whole = isinstance(value, float) and is_known and value.is_integer()
        text = str(int(value)) if whole else str(value).strip()
        written.append(text if is_known and text else None)
    return written


def asset_ids(values: pd.Series, column: str, item: str) -> list[str]:
    """Ids of a layer: each there, and none twice.

    Parameters
    ----------
    values : pandas.Series, shape (n,)
        Ids as read; the index numbers the features as the file does.
    column : str
        Name of the column with the ids.
    item : str
        What it is, for the message.

    Returns
    -------
    list of str
        Ids.

    Raises
    ------
    LayerError
        If an id is missing or there twice; names the first few ids and features.
    """
    ids = texts(values)
    missing = [int(fid) for fid, asset in zip(values.index, ids, strict=True) if asset is None]
    if missing:
        raise LayerError(
            item,
            found=f"{len(missing)} features without an id in {column!r}: number {listed(missing, most=5)}",
            remedy="give every feature an id of its own",
        )
    found = [asset for asset in ids if asset is not None]
    refuse_duplicates(found, values.index.tolist(), item)
    return found


def refuse_duplicates(ids: list[str], rows: list[Any], item: str) -> None:
    """Refuse ids that are there twice.

    Parameters
    ----------
    ids : list of str
        Ids.
    rows : list
        What to call each one's feature.
    item : str
        What it is, for the message.

    Raises
    ------
    LayerError
        If an id is there twice; names the first few ids and features.
    """
    counts = Counter(ids)
    if len(counts) == len(ids):
        return
    twice = [asset for asset, count in counts.items() if count > 1]
    where = [
        f"{asset} (features {listed((r for a, r in zip(ids, rows, strict=True) if a == asset), most=4)})"
        for asset in twice[:3]
    ]
    raise LayerError(
        item,
        found=f"{len(twice)} {'id is' if len(twice) == 1 else 'ids are'} used more than once: "
        f"{listed(where, most=3)}{' ...' if len(twice) > 3 else ''}",
        remedy="give every feature an id of its own, or name another id column in a mapping file",
    )


def mains_attributes(
    frame: gpd.GeoDataFrame, mapping: MainsMapping, item: str, notes: list[str]
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

    Returns
    -------
    geopandas.GeoDataFrame
        `MAINS_COLUMNS` and geometry.

    Raises
    ------
    LayerError
        If the unit of the diameters cannot be told or cannot be true.
    """
    out = frame[["asset_id", "geometry"]]
    written = _texts_of(frame, "material")
    keys = _mapped(written, lambda text: mapping.materials.get(text) or material_from_text(text))
    out["material"] = pd.Series(keys, index=out.index, dtype=object)
    out["material_text"] = pd.Series(written, index=out.index, dtype=object)
    _note_materials(written, keys, item, notes)
    out["diameter_mm"] = _diameters_mm(frame, mapping, item, notes)
    out["wall_mm"] = _numbers(frame, mapping, "wall", item, notes)
    out["year"] = _years(frame, mapping.columns.get("year"), item, notes)
    out["wave_speed_m_s"] = _numbers(frame, mapping, "wave_speed", item, notes)
    out["length_m"] = _numbers(frame, mapping, "length", item, notes)
    column = mapping.columns.get("status")
    states = _states(frame, column, mapping.status, in_service_from_text)
    out["in_service"] = np.array([state is not False for _, state in states], dtype=bool)
    if column is None:
        notes.append(f"{item}: no column says what is in service; all are taken as in service")
    else:
        _note_unclear(_unclear(states), item, "status", "in service", notes=notes)
    return out[["asset_id", *_MAINS_ORDER, "geometry"]]


_MAINS_ORDER = (
    *("material", "material_text", "diameter_mm", "wall_mm", "year", "wave_speed_m_s", "length_m"),
    "in_service",
)


def fittings_attributes(
    frame: gpd.GeoDataFrame, mapping: FittingsMapping, item: str, notes: list[str]
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

    Returns
    -------
    geopandas.GeoDataFrame
        `FITTINGS_COLUMNS` and geometry.
    """
    out = frame[["asset_id", "geometry"]]
    if mapping.kind is not None:
        kinds: list[str | None] = [mapping.kind] * len(frame)
    else:
        written = _texts_of(frame, "kind")
        kinds = _mapped(written, lambda text: mapping.kinds.get(text) or kind_from_text(text))
        unclear = Counter(
            text or "" for text, kind in zip(written, kinds, strict=True) if kind is None and text != "other"
        )
        _note_unclear(unclear, item, "kind", "of kind 'other'", notes=notes)
    out["kind"] = pd.Series([kind or "other" for kind in kinds], index=out.index, dtype=object)
    column = mapping.columns.get("status")
    states = _states(frame, column, mapping.status, is_open_from_text)
    valve = (out["kind"] == "valve").to_numpy()
    out["is_open"] = ~(valve & np.array([state is False for _, state in states], dtype=bool))
    if column is None and valve.any():
        notes.append(f"{item}: no column says which valves are closed; all {valve.sum()} are taken as open")
    elif column is not None:
        of_valves = [state for state, is_valve in zip(states, valve, strict=True) if is_valve]
        _note_unclear(_unclear(of_valves), item, "status of valves", "open", notes=notes)
    return out[["asset_id", "kind", "is_open", "geometry"]]


def _texts_of(frame: pd.DataFrame, role: str) -> list[str | None]:
    return texts(frame[role]) if role in frame else [None] * len(frame)


def _mapped(written: list[str | None], read: Callable[[str], str | None]) -> list[str | None]:
    """Read each distinct text once."""
    known = {text: read(text) for text in set(written) if text is not None}
    return [known.get(text) if text is not None else None for text in written]


def _note_materials(written: list[str | None], keys: list[str | None], item: str, notes: list[str]) -> None:
    unread = Counter(text for text, key in zip(written, keys, strict=True) if key is None)
    missing = sum(count for text, count in unread.items() if text is None or is_blank(text))
    if missing:
        notes.append(f"{item}: {missing} of {len(written)} without a material")
    odd = [(t, n) for t, n in unread.most_common() if t is not None and not is_blank(t)]
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


def _diameters_mm(frame: pd.DataFrame, mapping: MainsMapping, item: str, notes: list[str]) -> Any:
    column = mapping.columns.get("diameter")
    if column is None:
        notes.append(f"{item}: no column for the diameter")
        return np.full(len(frame), np.nan)
    values = frame["diameter"].tolist()
    distinct = set(frame["diameter"].dropna().tolist())
    unit = mapping.units.get("diameter")
    if unit is None:
        unit, reason = diameter_unit_from_values(distinct)
        if unit is None:
            raise LayerError(
                f"{item}, column {column}",
                found=f"unit not known: {reason}",
                remedy="name the column diameter_mm or diameter_in, or set it in a mapping file: "
                '[mains] units = { diameter = "mm" }',
            )
        notes.append(f"{item}: diameters in {column!r} are read in {UNIT_WORDS[unit]}: {reason}")
    read = {value: diameter_mm_from_text(value, unit) for value in distinct}
    diameters_mm = np.array([read.get(value, np.nan) for value in values], dtype=float)
    wrong = implausible_diameters(diameters_mm.tolist())
    if wrong is not None:
        raise LayerError(
            f"{item}, column {column}",
            found=f"{wrong}, which mains do not have",
            remedy='state the true unit: [mains] units = { diameter = "in" }, or a column diameter_in',
        )
    _note_diameters(values, diameters_mm, item, notes)
    return diameters_mm


def _note_diameters(values: list[Any], diameters_mm: Any, item: str, notes: list[str]) -> None:
    unknown = np.isnan(diameters_mm)
    if unknown.any():
        odd = {str(v) for v, gone in zip(values, unknown, strict=True) if gone and not is_blank(v)}
        told = f"; not understood: {listed(sorted(odd), most=5)}" if odd else ""
        notes.append(f"{item}: {unknown.sum()} of {len(values)} without a known diameter{told}")


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


def _states(
    frame: pd.DataFrame,
    column: str | None,
    codes: Mapping[str, bool],
    read: Callable[..., bool | None],
) -> list[tuple[str, bool | None]]:
    """Text and state of each feature; None where the state is not known."""
    written = _texts_of(frame, "status")
    meaning = yes_means(column or "")
    known = {
        text: codes[text] if text in codes else read(text, yes_means=meaning)
        for text in set(written)
        if text is not None
    }
    return [(text or "", known.get(text) if text is not None else None) for text in written]


def _unclear(states: list[tuple[str, bool | None]]) -> Counter[str]:
    return Counter(text for text, state in states if state is None)


def _note_unclear(unclear: Counter[str], item: str, what: str, taken: str, *, notes: list[str]) -> None:
    if unclear:
        parts = [
            f"{text!r} ({count})" if text else f"blank ({count})" for text, count in unclear.most_common()
        ]
        notes.append(f"{item}: {what} not understood, taken as {taken}: {listed(parts)}")
