"""How one value of a column is read: by the mapping's own codes first, then by what the words mean."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from netcorr.layers.conditions import (
    in_service_from_text,
    is_open_from_text,
    is_other_kind,
    kind_from_text,
    yes_means,
)
from netcorr.layers.mapping import UNKNOWN
from netcorr.layers.names import is_blank
from netcorr.layers.sizes import diameter_mm_from_text
from netcorr.layers.vocabulary import material_from_text

#: What code tables say: role, to code, to text.
Codes = Mapping[str, Mapping[str, str]]

#: Of the texts of a column, the share that must hold both a material and a size to be read for both.
_COMBINED_SHARE = 0.5


def coded(code: str, text: str, table: Mapping[str, object]) -> str | None:
    """Which of a code, as written, and a text, as explained, a mapping says something about.

    Parameters
    ----------
    code, text : str
        As written, and what the code table says (the same where there is none).
    table : mapping
        Of the mapping.

    Returns
    -------
    str or None
        The key of `table` that counts, the code before the text.
    """
    return next((key for key in (code, text) if key in table), None)


def material_key(code: str, text: str, materials: Mapping[str, str]) -> str | None:
    """Material of a value.

    Parameters
    ----------
    code, text : str
        As written, and as explained.
    materials : mapping of str to str
        Of the mapping.

    Returns
    -------
    str or None
        Key of `MATERIALS`.

    Examples
    --------
    >>> material_key("7", "Grauguss", {}), material_key("7", "Grauguss", {"7": "steel"})
    ('grey_iron', 'steel')
    """
    key = coded(code, text, materials)
    if key is None:
        return material_from_text(text)
    return None if materials[key] == UNKNOWN else materials[key]


def kind_key(code: str, text: str, kinds: Mapping[str, str]) -> str | None:
    """Kind of fitting of a value; None when not understood."""
    key = coded(code, text, kinds)
    if key is not None:
        return kinds[key]
    return "other" if is_other_kind(text) else kind_from_text(text)


def state(code: str, text: str, status: Mapping[str, bool], *, of: str, column: str) -> bool | None:
    """Whether a main is in service or a valve is open; None when not understood.

    Parameters
    ----------
    code, text : str
        As written, and as explained.
    status : mapping of str to bool
        Of the mapping.
    of : {'mains', 'fittings'}
        What it is the state of.
    column : str
        Name of the column, which may say what a yes means.

    Returns
    -------
    bool or None
        The state.
    """
    key = coded(code, text, status)
    if key is not None:
        return status[key]
    read = in_service_from_text if of == "mains" else is_open_from_text
    return read(text, yes_means=yes_means(column))


def diameter_mm(text: str, unit: str) -> float:
    """Diameter of a value, NaN when unknown. [mm]"""
    return diameter_mm_from_text(number_or_text(text), unit)


def number_or_text(text: str) -> object:
    """Value of a text that is a number, else the text."""
    try:
        return float(text)
    except ValueError:
        return text


def combined_role(roles: Iterable[str], texts: Mapping[str, Iterable[str]]) -> tuple[str, str] | None:
    """Role without a column of its own that another column's texts answer too.

    Parameters
    ----------
    roles : iterable of str
        Roles that have a column.
    texts : mapping of str to iterable of str
        Distinct texts of the columns for the material and the diameter.

    Returns
    -------
    tuple of (str, str) or None
        The role that is missing, and the one whose column holds it.

    Examples
    --------
    >>> combined_role(["material"], {"material": ["PVC 160", "DN150 GGG"]})
    ('diameter', 'material')
    >>> combined_role(["material"], {"material": ["PE 100", "GGG"]}) is None
    True
    """
    have = set(roles) & {"material", "diameter"}
    if len(have) != 1:
        return None
    (role,) = have
    written = [text for text in texts.get(role, ()) if not is_blank(text)]
    both = [
        text
        for text in written
        if material_from_text(text) is not None
        and re.search(r"[^\W\d_]{2}", text)
        and diameter_mm_from_text(text) >= _THINNEST
    ]
    if not written or len(both) < _COMBINED_SHARE * len(written):
        return None
    return ("diameter", role) if role == "material" else ("material", role)


#: Smallest number beside a material that is a size in any unit.
_THINNEST = 2.0
