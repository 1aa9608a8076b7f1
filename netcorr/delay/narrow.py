"""The likelihood of every delay for a source in a narrow band, wherever its edges lie.

A source that fills 10 Hz may lie across two of the sub-bands of `netcorr.delay.likelihood`. Whatever band is
then put together from these is mostly noise; the evidence is weak, and it is taken for that of a source that
fills the whole band, of which neighbouring cycles would be told apart much better than they are. So at low
frequencies, where pipes carry narrow bands, all bands between 8 and 24 Hz are tried on a fine grid, wherever
what is heard is narrow at all.

A cycle of low frequencies is long: the delays are sampled coarsely, and the few of the search range are had
by products of matrices and not by transforms of the whole record.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.interpolate import CubicSpline

from netcorr.delay.likelihood import ALL, LEAST_BINS, log_mean, log_mean_of_bands
from netcorr.delay.products import product

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.delay.dispersion import Dispersion

#: Bands begin at multiples of this above the lowest frequency, ... [Hz]
GRID_HZ = 4.0
#: ... are so many times as wide, ...
WIDTHS = (2, 3, 4, 6)
#: ... and lie below this: above it neighbouring cycles are less than a dig apart. [Hz]
HIGHEST_NARROW_HZ = 256.0
#: Delays are sampled so many times in a cycle of the highest frequency; a cubic spline joins them.
PER_CYCLE = 16


class NarrowCorrelograms:
    """Correlograms of one pair in steps of `GRID_HZ`, at coarse delays.

    Parameters
    ----------
    cross : numpy.ndarray
        Shape (k,), complex: conj(A) B of unit-power spectra.
    usable : numpy.ndarray
        Shape (k,), bool.
    bin_hz : float
        Width of a bin of `cross`. [Hz]
    duration_s : float
        Length of record that the spectra come from; a bin counts for ``duration_s * bin_hz``. [s]
    delay_s : numpy.ndarray
        Shape (m,), ascending: delays that will be asked for. [s]
    band_hz : (float, float)
        Band in which a source may lie. [Hz]
    dispersion : Dispersion, optional
        Phase to take out, delay by delay.
    """

    def __init__(
        self,
        cross: NDArray[np.complex128],
        usable: NDArray[np.bool_],
        *,
        bin_hz: float,
        duration_s: float,
        delay_s: NDArray[np.float64],
        band_hz: tuple[float, float],
        dispersion: Dispersion | None = None,
    ) -> None:
        self._asked_s = delay_s
        points = int(np.ceil((delay_s[-1] - delay_s[0]) * PER_CYCLE * HIGHEST_NARROW_HZ)) + 2
        self._coarse_s = np.linspace(delay_s[0], delay_s[-1], points)
        each = max(round(GRID_HZ / bin_hz), 1)
        first = int(np.ceil(band_hz[0] / bin_hz))
        count = max(int((min(HIGHEST_NARROW_HZ, band_hz[1]) / bin_hz - first) / each), 0)
        bins = first + np.arange(count * each).reshape(count, each)
        inside = usable[bins]
        parts = np.where(inside, cross[bins], 0.0)
        self._bins = np.concatenate([[0.0], np.cumsum(inside.sum(axis=1) * (duration_s * bin_hz))])
        rows = np.zeros((count, points))
        turns = _turns(first, (count, each), self._coarse_s, bin_hz=bin_hz)
        if dispersion is None:
            rows = _correlate(parts, turns)
        else:
            frequency_hz = bins.ravel().astype(np.float64) * bin_hz
            phases = dispersion.phases(frequency_hz).reshape(-1, count, each)
            for phase, weight in zip(phases, dispersion.weights(self._coarse_s), strict=True):
                near = np.flatnonzero(weight > 0)
                if near.size:
                    some = slice(int(near[0]), int(near[-1]) + 1)
                    steered = _correlate(parts * np.exp(1j * phase), turns, some)
                    rows[:, some] += steered * weight[some]
        self._sums = np.vstack([np.zeros(points), np.cumsum(rows * (duration_s * bin_hz), axis=0)])

    def beside(self, pictures: NDArray[np.float64], polarity: int) -> NDArray[np.float64]:
        """Log-likelihood of every delay for one polarity with this picture as one of three.

        Parameters
        ----------
        pictures : numpy.ndarray
            Shape (m,): mean of the other two (`netcorr.delay.likelihood`).
        polarity : {1, -1}
            Of one sensor against the other.

        Returns
        -------
        numpy.ndarray
            Shape (m,).
        """
        narrow = self.of_polarity(polarity)
        return pictures if narrow is None else log_mean([pictures, pictures, narrow])

    def of_polarity(self, polarity: int) -> NDArray[np.float64] | None:
        """Log-likelihood of every delay for one polarity, 1 or -1, shape (m,); None without any band."""
        bands = np.array(
            [(start, start + width) for width in WIDTHS for start in range(self._bins.size - width)],
            dtype=np.int64,
        ).reshape(-1, 2)
        bins = self._bins[bands[:, 1]] - self._bins[bands[:, 0]]
        told = bins >= LEAST_BINS
        if not told.any():
            return None
        coarse = log_mean_of_bands(self._sums, bands[told].T, bins[told], polarity=polarity)
        return np.asarray(CubicSpline(self._coarse_s, coarse)(self._asked_s), dtype=np.float64)


def _turns(
    first: int, shape: tuple[int, int], delay_s: NDArray[np.float64], *, bin_hz: float
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Phase of each bin of a row after its first, and of the first bins of all rows, at each delay."""
    count, each = shape
    bins = 2j * np.pi * bin_hz * delay_s
    within = _powers(np.ones(delay_s.size), np.exp(bins), each)
    return within, _powers(np.exp(first * bins), np.exp(each * bins), count)


def _powers(start: NDArray[Any], factor: NDArray[np.complex128], count: int) -> NDArray[np.complex128]:
    """Rows of which each is the one before times a factor: quicker than an exponential for each."""
    rows = np.empty((count, factor.size), dtype=np.complex128)
    row = start
    for out in rows:
        out[:] = row
        row = out * factor
    return rows


def _correlate(
    parts: NDArray[np.complex128],
    turns: tuple[NDArray[np.complex128], NDArray[np.complex128]],
    some: slice = ALL,
) -> NDArray[np.float64]:
    """Real part of each row's sum, steered to some of the delays, shape (b, m)."""
    within, starts = (np.ascontiguousarray(one[:, some]) for one in turns)
    return np.asarray((product(parts, within) * starts).real, dtype=np.float64)
