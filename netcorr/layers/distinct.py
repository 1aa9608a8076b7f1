"""The distinct values of a column, so that each is read once however many features carry it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from netcorr.layers.names import is_blank

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Distinct:
    """Values of a column of n features.

    Attributes
    ----------
    written : tuple of str
        Distinct values as text, in the order in which they come.
    meant : tuple of str
        The same, with what the code table says of a code in place of the code.
    number : numpy.ndarray of int, shape (n,)
        Which of them each feature has, -1 where nothing is written.
    """

    written: tuple[str, ...]
    meant: tuple[str, ...]
    number: NDArray[np.intp]

    @classmethod
    def of(cls, column: pd.Series, codes: Mapping[str, str] | None = None) -> Distinct:
        """Take a column apart.

        Parameters
        ----------
        column : pandas.Series, shape (n,)
            As read.
        codes : mapping of str to str, optional
            What the code table of the column says.

        Returns
        -------
        Distinct
            Its values.

        Examples
        --------
        >>> found = Distinct.of(pd.Series(["a", " a ", None, "b"]), {"b": "bee"})
        >>> found.written, found.meant, found.number.tolist()
        (('a', 'b'), ('a', 'bee'), [0, 0, -1, 1])
        """
        try:
            raw, values = pd.factorize(column)
        except TypeError:  # lists and other values that have no hash
            raw, values = pd.factorize(column.where(column.isna(), column.astype(str)))
        place: dict[str, int] = {}
        numbers = [
            -1 if text is None else place.setdefault(text, len(place)) for text in texts(pd.Series(values))
        ]
        written = tuple(place)
        table = codes or {}
        meant = tuple(table.get(text, text) for text in written)
        return cls(written, meant, np.array([*numbers, -1], dtype=np.intp)[raw])

    @classmethod
    def nothing(cls, n: int) -> Distinct:
        """Stand for a column that is not there."""
        return cls((), (), np.full(n, -1, dtype=np.intp))

    def read(self, reader: Callable[[str, str], Any]) -> tuple[Any, ...]:
        """Read each distinct value, as written and as meant."""
        return tuple(reader(code, text) for code, text in zip(self.written, self.meant, strict=True))

    def spread(
        self, read: Sequence[Any] | NDArray[Any], *, dtype: Any = object, blank: Any = None
    ) -> NDArray[Any]:
        """Give every feature what its value was read as; `blank` where nothing is written."""
        table = np.empty(len(read) + 1, dtype=dtype)
        table[:-1] = read
        table[-1] = blank
        return table[self.number]

    @property
    def says_nothing(self) -> NDArray[np.bool_]:
        """Whether each feature has no value, or one that says nothing (0, a dash, 'unknown')."""
        silent = [is_blank(text) for text in self.meant]
        return self.spread(silent, dtype=bool, blank=True)

    def counts(self, which: Iterable[bool] | None = None) -> list[tuple[str, int]]:
        """Count features by value as meant, blank as ``""``, the most frequent first.

        Parameters
        ----------
        which : iterable of bool, shape (n,), optional
            Features to count.

        Returns
        -------
        list of (str, int)
            Values that occur, and how often.
        """
        number = self.number if which is None else self.number[np.asarray(which, dtype=bool)]
        often = np.bincount(number + 1, minlength=len(self.meant) + 1).tolist()
        pairs = [(text, n) for text, n in zip(("", *self.meant), often, strict=True) if n]
        return sorted(pairs, key=lambda pair: -pair[1])


def texts(values: pd.Series) -> list[str | None]:
    """Values of a column as text, None where nothing is written.

    Parameters
    ----------
    values : pandas.Series, shape (n,)
        A column as read.

    Returns
    -------
    list of str or None
        Whole numbers without a decimal point, text without blanks at its ends.

    Examples
    --------
    >>> texts(pd.Series([1.0, 2.5, None])), texts(pd.Series([" a ", "", None]))
    (['1', '2.5', None], ['a', None, None])
    """
    known = values.notna().to_numpy()
    plain = values.tolist()
    if isinstance(values.dtype, pd.StringDtype) and known.all():
        return [value.strip() or None for value in plain]
    return [_text(value) if is_known else None for value, is_known in zip(plain, known, strict=True)]


def _text(value: Any) -> str | None:
    whole = isinstance(value, float) and value.is_integer()
    return str(int(value)) if whole else str(value).strip() or None
