"""The likelihood of every delay at a glance: in single precision, tables read at the nearest point.

At nearly all delays of nearly all pairs nothing stands out. What is said there need not be known to more than
a hundredth of a nat, for a fifth of the time: no interpolation, both polarities by one look into a table of
likelihoods, and no exponential. Where anything stands out, `netcorr.delay.likelihood` works it out in full.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from netcorr.delay.band_tables import (
    CARRYING_SHARES,
    DELAYS_AT_ONCE,
    TABLE_POINTS,
    band_sums,
    band_table,
    rounded,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

#: Points of a table of one band, and how far it reaches: r in units of ``1 / sqrt(2 bins)``, so that where it
#: ends a band speaks for a source by some 32 nats.
POINTS, REACH = 4096, 8.0
#: Log-likelihoods above this are worked out in full, ... [nats]
LITTLE_NATS = 2.0
#: ... and those within this of the largest. [nats]
NEAR_LARGEST_NATS = 1.0
#: Largest likelihood that a table holds, far above what is worked out in full. [nats]
MOST_NATS = 40.0


@lru_cache(maxsize=4096)
def _table(bins: int) -> NDArray[np.complex64]:
    """Likelihood of a band of `bins` bins, shape (POINTS,): real part upright, imaginary reverse."""
    scaled = (np.arange(POINTS) + 0.5 - POINTS / 2) * (2 * REACH / POINTS)
    r = np.linspace(-1.0, 1.0, TABLE_POINTS)
    upright = np.exp(np.minimum(np.interp(scaled / np.sqrt(2 * bins), r, band_table(bins)), MOST_NATS))
    return np.asarray(upright + 1j * upright[::-1], dtype=np.complex64)


def at_a_glance(
    sums: NDArray[np.float64],
    ends: NDArray[np.int64],
    bins: NDArray[np.float64],
    *,
    alone: NDArray[np.int64] | None = None,
) -> NDArray[np.float64]:
    """Log-likelihood of every delay for either polarity, with one coherence over one of many bands.

    Parameters
    ----------
    sums : numpy.ndarray
        Shape (b + 1, m): correlogram summed over the sub-bands below, in bins.
    ends : numpy.ndarray
        Shape (2, n), n at least 1: first sub-band of each band, and one past its last.
    bins : numpy.ndarray
        Shape (n,): independent bins of each band.
    alone : numpy.ndarray, optional
        Columns of `ends` that are single sub-bands: with them, that is averaged with the picture in which
        each of these has a coherence of its own or does not carry the source.

    Returns
    -------
    numpy.ndarray
        Shape (2, m): for polarity 1 and -1. To about 0.01 where it is small; where it is above
        `LITTLE_NATS` it is above it, but by how much is not said well.
    """
    counts = rounded(bins)
    tables = np.concatenate([_table(count) for count in counts])
    scale = np.sqrt(2 * np.asarray(counts)) / bins * (POINTS / (2 * REACH))
    first = POINTS * np.arange(bins.size) + POINTS / 2
    to_points, from_first = (row[:, None].astype(np.float32) for row in (scale, first))
    shape = (bins.size, min(sums.shape[1], DELAYS_AT_ONCE))
    places, read = np.empty(shape, dtype=np.intp), np.empty(shape, dtype=np.complex64)
    found = np.empty((sums.shape[1], 2))
    for some, at in band_sums(sums, ends):
        here = np.s_[:, : at.shape[1]]
        place, likelihood = places[here], read[here]
        np.multiply(at, to_points, out=at)
        np.clip(at, 1 - POINTS / 2, POINTS / 2 - 1, out=at)
        np.add(at, from_first, out=at)
        np.copyto(place, at, casting="unsafe")
        np.take(tables, place, out=likelihood, mode="clip")
        both = likelihood.mean(axis=0).view(np.float32)
        if alone is not None:
            both = 0.5 * (both + _some_carry(likelihood[alone].view(np.float32)))
        found[some] = np.log(both).reshape(-1, 2)
    return np.ascontiguousarray(found.T)


def _some_carry(likelihood: NDArray[np.float32]) -> NDArray[np.float32]:
    """Mean likelihood where each sub-band, shape (b, m), carries the source or does not, shape (m,)."""
    total = np.zeros(likelihood.shape[1], dtype=np.float32)
    each = np.empty_like(likelihood)
    with np.errstate(over="ignore"):  # more than is worth knowing here
        for share in CARRYING_SHARES.astype(np.float32):
            np.multiply(likelihood, share, out=each)
            each += 1 - share
            total += each.prod(axis=0)
    return total / np.float32(CARRYING_SHARES.size)


def in_full_where_loud(
    rough: NDArray[np.float64], in_full: Callable[[NDArray[np.int64]], NDArray[np.float64]]
) -> NDArray[np.float64]:
    """Log-likelihood of every delay, in full where it stands out.

    Parameters
    ----------
    rough : numpy.ndarray
        Shape (m,): one row of `at_a_glance`.
    in_full : callable
        Gives the log-likelihood at some delays, asked for by their numbers.

    Returns
    -------
    numpy.ndarray
        Shape (m,).
    """
    loud = np.flatnonzero(rough > min(LITTLE_NATS, float(rough.max()) - NEAR_LARGEST_NATS))
    found = rough.copy()
    found[loud] = in_full(loud)
    return found
