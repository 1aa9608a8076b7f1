"""Correlograms of narrow sub-bands at closely spaced delays, without one long transform for each.

What a sub-band adds to a correlogram changes as slowly as the band is narrow, beside its carrier. So it is
transformed at a rate just above its width, and only the delays that are asked for are filled in, by a short
filter that brings the carrier back. Cost grows with the delays asked for, not with the length of the record.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy import fft

from netcorr.delay.products import product

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

#: Samples of a period are a multiple of this, so that every coarse rate below divides it.
MULTIPLE = 512
#: Coarse samples are taken at so many times the width of a sub-band at least.
LEAST_OVERSAMPLING = 2.7
#: Coarse samples that make up one fine one, and shape of the Kaiser window over them: what the filter leaves
#: of neighbouring images is below 1e-4 of the correlogram.
TAPS, KAISER = 10, 9.5


def period_samples(at_least: int) -> int:
    """Samples of a period that transforms like and that every coarse rate divides.

    Parameters
    ----------
    at_least : int
        So many at least.

    Returns
    -------
    int
        A multiple of `MULTIPLE`.

    Examples
    --------
    >>> period_samples(100_000)
    102400
    """
    return MULTIPLE * int(fft.next_fast_len(-(-at_least // MULTIPLE), real=True))


def sub_band_bins(edges_hz: NDArray[np.float64], bin_hz: float, count: int) -> NDArray[np.int64]:
    """First bin of every sub-band, and one past the last of the last, which has its upper edge.

    Parameters
    ----------
    edges_hz : numpy.ndarray
        Shape (b + 1,), ascending. [Hz]
    bin_hz : float
        Width of a bin. [Hz]
    count : int
        Number of bins.

    Returns
    -------
    numpy.ndarray
        Shape (b + 1,).

    Examples
    --------
    >>> sub_band_bins(np.array([10.0, 20.0, 30.0]), 5.0, 100)
    array([2, 4, 7])
    """
    frequency_hz = np.arange(count, dtype=np.float64) * bin_hz
    first = np.searchsorted(frequency_hz, edges_hz, side="left")
    first[-1] = np.searchsorted(frequency_hz, edges_hz[-1], side="right")
    return np.asarray(first, dtype=np.int64)


def sub_band_sums(
    cross: NDArray[np.complex128], bins: NDArray[np.int64], *, period: int, start: int, stop: int
) -> NDArray[np.float64]:
    """Real part of the sum over each sub-band, steered to every delay of a range.

    Parameters
    ----------
    cross : numpy.ndarray
        Shape (k,), complex: zero where nothing is to be counted.
    bins : numpy.ndarray
        Shape (b + 1,): first bin of every sub-band, and one past the last.
    period : int
        Samples of a period, from `period_samples`: delay j is j / period of the inverse of a bin's width.
    start, stop : int
        First delay in samples, and one past the last; negative ones are earlier.

    Returns
    -------
    numpy.ndarray
        Shape (b, stop - start): ``Re sum_k cross[k] exp(2 pi i k j / period)``.

    Examples
    --------
    >>> tone = np.zeros(1000, dtype=complex)
    >>> tone[100] = 1.0
    >>> sub_band_sums(tone, np.array([90, 110]), period=2560, start=0, stop=3).round(3)
    array([[1.   , 0.97 , 0.882]])
    """
    sums = np.empty((bins.size - 1, stop - start))
    for apart, bands in _by_rate(np.diff(bins), period):
        points = period // apart
        folded = np.zeros((len(bands), points), dtype=np.complex128)
        for row, band in zip(folded, bands, strict=True):
            inside = np.arange(bins[band], bins[band + 1])
            row[inside % points] = cross[inside]
        first, last = start // apart, (stop - 1) // apart
        wanted = np.arange(first - TAPS // 2 + 1, last + TAPS // 2 + 1) % points
        coarse = fft.ifft(folded, axis=1, norm="forward")[:, wanted]
        near = np.lib.stride_tricks.sliding_window_view(coarse, TAPS, axis=1)
        middle = (bins[bands] + bins[[band + 1 for band in bands]] - 1) / 2
        filters = np.stack([_filter(apart, float(one) / period) for one in middle])
        fine = product(np.concatenate([near.real, near.imag], axis=2), filters)
        skip = start - first * apart
        sums[bands] = fine.reshape(len(bands), -1)[:, skip : skip + stop - start]
    return sums


def _by_rate(widths: NDArray[np.int64], period: int) -> Iterator[tuple[int, list[int]]]:
    """Sub-bands that are sampled alike, with how many fine samples lie between two coarse ones."""
    most = period / (LEAST_OVERSAMPLING * np.maximum(widths, 1))
    apart = 2 ** np.floor(np.log2(np.clip(most, 1, MULTIPLE))).astype(np.int64)
    for one in np.unique(apart):
        yield int(one), np.flatnonzero(apart == one).tolist()


@lru_cache(maxsize=256)
def _filter(apart: int, cycles: float) -> NDArray[np.float64]:
    """What each coarse sample gives to the fine ones after the middle one: shape (2 TAPS, apart).

    For the real and the imaginary parts; `cycles` is the carrier in cycles a fine sample.
    """
    after = np.arange(apart)[None, :] / apart - np.arange(1 - TAPS // 2, 1 + TAPS // 2)[:, None]
    inside = np.sqrt(np.maximum(1 - (2 * after / TAPS) ** 2, 0.0))
    shape = np.sinc(after) * np.i0(KAISER * inside) / np.i0(KAISER)
    turn = 2 * np.pi * cycles * apart * after
    return np.concatenate([shape * np.cos(turn), -shape * np.sin(turn)])
