"""Columns whose names say nothing, but whose values look like something: to be asked about, never taken."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace
from itertools import islice
from typing import Any

from netcorr.layers.conditions import kind_from_text
from netcorr.layers.names import is_blank, listed
from netcorr.layers.source_summary import ColumnSummary, LayerSummary
from netcorr.layers.sources import gdal_messages
from netcorr.layers.stream import stream_records
from netcorr.layers.vocabulary import ambiguous_material, material_from_text

#: Features that are looked at.
_PEEK = 500
#: Share of the distinct values that must be understood.
_SHARE = 0.6
#: Numbers alone look like nothing, and a text long enough may hold any word.
_LONGEST = 40


def with_suggestions(layer: LayerSummary, roles: Collection[str], *, kind: str | None = None) -> LayerSummary:
    """Mark columns without a role whose values look like ids, materials, or kinds of fittings.

    Parameters
    ----------
    layer : LayerSummary
        Layer of mains or fittings.
    roles : collection of str
        Roles that have a column already.
    kind : str, optional
        Kind that all fittings of the layer are taken for; a column is marked when it names others.

    Returns
    -------
    LayerSummary
        With `suggested` and a note at the first column for each role that has none.
    """
    free = [column for column in layer.columns if column.role is None]
    ids = [column.name for column in free if column.dtype in ("text", "integer")]
    role, name, looks = _WANTED.get(layer.role or "", ("", "", _never))
    if not ids or not role or {role, "asset_id"} <= set(roles) or not layer.count:
        return layer
    with gdal_messages(f"{layer.path.name}, layer {layer.name}"):
        records = [values for _, values in islice(stream_records(layer, ids), _PEEK)]
    seen = dict(zip(ids, zip(*records, strict=True), strict=False))
    if "asset_id" not in roles:
        layer = _first_marked(layer, {column: _as_ids(values) for column, values in seen.items()}, "asset_id")
    if role not in roles:
        texts = {column.name: seen[column.name] for column in free if column.dtype == "text"}
        notes = {column: _as_words(values, name, looks, kind) for column, values in texts.items()}
        layer = _first_marked(layer, notes, role)
    return layer


def _as_ids(values: tuple[Any, ...]) -> str:
    """Why values may be ids: each there and none twice; empty where they cannot be."""
    distinct = dict.fromkeys(str(value).strip() for value in values if not is_blank(value))
    if len(values) < 2 or len(distinct) < len(values):
        return ""
    where = f"the first {_PEEK} features" if len(values) == _PEEK else f"all {len(values)} features"
    said = listed(distinct, most=3)
    return f"its values are different in {where} ({said}): say so in a mapping if they are the ids"


def _as_words(values: tuple[Any, ...], name: str, looks: Callable[[str], bool], kind: str | None) -> str:
    """Why values may be materials or kinds; empty where too few are understood, or they say nothing new."""
    distinct = dict.fromkeys(str(value).strip() for value in values if not is_blank(value))
    understood = [text for text in distinct if len(text) <= _LONGEST and looks(text)]
    if not understood or len(understood) < _SHARE * len(distinct):
        return ""
    if kind is not None:
        understood = [text for text in understood if kind_from_text(text) != kind]
        if not understood:
            return ""
    return f"its values look like {name} ({listed(understood, most=3)}): say so in a mapping if they are"


def _first_marked(layer: LayerSummary, notes: dict[str, str], role: str) -> LayerSummary:
    column = next((name for name, note in notes.items() if note), None)
    if column is None:
        return layer
    return replace(layer, columns=tuple(_marked(one, column, role, notes[column]) for one in layer.columns))


def _marked(column: ColumnSummary, name: str, role: str, note: str) -> ColumnSummary:
    return replace(column, suggested=role, note=note) if column.name == name else column


def _is_material(text: str) -> bool:
    return material_from_text(text) is not None or bool(ambiguous_material(text))


def _is_kind(text: str) -> bool:
    return kind_from_text(text) is not None


def _never(_text: str) -> bool:
    return False


_WANTED: dict[str, tuple[str, str, Callable[[str], bool]]] = {
    "mains": ("material", "materials", _is_material),
    "fittings": ("kind", "kinds of fittings", _is_kind),
}
