"""What each distinct value of a column was taken for, in words and as a mapping writes it."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping

import numpy as np

from netcorr.layers.conditions import KINDS
from netcorr.layers.mapping import (
    FITTING_STATES,
    MAIN_STATES,
    UNKNOWN,
    FittingsMapping,
    MainsMapping,
)
from netcorr.layers.names import is_blank
from netcorr.layers.read_values import diameter_mm, kind_key, material_key, number_or_text, state
from netcorr.layers.sizes import UNIT_WORDS, diameter_unit_from_values, implausible_diameters
from netcorr.layers.source_summary import ValueCount
from netcorr.layers.vocabulary import MATERIALS, ambiguous_material

Part = MainsMapping | FittingsMapping

_WHICH_SIZE = "which size? Taken for unknown"
_WHICH_KIND = f"{', '.join(KINDS[:-1])} or {KINDS[-1]}? Taken for other"

#: Words, key for a mapping, and the question where it has to be asked about.
_Reading = tuple[str, str | None, str]


def described_values(
    counts: Counter[str], role: str, column: str, part: Part | None, *, of: str, codes: Mapping[str, str]
) -> tuple[ValueCount, ...]:
    """Values of a column with what each was taken for.

    Parameters
    ----------
    counts : collections.Counter
        Features by value as written, blank as ``""``.
    role : {'material', 'diameter', 'kind', 'status'}
        What the column is taken for.
    column : str
        Its name.
    part : MainsMapping, FittingsMapping or None
        Mapping of the layer, where there is one.
    of : {'mains', 'fittings'}
        What the layer holds.
    codes : mapping of str to str
        What the column's code table says.

    Returns
    -------
    tuple of ValueCount
        The most frequent first.
    """
    reader = _readers(role, column, part, of=of, texts=[codes.get(text, text) for text in counts])
    values = []
    for written, count in counts.most_common():
        meaning = codes.get(written, "")
        words, key, question = reader(written, meaning or written)
        values.append(ValueCount(written, count, words, key, meaning, question))
    return tuple(values)


def unit_note(column: str, values: tuple[ValueCount, ...]) -> tuple[str | None, str]:
    """Unit of a column of diameters, judged from its values.

    Parameters
    ----------
    column : str
        Its name.
    values : tuple of ValueCount
        Its distinct values.

    Returns
    -------
    unit : str or None
        None when it cannot be told.
    reason : str
        A sentence.
    """
    unit, reason = diameter_unit_from_values(number_or_text(v.meaning or v.value) for v in values)
    if unit is None:
        return None, f"unit of the diameters in {column!r} not known: {reason}"
    return unit, f"diameters in {column!r} are read in {UNIT_WORDS[unit]}: {reason}"


def diameter_problem(column: str, values: tuple[ValueCount, ...], unit: str) -> str | None:
    """Why the diameters of a column cannot be true in a unit, if they cannot."""
    read = [diameter_mm(value.meaning or value.value, unit) for value in values]
    wrong = implausible_diameters(np.repeat(read, [value.count for value in values]))
    return f"column {column!r} has {wrong}, which mains do not have" if wrong else None


def missing_counts(values: tuple[ValueCount, ...]) -> tuple[int, int]:
    """Count the features with nothing written, and all, of a column."""
    silent = sum(v.count for v in values if is_blank(v.meaning or v.value) or v.key == UNKNOWN)
    return silent, sum(v.count for v in values)


def _readers(
    role: str, column: str, part: Part | None, *, of: str, texts: list[str]
) -> Callable[[str, str], _Reading]:
    if role == "material":
        materials = part.materials if isinstance(part, MainsMapping) else {}
        return lambda code, text: _material(code, text, materials)
    if role == "diameter":
        unit = part.units.get("diameter") if isinstance(part, MainsMapping) else None
        unit = unit or diameter_unit_from_values(number_or_text(text) for text in texts)[0]
        return lambda _, text: _diameter(text, unit)
    if role == "kind":
        kinds = part.kinds if isinstance(part, FittingsMapping) else {}
        return lambda code, text: _kind(code, text, kinds)
    status: Mapping[str, bool] = part.status if part is not None else {}
    return lambda code, text: _state(code, text, status, of=of, column=column)


def _material(code: str, text: str, materials: Mapping[str, str]) -> _Reading:
    key = material_key(code, text, materials)
    if key is not None:
        return MATERIALS[key], key, ""
    if is_blank(text) or UNKNOWN in (materials.get(code), materials.get(text)):
        return "unknown", None if is_blank(text) else UNKNOWN, ""
    candidates = ambiguous_material(text)
    if candidates:
        words = " or ".join(MATERIALS[candidate] for candidate in candidates) + "?"
        return words, None, f"{words} Taken for unknown"
    return "not understood", None, "which material? Taken for unknown"


def _diameter(text: str, unit: str | None) -> _Reading:
    size_mm = diameter_mm(text, unit or "mm")
    if math.isnan(size_mm):
        return ("unknown", None, "") if is_blank(text) else ("not understood", None, _WHICH_SIZE)
    return (f"{size_mm:g} mm" if unit else f"{size_mm:g} mm or in?"), None, ""


def _kind(code: str, text: str, kinds: Mapping[str, str]) -> _Reading:
    key = kind_key(code, text, kinds)
    if key is not None:
        return key, key, ""
    silent = text == "other" or is_blank(text)
    return "other", "other" if text == "other" else None, "" if silent else _WHICH_KIND


def _state(code: str, text: str, status: Mapping[str, bool], *, of: str, column: str) -> _Reading:
    words = {known: word for word, known in (MAIN_STATES if of == "mains" else FITTING_STATES).items()}
    known = state(code, text, status, of=of, column=column)
    if known is None:
        # 0 is a code here, not a blank
        silent = is_blank(text) and text != "0"
        question = "" if silent else f"{' or '.join(words.values())}? Taken for {words[True]}"
        return f"{words[True]}, as nothing is known", None, question
    return words[known], words[known], ""
