"""Text and numbers made safe to show and to store: what a map or a table says may be anything."""

from __future__ import annotations

import math
import unicodedata
from typing import Any

#: Marks that change the direction of what follows; they can make a text read as something else.
_DIRECTION_MARKS = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def plain_text(text: object) -> str:
    r"""Text on one line, without anything that a terminal or a database would take as a command.

    Parameters
    ----------
    text : object
        Anything; it is turned into a string first.

    Returns
    -------
    str
        Line breaks and tabs become spaces; control characters, halves of surrogate pairs and marks of
        direction become the replacement character.

    Examples
    --------
    >>> plain_text("H-12\n\x1b[31mred"), plain_text("Straße 5"), plain_text(7)
    ('H-12 \ufffd[31mred', 'Straße 5', '7')
    """
    shown = str(text)
    if shown.isascii() and shown.isprintable():  # as nearly all are
        return shown
    return "".join(_plain(character) for character in shown)


def _plain(character: str) -> str:
    if character in "\t\n\r\x0b\x0c\x85\u2028\u2029":
        return " "
    if unicodedata.category(character) in {"Cc", "Cs"} or character in _DIRECTION_MARKS:
        return "\ufffd"
    return character


def plain_values(value: Any) -> Any:
    r"""Values that JSON can hold: Python's own numbers, None for what is not finite, and clean text.

    Parameters
    ----------
    value : object
        A text, a number of Python or NumPy, None, or a dict or list of such.

    Returns
    -------
    object
        The same, made plain.

    Examples
    --------
    >>> plain_values({"length_m": float("nan"), "pipes": ["P\n1", True, None]})
    {'length_m': None, 'pipes': ['P 1', True, None]}
    """
    if isinstance(value, dict):
        return {key: plain_values(item) for key, item in value.items()}
    if isinstance(value, list):
        return [plain_values(item) for item in value]
    if isinstance(value, str):
        return plain_text(value)
    number = value.item() if hasattr(value, "item") else value
    return None if isinstance(number, float) and not math.isfinite(number) else number
