"""Text from files made safe to show and to store: what a map or a table says may be anything."""

from __future__ import annotations

import unicodedata

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
    return "".join(_plain(character) for character in str(text))


def _plain(character: str) -> str:
    if character in "\t\n\r\x0b\x0c\x85\u2028\u2029":
        return " "
    if unicodedata.category(character) in {"Cc", "Cs"} or character in _DIRECTION_MARKS:
        return "\ufffd"
    return character
