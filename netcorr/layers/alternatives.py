"""What an assumed attribute could be instead, and with which share: an assumption's spread as data."""

from __future__ import annotations

import json
from typing import NamedTuple

#: Share of an assumed value that is right when nothing more is said: twice that of the other two together.
USUALLY_SURE = 2 / 3


class Alternative(NamedTuple):
    """Another value that an assumed attribute could have.

    Attributes
    ----------
    attribute : str
        'material', 'diameter' or 'year'.
    value : str, float or None
        Material key, diameter [mm] or year; None for another that nobody named.
    share : float
        Probability of it, between 0 and 1. What is left over all alternatives is the assumed value's.
    """

    attribute: str
    value: str | float | None
    share: float


#: What a main could be instead: () where nothing is assumed, or nothing else is possible; None where
#: something is assumed and nobody said how surely.
CouldBe = tuple[Alternative, ...] | None


def shared_out(attribute: str, others: tuple[str | float, ...], *, sure: float) -> tuple[Alternative, ...]:
    """Alternatives that share evenly what an assumed value leaves.

    Parameters
    ----------
    attribute : str
        'material', 'diameter' or 'year'.
    others : tuple
        Values that are named; without one it is another that nobody named.
    sure : float
        Share of the assumed value.

    Returns
    -------
    tuple of Alternative
        Empty where nothing is left.

    Examples
    --------
    >>> shared_out("material", ("pe", "steel"), sure=0.5)
    (Alternative(attribute='material', value='pe', share=0.25), ...)
    >>> shared_out("material", (), sure=1.0)
    ()
    """
    if sure >= 1:
        return ()
    named: tuple[str | float | None, ...] = others or (None,)
    return tuple(Alternative(attribute, value, (1 - sure) / len(named)) for value in named)


def to_json(could_be: CouldBe) -> str | None:
    """Alternatives as the text that files hold, None where there are none.

    Examples
    --------
    >>> to_json((Alternative("diameter", 80.0, 0.25),)), to_json(()), to_json(None)
    ('[["diameter", 80.0, 0.25]]', None, 'null')
    """
    return None if could_be == () else json.dumps(could_be)


def from_json(text: str | None) -> CouldBe:
    """Alternatives of a text of `to_json`.

    Raises
    ------
    ValueError
        If it is none.

    Examples
    --------
    >>> from_json('[["diameter", 80.0, 0.25]]')
    (Alternative(attribute='diameter', value=80.0, share=0.25),)
    >>> from_json(None), from_json("null")
    ((), None)
    """
    rows = json.loads(text) if text else []
    if rows is None:
        return None
    if not (isinstance(rows, list) and all(isinstance(row, list) and len(row) == 3 for row in rows)):
        raise ValueError(f"{text!r} is not a list of attribute, value and share")
    return tuple(Alternative(str(name), value, float(share)) for name, value, share in rows)
