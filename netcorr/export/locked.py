"""Whether somebody changed what only netcorr writes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from netcorr.errors import VerificationError
from netcorr.export.field_values import moment, number
from netcorr.export.plain_text import plain_text
from netcorr.export.result_schema import LEAK_CANDIDATES, Column
from netcorr.export.wgs84 import ON_THIS_COPY

Row = Mapping[str, Any]

#: Numbers are compared so finely; those of a table that went through a spreadsheet so coarsely.
_FINE, _COARSE = 1e-6, 0.01
_TRUE, _FALSE = {"true", "1", "t", "yes"}, {"false", "0", "f", "no"}
#: A longer text is cut in messages.
_SHOWN = 40


def locked_changes(row: Row, known: Row, *, rounded: bool = False) -> str:
    """Say which locked columns differ from the result.

    Parameters
    ----------
    row : mapping
        Cells of the file from the field; columns that it lacks are not compared.
    known : mapping
        The same candidate in the result.
    rounded : bool
        Whether numbers may have been rounded on their way.

    Returns
    -------
    str
        Each column with both values; empty when nothing was changed.
    """
    changed = [
        f"{column.name}: {_shown(row[column.name])} there, {_shown(known[column.name])} in the result"
        for column in LEAK_CANDIDATES.columns
        if not column.editable
        and column.name in row
        and not _same(column, row[column.name], known[column.name], rounded=rounded)
    ]
    return "; ".join(changed) + ("; the result keeps its own" if changed else "")


def _same(column: Column, theirs: Any, ours: Any, *, rounded: bool) -> bool:
    if column.name == "note":  # a copy for phones adds a sentence where the shift of datum is coarse
        return _text(theirs).partition(ON_THIS_COPY)[0].strip() == _text(ours)
    if _is_empty(theirs) or _is_empty(ours):
        return _is_empty(theirs) and _is_empty(ours)
    try:
        return _same_value(column, theirs, ours, step=_COARSE if rounded else _FINE)
    except VerificationError:
        return False


def _same_value(column: Column, theirs: Any, ours: Any, *, step: float) -> bool:
    """Whether two cells hold the same; a cell that holds no such thing raises."""
    if column.kind == "flag":
        return str(theirs).strip().lower() in (_TRUE if ours else _FALSE)
    if column.kind in ("real", "integer"):
        value = number(theirs, name=column.name)
        return value is not None and math.isclose(value, float(ours), rel_tol=step, abs_tol=step)
    if column.kind == "time":
        return moment(theirs, name=column.name) == moment(ours, name=column.name)
    return _text(theirs) == _text(ours)


def _text(value: Any) -> str:
    return "" if _is_empty(value) else plain_text(value).strip()


def _is_empty(value: Any) -> bool:
    return value is None or value is pd.NaT or str(value).strip() in ("", "nan")


def _shown(value: Any) -> str:
    if _is_empty(value):
        return "empty"
    if isinstance(value, float):
        return f"{value:g}"
    text = plain_text(value)
    return text if len(text) <= _SHOWN else text[: _SHOWN - 3] + "..."
