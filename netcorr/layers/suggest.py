"""Columns whose names say nothing, but whose values look like something: to be asked about, never taken."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace
from itertools import islice

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


def with_suggestions(layer: LayerSummary, roles: Collection[str]) -> LayerSummary:
    """Mark columns without a role whose values look like materials, or kinds of fittings.

    Parameters
    ----------
    layer : LayerSummary
        Layer of mains or fittings.
    roles : collection of str
        Roles that have a column already.

    Returns
    -------
    LayerSummary
        With `suggested` and a note at the first such column.
    """
    role, name, looks = _WANTED.get(layer.role or "", ("", "", _never))
    columns = [column.name for column in layer.columns if column.role is None and column.dtype == "text"]
    if not columns or not role or role in roles or not layer.count:
        return layer
    with gdal_messages(f"{layer.path.name}, layer {layer.name}"):
        records = [values for _, values in islice(stream_records(layer, columns), _PEEK)]
    for column, values in zip(columns, zip(*records, strict=True), strict=False):
        distinct = dict.fromkeys(str(value).strip() for value in values if not is_blank(value))
        understood = [text for text in distinct if len(text) <= _LONGEST and looks(text)]
        if understood and len(understood) >= _SHARE * len(distinct):
            note = (
                f"its values look like {name} ({listed(understood, most=3)}): say so in a mapping if they are"
            )
            return replace(layer, columns=tuple(_marked(one, column, role, note) for one in layer.columns))
    return layer


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
