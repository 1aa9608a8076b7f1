"""What a mapping says about attributes that are missing: nothing is filled in without such a rule."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

from netcorr.errors import LayerError
from netcorr.layers.alternatives import USUALLY_SURE
from netcorr.layers.names import listed, similar
from netcorr.layers.sizes import diameter_mm_from_text
from netcorr.layers.toml_table import TomlTable
from netcorr.layers.vocabulary import MATERIALS

Action = Literal["leave", "refuse", "neighbours", "assume", "until_year"]

#: Attributes that a rule can fill.
FILLED_ROLES = ("material", "diameter", "year")
#: Rules that are one word.
_WORDS: dict[str, Action] = {"leave": "leave", "refuse": "refuse", "neighbours": "neighbours"}
#: Years that a main can have been laid in.
_YEARS = (1800, 2100)
_FORMS = '"leave", "refuse", "neighbours", { assume = ... } or { until_year = { 1950 = ... } }'


@dataclass(frozen=True)
class MissingRule:
    """One way to deal with an attribute that is missing.

    Attributes
    ----------
    action : str
        'leave' it unknown; 'refuse' the map; take it from the 'neighbours' that touch; 'assume' `value`;
        or what `table` says 'until_year'.
    value : str, float or None
        Material key, diameter [mm] or year that is assumed.
    spread : tuple
        What it may be instead: other material keys, or the lowest and the highest diameter [mm] or year.
    table : tuple of (int, str or float)
        Last year, and what is assumed up to then, in order of years.
    sure : float
        Share of the mains for which what is assumed holds; the rest is shared out over `spread`.
    """

    action: Action
    value: Any = None
    spread: tuple[Any, ...] = ()
    table: tuple[tuple[int, Any], ...] = ()
    sure: float = USUALLY_SURE


@dataclass(frozen=True)
class MissingRules:
    """Rules by attribute, tried in order; empty leaves the attribute unknown.

    Attributes
    ----------
    material, diameter, year : tuple of MissingRule
        Rules.
    """

    material: tuple[MissingRule, ...] = ()
    diameter: tuple[MissingRule, ...] = ()
    year: tuple[MissingRule, ...] = ()

    def of(self, role: str) -> tuple[MissingRule, ...]:
        """Rules of one attribute."""
        return {"material": self.material, "diameter": self.diameter, "year": self.year}[role]


def read_missing(table: TomlTable) -> MissingRules:
    """Rules of the table ``[missing]`` of a mapping.

    Parameters
    ----------
    table : TomlTable
        Roles to a rule, or to a list of rules of which the first that has an answer counts.

    Returns
    -------
    MissingRules
        The rules.

    Raises
    ------
    LayerError
        If a role, rule, material, diameter or year is not known.

    Examples
    --------
    >>> table = {"material": ["neighbours", {"assume": "pvc"}], "diameter": {"assume": "4 in"}}
    >>> rules = read_missing(TomlTable(table, "mapping town.toml, [missing]"))
    >>> [rule.action for rule in rules.material], rules.diameter[0].value
    (['neighbours', 'assume'], 101.6)
    """
    table.allow(*FILLED_ROLES)
    return MissingRules(**{role: _rules(table, role) for role in table.value})


def _rules(table: TomlTable, role: str) -> tuple[MissingRule, ...]:
    given = table.value[role]
    return tuple(_rule(table, role, rule) for rule in (given if isinstance(given, list) else [given]))


def _rule(table: TomlTable, role: str, rule: Any) -> MissingRule:
    if isinstance(rule, str) and rule in _WORDS:
        return MissingRule(_WORDS[rule])
    if isinstance(rule, str):
        raise table.error(f"{role} = {rule!r} is not known{similar(rule, _WORDS)}", f"use {_FORMS}")
    part = TomlTable(rule, f"{table.item}, {role}")
    if "assume" in part.value:
        return _assumed(part, role)
    part.allow("until_year", "sure")
    if "until_year" not in part.value or role == "year":
        raise part.error("says neither assume nor until_year", f"use {_FORMS}")
    return _by_year(part.part("until_year"), role, sure=_sure(part, USUALLY_SURE))


def _assumed(part: TomlTable, role: str) -> MissingRule:
    part.allow("assume", "sure", *(("or",) if role == "material" else ("from", "to")))
    value = _value(part, role, "assume")
    if role == "material":
        others = part.value.get("or", [])
        if not isinstance(others, list):
            raise part.error(f"or = {others!r} is not a list", 'write or = ["pvc", "pe"]')
        spread = tuple(_material(part, "or", other) for other in others)
        return MissingRule("assume", value, spread, sure=_sure(part, usually_sure(len(spread))))
    sure = _sure(part, USUALLY_SURE)
    if "from" not in part.value and "to" not in part.value:
        return MissingRule("assume", value, sure=sure)
    low, high = (_value(part, role, key) if key in part.value else value for key in ("from", "to"))
    if not low <= value <= high:
        raise part.error(
            f"assume {value:g} is not between {low:g} and {high:g}", "write from <= assume <= to"
        )
    return MissingRule("assume", value, (low, high), sure=sure)


def usually_sure(others: int) -> float:
    """Share of an assumed material that is twice as likely as any of the others that are named.

    Examples
    --------
    >>> usually_sure(2)
    0.5
    """
    return 2 / (2 + others) if others else USUALLY_SURE


def _sure(part: TomlTable, usual: float) -> float:
    value = part.value.get("sure", usual)
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value <= 1:
        raise part.error(
            f"sure = {value!r} is not a share",
            "write the share of the mains for which it holds, above 0 and up to 1, such as 0.9",
        )
    return float(value)


def _by_year(part: TomlTable, role: str, *, sure: float) -> MissingRule:
    rows = []
    for key in part.value:
        if not key.isdigit() or not _YEARS[0] <= int(key) <= _YEARS[1]:
            raise part.error(f"{key!r} is not a year", "write the last year for which it holds, such as 1950")
        rows.append((int(key), _value(part, role, key)))
    if not rows:
        raise part.error("holds no year", 'write { 1950 = "grey_iron", 2100 = "pvc" }')
    return MissingRule("until_year", table=tuple(sorted(rows)), sure=sure)


def _value(part: TomlTable, role: str, key: str) -> Any:
    value = part.value[key]
    if role == "material":
        return _material(part, key, value)
    if role == "year":
        if isinstance(value, int) and _YEARS[0] <= value <= _YEARS[1]:
            return float(value)
        raise part.error(f"{key} = {value!r} is not a year", "write a year, such as 1960")
    diameter_mm = diameter_mm_from_text(value)
    if math.isnan(diameter_mm):
        raise part.error(
            f"{key} = {value!r} is not a diameter", 'write millimetres, such as 100, or a text such as "4 in"'
        )
    return diameter_mm


def _material(part: TomlTable, key: str, value: Any) -> str:
    if not isinstance(value, str) or value not in MATERIALS:
        raise _unknown_material(part, key, value)
    return value


def _unknown_material(part: TomlTable, key: str, value: Any) -> LayerError:
    return part.error(
        f"{key} = {value!r} is not known{similar(str(value), MATERIALS)}",
        f"use one of {listed(MATERIALS, most=20)}",
    )
