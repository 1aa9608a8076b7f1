"""Pipe diameters as they are written on maps: numbers, inch marks, DN, outside/inside pairs."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

import numpy as np

from netcorr.units import INCH_M

#: Units of a diameter or a wall, in millimetres.
LENGTH_UNITS_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": INCH_M * 1000}

#: The same units in words.
UNIT_WORDS = {"mm": "millimetres", "cm": "centimetres", "m": "metres", "in": "inches"}

#: Nominal sizes of mains in inches (common practice).
INCH_SIZES = frozenset(
    (
        *(0.75, 1, 1.25, 1.5, 2, 2.25, 2.5, 3, 4, 5, 6, 7, 8, 9, 10, 12, 14, 15, 16, 18, 20, 21),
        *(24, 27, 30, 33, 36, 42, 48, 54, 60, 66, 72, 78, 84),
    )
)
#: The median main of a network is not thinner or wider than this (common practice).
_SMALLEST_MAIN_MM, _LARGEST_MAIN_MM = 15.0, 4000.0

_NUMBER = r"\d+(?:\.\d+)?"
_NOT_A_SIZE = re.compile(
    r"\((?:1[89]|20)\d\d\)|"  # a year in brackets
    r"\b(?:pe|pead|pehd) ?-?(?:80|100)\b|\b(?:sdr|pn|dr|sch|class|cl|k|c)\.? ?\d+(?:\.\d+)?\b"
)
_INCH_MARK = r" *(?:\"|''|in(?:ch(?:es)?)?\b|zoll\b|po(?:uces?)?\b|pulg\w*)"
_FRACTION = re.compile(rf"(?:(?P<whole>\d+)[ -]+)?(?P<top>\d+)/(?P<bottom>\d+){_INCH_MARK}")
_INCHES = re.compile(rf"({_NUMBER}){_INCH_MARK}")
_DN = re.compile(rf"(?:\b(?:dn|nw|nd|de|od|dia|diam|d)|ø) *[.:=]? *({_NUMBER})")
_METRIC = re.compile(rf"({_NUMBER}) *(mm|cm|m)\b")
_PAIR = re.compile(rf"^({_NUMBER}) *[/x*×] *({_NUMBER})$")
_THOUSANDS = re.compile(r"\b([1-9]\d{0,2}),(\d{3})\b")


def diameter_mm_from_text(value: object, unit: str = "mm") -> float:
    """Diameter of a text or number from a map.

    Parameters
    ----------
    value : object
        Number, or a text such as ``6"``, ``1 1/4"``, ``DN150``, ``160/146`` (outside/inside: the first
        is taken), ``110x6.6`` (outside x wall) or ``PVC 160``.
    unit : {'mm', 'cm', 'm', 'in'}
        Unit of a number that names none.

    Returns
    -------
    float
        Diameter, NaN when blank, 0, or not understood. [mm]

    Examples
    --------
    >>> [diameter_mm_from_text(t) for t in ('6"', '1.25"', "DN150", "160/146", 200, "PE100 SDR11 110")]
    [152.4, 31.75, 150.0, 160.0, 200.0, 110.0]
    >>> diameter_mm_from_text("8", "in"), diameter_mm_from_text("0"), diameter_mm_from_text("none")
    (203.2, nan, nan)
    """
    factor = LENGTH_UNITS_MM[unit]
    if isinstance(value, (int, float, np.number)) and not isinstance(value, bool):
        return _positive(float(value) * factor)
    text = _THOUSANDS.sub(r"\1\2", str(value if value is not None else "").lower().strip())
    text = text.replace(",", ".").replace("″", '"').replace("”", '"')
    marked = _marked_mm(text)
    if marked is not None:
        return _positive(marked)
    bare = re.sub(r"[a-wyz()][a-z() ]*[-_.:]?", " ", _NOT_A_SIZE.sub(" ", text)).strip(" .:;_/")
    return _positive(_unmarked(bare, factor))


def diameter_unit_from_values(values: Iterable[object]) -> tuple[str | None, str]:
    """Unit that a column of diameters must be in, judged from its values.

    Parameters
    ----------
    values : iterable
        The column's distinct values.

    Returns
    -------
    unit : {'mm', 'in', 'm'} or None
        None when the values do not tell.
    reason : str
        Why, as the end of a sentence.

    Examples
    --------
    >>> diameter_unit_from_values([4, 6, 8, 12])
    ('in', 'values from 4 to 12 are usual in inches')
    >>> diameter_unit_from_values([0, 80, 150, 200])
    ('mm', 'values from 80 to 200 are too large for inches')
    """
    numbers = sorted({n for value in values if not math.isnan(n := _bare_number(value))})
    if not numbers:
        return "mm", "no value is a bare number"
    low, high = numbers[0], numbers[-1]
    sizes = f"values from {low:g} to {high:g} are" if high > low else f"the only value {low:g} is"
    in_inches = set(numbers) <= INCH_SIZES
    if high > max(INCH_SIZES):
        return "mm", f"{sizes} too large for inches"
    if low < 0.7 and high <= 4:
        return "m", f"{sizes} too small for inches"
    if in_inches and low <= 12:
        return "in", f"{sizes} usual in inches"
    if low >= _SMALLEST_MAIN_MM and not in_inches:
        return "mm", f"{sizes} usual in millimetres, not in inches"
    return None, f"{sizes} possible in inches and in millimetres"


def implausible_diameters(diameters_mm: Iterable[float]) -> str | None:
    """Why the diameters of a layer cannot be millimetres of mains, if they cannot.

    Parameters
    ----------
    diameters_mm : iterable of float
        Diameters, NaN where unknown. [mm]

    Returns
    -------
    str or None
        What was found, when the median main is thinner than 15 mm or wider than 4 m.

    Examples
    --------
    >>> implausible_diameters([4.0, 6.0, 8.0])
    'diameters from 4 to 8 mm, with a median of 6 mm'
    >>> implausible_diameters([100.0, 150.0]) is None
    True
    """
    known = np.asarray(
        diameters_mm if isinstance(diameters_mm, np.ndarray) else list(diameters_mm), dtype=float
    )
    known = known[np.isfinite(known)]
    if not known.size or _SMALLEST_MAIN_MM <= float(np.median(known)) <= _LARGEST_MAIN_MM:
        return None
    return f"diameters from {known.min():g} to {known.max():g} mm, with a median of {np.median(known):g} mm"


def _positive(number: float) -> float:
    return round(number, 6) if math.isfinite(number) and number > 0 else math.nan


def _marked_mm(text: str) -> float | None:
    """Size with its own unit, or None."""
    part = _FRACTION.search(text)
    if part and 0 < int(part["top"]) < int(part["bottom"]):
        inches = int(part["whole"] or 0) + int(part["top"]) / int(part["bottom"])
        return inches * LENGTH_UNITS_MM["in"]
    if inch := _INCHES.search(text):
        return float(inch[1]) * LENGTH_UNITS_MM["in"]
    if metric := _METRIC.search(text):
        return float(metric[1]) * LENGTH_UNITS_MM[metric[2]]
    if nominal := _DN.search(_NOT_A_SIZE.sub(" ", text)):
        return float(nominal[1])
    return None


def _unmarked(text: str, factor: float) -> float:
    """Size without a unit: one number, or outside/inside, or a fraction of an inch."""
    pair = _PAIR.match(text)
    if not pair:
        return float(text) * factor if re.fullmatch(_NUMBER, text) else math.nan
    first, second = float(pair[1]), float(pair[2])
    if first >= second:
        return first * factor if second > 0 else math.nan
    is_fraction = "/" in text and second in (2, 4, 8, 16)
    return first / second * LENGTH_UNITS_MM["in"] if is_fraction else math.nan


def _bare_number(value: object) -> float:
    """Value of a number that names no unit, else NaN."""
    if isinstance(value, str) and _marked_mm(value.lower().replace(",", ".")) is not None:
        return math.nan
    return diameter_mm_from_text(value, "mm")
