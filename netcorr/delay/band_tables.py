"""Log-likelihood of bands by the values of their correlograms, coherence integrated out, from tables."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from scipy.special import logsumexp

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

Real = TypeVar("Real", np.float32, np.float64)

#: Coherence amplitudes that are averaged over; equal weight on a logarithmic scale.
COHERENCE_AMPLITUDES = np.geomspace(0.01, 0.985, 80)
#: Shares of the sub-bands that may carry the source, when each has a coherence of its own.
CARRYING_SHARES = np.array([0.03, 0.1, 0.3, 0.6, 0.9])
#: Points at which the likelihood of one band is tabulated over the correlogram's value.
TABLE_POINTS = 1501
#: Delays for which all bands are weighed at once: so many that what is worked on stays in the cache.
DELAYS_AT_ONCE = 1024


@lru_cache(maxsize=4096)
def band_table(bins: int) -> NDArray[np.float64]:
    """Log of the likelihood of one band of `bins` bins over r from -1 to 1."""
    r = np.linspace(-1.0, 1.0, TABLE_POINTS)[:, None]
    g = COHERENCE_AMPLITUDES[None, :]
    terms = bins * (np.log1p(-(g**2)) - 2 * np.log1p(-g * r))
    table: NDArray[np.float64] = logsumexp(terms, axis=1) - np.log(g.size)
    return table


def band_log_likelihood(r: NDArray[np.float64], bins: float) -> NDArray[np.float64]:
    """Log-likelihood of one band, coherence integrated out.

    Parameters
    ----------
    r : numpy.ndarray
        Mean of the unit-power correlogram over the band, -1 to 1, any shape.
    bins : float
        Number of independent bins in the band.

    Returns
    -------
    numpy.ndarray
        Shape of `r`.

    Examples
    --------
    >>> band_log_likelihood(np.array([0.0, 0.5]), 200.0).round(1)
    array([-1. , 54.3])
    """
    tables = stacked_tables(rounded(np.array([bins])), np.complex128)
    flat: NDArray[np.float64] = np.array(r, dtype=np.float64).reshape(1, -1)
    return LookUp(tables, flat.size)(flat).reshape(r.shape)


def rounded(bins: NDArray[np.float64]) -> tuple[int, ...]:
    """Two significant digits of the numbers of bins keep the tables few and change nothing that matters."""
    unit = 10.0 ** np.maximum(np.floor(np.log10(np.maximum(bins, 1.0))) - 1, 0)
    return tuple(np.maximum(np.rint(bins / unit) * unit, 1).astype(int).tolist())


@lru_cache(maxsize=32)
def stacked_tables(bins: tuple[int, ...], kind: type[Any]) -> NDArray[Any]:
    """Tables of several bands, shape (b, TABLE_POINTS): as imaginary part of each value the rise to the next.

    Both are so read by one look, which takes the time.
    """
    tables = np.zeros((len(bins), TABLE_POINTS), dtype=kind)
    for row, one in zip(tables, bins, strict=True):
        table = band_table(one)
        row.real = table
        row.imag[:-1] = np.diff(table)
    return tables


class LookUp:
    """Log-likelihood of several bands at their r, worked out in room that is used again.

    New room for every few delays would take as long as the work itself.

    Parameters
    ----------
    tables : numpy.ndarray
        Shape (b, TABLE_POINTS), complex64 or complex128: from `stacked_tables`.
    delays : int
        Most delays of one call.
    """

    def __init__(self, tables: NDArray[Any], delays: int) -> None:
        self._flat, shape = tables.ravel(), (len(tables), delays)
        self._first = np.arange(len(tables))[:, None] * TABLE_POINTS
        self._index, self._read = np.empty(shape, dtype=np.intp), np.empty(shape, dtype=tables.dtype)
        self._whole = np.empty(shape, dtype=tables.real.dtype)

    def __call__(self, r: NDArray[Real]) -> NDArray[Real]:
        """Log-likelihood, shape (b, m) as that of `r`, in whose place it is put."""
        some = np.s_[:, : r.shape[1]]
        index, read, whole = self._index[some], self._read[some], self._whole[some]
        np.clip(r, -1.0, 1.0, out=r)
        r += 1.0
        r *= (TABLE_POINTS - 1) / 2
        np.minimum(np.floor(r, out=whole), TABLE_POINTS - 2, out=whole)
        r -= whole
        np.copyto(index, whole, casting="unsafe")
        index += self._first
        np.take(self._flat, index, out=read, mode="clip")
        r *= read.imag
        r += read.real
        return r


def few_at_once(delays: int) -> list[slice]:
    """Delays in parts."""
    starts = range(0, delays, DELAYS_AT_ONCE)
    return [slice(start, min(start + DELAYS_AT_ONCE, delays)) for start in starts]


def band_sums(
    sums: NDArray[np.float64], ends: NDArray[np.int64]
) -> Iterator[tuple[slice, NDArray[np.float32]]]:
    """Sums over bands from running ones, at few delays at once, in room that is used again.

    Parameters
    ----------
    sums : numpy.ndarray
        Shape (b + 1, m): correlogram summed over the sub-bands below, in bins.
    ends : numpy.ndarray
        Shape (2, n): first sub-band of each band, and one past its last.

    Yields
    ------
    some : slice
        Delays.
    of_bands : numpy.ndarray
        Shape (n, at most `DELAYS_AT_ONCE`): may be worked on in place, until the next is asked for.
    """
    single = sums.astype(np.float32)
    parts = few_at_once(sums.shape[1])
    room = np.empty(
        (2, ends.shape[1], max((part.stop - part.start for part in parts), default=0)), np.float32
    )
    for some in parts:
        part = np.ascontiguousarray(single[:, some])
        of_bands, below = room[:, :, : part.shape[1]]
        np.take(part, ends[1], axis=0, out=of_bands, mode="clip")
        of_bands -= np.take(part, ends[0], axis=0, out=below, mode="clip")
        yield some, of_bands


def log_mean_of_bands(
    sums: NDArray[np.float64],
    ends: NDArray[np.int64],
    bins: NDArray[np.float64],
    *,
    polarity: int,
) -> NDArray[np.float64]:
    """Log-likelihood of every delay with one coherence over one of many bands.

    Parameters
    ----------
    sums : numpy.ndarray
        Shape (b + 1, m): correlogram summed over the sub-bands below, in bins.
    ends : numpy.ndarray
        Shape (2, n): first sub-band of each band, and one past its last.
    bins : numpy.ndarray
        Shape (n,): independent bins of each band.
    polarity : {1, -1}
        Of one sensor against the other.

    Returns
    -------
    numpy.ndarray
        Shape (m,).
    """
    look_up = LookUp(stacked_tables(rounded(bins), np.complex64), DELAYS_AT_ONCE)
    per_bin = (polarity / bins[:, None]).astype(np.float32)
    averaged = np.empty(sums.shape[1])
    for some, r in band_sums(sums, ends):
        np.multiply(r, per_bin, out=r)
        averaged[some] = _log_mean_in_place(look_up(r))
    return averaged


def log_mean(rows: Sequence[NDArray[Real]] | NDArray[Real]) -> NDArray[Real]:
    """Logarithm of the mean of exponentials, row by row: several pictures, each as likely as the others.

    Parameters
    ----------
    rows : sequence of numpy.ndarray, or numpy.ndarray
        One or more, each of shape (m,).

    Returns
    -------
    numpy.ndarray
        Shape (m,).

    Examples
    --------
    >>> log_mean([np.log([2.0, 1.0]), np.log([4.0, 1.0])]).round(3)
    array([1.099, 0.   ])
    """
    return _log_mean_in_place(np.array(rows))


def _log_mean_in_place(values: NDArray[Real]) -> NDArray[Real]:
    """The same of rows that are not needed any more, shape (n, m)."""
    top = values.max(axis=0)
    values -= top
    np.exp(values, out=values)
    averaged: NDArray[Real] = top + np.log(values.mean(axis=0))
    return averaged
