"""Names and words as people write them: without accents, case or punctuation, and near matches."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable

#: Width to which the Shapefile format cuts column names.
SHORT_NAME = 10

_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z][a-z])")
_NOT_WORD = re.compile(r"[^a-z0-9]+")
_BLANK = frozenset(
    (
        *(
            "none",
            "null",
            "nan",
            "nat",
            "na",
            "n a",
            "unknown",
            "unk",
            "not known",
            "no data",
            "nodata",
            "tbc",
        ),
        *("tbd", "undefined", "not set", "desconocido", "desconocida", "desconhecido", "indeterminado"),
        *(
            "sin datos",
            "s d",
            "n d",
            "nd",
            "s i",
            "k a",
            "keine angabe",
            "ohne angabe",
            "non noto",
            "ignoto",
            "niet bekend",
            "nao informado",
            "inconnu",
            "inconnue",
            "indetermine",
            "unbekannt",
            "unb",
            "sconosciuto",
            "onbekend",
        ),
    )
)


def plain_words(text: object) -> str:
    """Text as lower-case words of a-z and digits, one space between.

    Parameters
    ----------
    text : object
        Anything with a text form; None is empty. A web address counts by its last part, as in code lists.

    Returns
    -------
    str
        Words.

    Examples
    --------
    >>> plain_words(" Béton  armé"), plain_words("castIron"), plain_words("PVC-U"), plain_words("Guß")
    ('beton arme', 'cast iron', 'pvc u', 'guss')
    """
    if text is None:
        return ""
    written = str(text).strip()
    if written.lower().startswith(("http://", "https://")):
        written = written.rstrip("/").rsplit("/", 1)[-1]
    written = _CAMEL.sub(" ", written).replace("ß", "ss")
    bare = unicodedata.normalize("NFKD", written).casefold()
    bare = "".join(c for c in bare if not unicodedata.combining(c))
    return _NOT_WORD.sub(" ", bare).strip()


def is_blank(text: object) -> bool:
    """Whether a value says nothing: empty, 0, a dash, or a word for unknown.

    Parameters
    ----------
    text : object
        Value of a column.

    Returns
    -------
    bool
        True when nothing is said.

    Examples
    --------
    >>> [is_blank(v) for v in (None, " ", "0", 0.0, float("nan"), "N/A", "unknown", "PVC")]
    [True, True, True, True, True, True, True, False]
    """
    words = plain_words(text)
    return not words.strip("0 ") or words in _BLANK


def similar(name: str, choices: Iterable[object]) -> str:
    """Near matches of a name, as the end of a sentence.

    Parameters
    ----------
    name : str
        What was written.
    choices : iterable
        What there is.

    Returns
    -------
    str
        `` (similar: ...)``, or nothing.

    Examples
    --------
    >>> similar("Materail", ["MATERIAL", "diameter", "year"])
    ' (similar: MATERIAL)'
    """
    written = {str(choice).casefold(): str(choice) for choice in choices}
    close = difflib.get_close_matches(name.casefold(), list(written), n=3)
    return f" (similar: {', '.join(written[c] for c in close)})" if close else ""


def listed(names: Iterable[object], *, most: int = 8) -> str:
    """Join names with commas, the first few of them.

    Parameters
    ----------
    names : iterable
        Names.
    most : int
        How many are written out.

    Returns
    -------
    str
        Names, then how many more.

    Examples
    --------
    >>> listed(["a", "b", "c"]), listed("abcdef", most=2), listed([])
    ('a, b, c', 'a, b and 4 more', 'none')
    """
    texts = [str(name) for name in names]
    if len(texts) > most:
        return f"{', '.join(texts[:most])} and {len(texts) - most} more"
    return ", ".join(texts) or "none"
