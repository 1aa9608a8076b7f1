"""Correlograms of narrow sub-bands at closely spaced delays, without one long transform for each.

What a sub-band adds to a correlogram changes as slowly as the band is narrow, beside its carrier. So it is
transformed at a rate just above its width, and only the delays that are asked for are filled in, by a short
filter that brings the carrier back. Cost grows with the delays asked for, not with the length of the record.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

from netcorr.delay.products import product

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.delay.dispersion import Dispersion

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
    of_rates = _rates(bins, period)
    for rate, samples in zip(of_rates, _sampled(cross, bins, of_rates), strict=True):
        sums[rate.bands] = _filled_in(
            rate.at(samples, rate.around(start, stop)), rate, start=start, stop=stop
        )
    return sums


def dispersed_sums(
    cross: NDArray[np.complex128],
    bins: NDArray[np.int64],
    *,
    bin_hz: float,
    dispersion: Dispersion,
    period: int,
    start: int,
    stop: int,
) -> NDArray[np.float64]:
    """The same with the phase taken out that belongs to each delay.

    Parameters
    ----------
    cross, bins, period, start, stop
        As for `sub_band_sums`.
    bin_hz : float
        Width of a bin. [Hz]
    dispersion : Dispersion
        Phase to take out.

    Returns
    -------
    numpy.ndarray
        Shape (b, stop - start).

    Notes
    -----
    Between two places what each of them gives is joined in a straight line. That is done to the coarse
    samples, along the line and beyond its ends as far as the filter reaches, so that one filter serves both.
    """
    sums = np.empty((bins.size - 1, stop - start))
    of_rates = _rates(bins, period)
    used = slice(int(bins[0]), int(bins[-1]))
    frequency_hz = np.arange(used.start, used.stop, dtype=np.float64) * bin_hz
    nodes = dispersion.delay_s * (period * bin_hz)
    ends = np.concatenate([[start], np.clip(np.ceil(nodes), start, stop), [stop]]).astype(np.int64)
    of_place: dict[int, list[NDArray[np.complex64]]] = {}
    for number, (first, last) in enumerate(pairwise(ends.tolist())):
        if first == last:
            continue
        below, above = max(number - 1, 0), min(number, nodes.size - 1)
        of_place = {
            place: of_place.get(place)
            or _sampled(_steered(cross, used, dispersion.phase(place, frequency_hz)), bins, of_rates)
            for place in (below, above)
        }
        for index, rate in enumerate(of_rates):
            around = rate.around(first, last)
            samples = rate.at(of_place[below][index], around)
            if above > below:
                share = (around * rate.apart - nodes[below]) / (nodes[above] - nodes[below])
                rise = rate.at(of_place[above][index], around) - samples
                samples = samples + rise * share.astype(np.float32)
            filled = _filled_in(samples, rate, start=first, stop=last)
            sums[rate.bands, first - start : last - start] = filled
    return sums


def _steered(
    cross: NDArray[np.complex128], used: slice, phase_rad: NDArray[np.float64]
) -> NDArray[np.complex64]:
    """Spectrum turned by a phase that is given where it is used, zero elsewhere."""
    turned = np.zeros(cross.size, dtype=np.complex64)
    here = turned[used]
    # whole turns are of no use, and cost digits
    turns = phase_rad / (2 * np.pi)
    turns -= np.rint(turns)
    single = (2 * np.pi * turns).astype(np.float32)
    here.real, here.imag = np.cos(single), np.sin(single)
    here *= cross[used]
    return turned


@dataclass(frozen=True, eq=False)
class _Rate:
    """Sub-bands that are sampled alike.

    Attributes
    ----------
    apart : int
        Fine samples between two coarse ones.
    bands : list of int
        Numbers of the sub-bands.
    points : int
        Coarse samples of a period.
    filters : numpy.ndarray
        Shape (bands, 2 TAPS, apart): from `_filter`.
    """

    apart: int
    bands: list[int]
    points: int
    filters: NDArray[np.float32]

    def around(self, start: int, stop: int) -> NDArray[np.int64]:
        """Coarse samples that make up the fine ones of a range; negative ones are of the period before."""
        return np.arange(start // self.apart - TAPS // 2 + 1, (stop - 1) // self.apart + TAPS // 2 + 1)

    def at(self, samples: NDArray[np.complex64], around: NDArray[np.int64]) -> NDArray[np.complex64]:
        """Coarse samples of a period at some places of it, or of the period before or after."""
        return samples[:, around % self.points]


def _rates(bins: NDArray[np.int64], period: int) -> list[_Rate]:
    """Sub-bands by the rate that they need."""
    most = period / (LEAST_OVERSAMPLING * np.maximum(np.diff(bins), 1))
    apart = 2 ** np.floor(np.log2(np.clip(most, 1, MULTIPLE))).astype(np.int64)
    middle = (bins[:-1] + bins[1:] - 1) / (2 * period)
    rates = []
    for one in np.unique(apart).tolist():
        bands = np.flatnonzero(apart == one).tolist()
        filters = np.stack([_filter(one, cycles) for cycles in middle[bands].tolist()])
        rates.append(_Rate(one, bands, period // one, filters))
    return rates


def _sampled(
    cross: NDArray[Any], bins: NDArray[np.int64], rates: Sequence[_Rate]
) -> list[NDArray[np.complex64]]:
    """Coarse samples of every sub-band over a period, for each rate of shape (bands, points)."""
    samples = []
    for rate in rates:
        folded = np.zeros((len(rate.bands), rate.points), dtype=np.complex64)
        for row, band in zip(folded, rate.bands, strict=True):
            inside = cross[bins[band] : bins[band + 1]]
            at = int(bins[band]) % rate.points
            fits = min(inside.size, rate.points - at)
            row[at : at + fits] = inside[:fits]
            row[: inside.size - fits] = inside[fits:]
        samples.append(fft.ifft(folded, axis=1, norm="forward", overwrite_x=True))
    return samples


def _filled_in(samples: NDArray[np.complex64], rate: _Rate, *, start: int, stop: int) -> NDArray[np.float32]:
    """Fine samples of a range from the coarse ones around it, shape (bands, stop - start)."""
    near = np.lib.stride_tricks.sliding_window_view(samples, TAPS, axis=1)
    fine = product(np.concatenate([near.real, near.imag], axis=2), rate.filters)
    skip = start % rate.apart
    return fine.reshape(len(rate.bands), -1)[:, skip : skip + stop - start]


@lru_cache(maxsize=256)
def _filter(apart: int, cycles: float) -> NDArray[np.float32]:
    """What each coarse sample gives to the fine ones after the middle one: shape (2 TAPS, apart).

    For the real and the imaginary parts; `cycles` is the carrier in cycles a fine sample.
    """
    after = np.arange(apart)[None, :] / apart - np.arange(1 - TAPS // 2, 1 + TAPS // 2)[:, None]
    inside = np.sqrt(np.maximum(1 - (2 * after / TAPS) ** 2, 0.0))
    shape = np.sinc(after) * np.i0(KAISER * inside) / np.i0(KAISER)
    turn = 2 * np.pi * cycles * apart * after
    return np.concatenate([shape * np.cos(turn), -shape * np.sin(turn)]).astype(np.float32)
