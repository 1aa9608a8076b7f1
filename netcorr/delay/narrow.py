"""The likelihood of every delay for a source in a narrow band, wherever its edges lie.

A source that fills 10 Hz may lie across two of the sub-bands of `netcorr.delay.likelihood`. Whatever band is
then put together from these is mostly noise; the evidence is weak, and it is taken for that of a source that
fills the whole band, of which neighbouring cycles would be told apart much better than they are. So at low
frequencies, where pipes carry narrow bands, all bands between 8 and 24 Hz are tried on a fine grid, wherever
what is heard is narrow at all.

A cycle of low frequencies is long: the delays are sampled coarsely.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from scipy.interpolate import CubicSpline

from netcorr.delay.band_tables import log_mean, log_mean_of_bands
from netcorr.delay.glance import at_a_glance, in_full_where_loud
from netcorr.delay.likelihood import LEAST_BINS
from netcorr.delay.sub_bands import dispersed_sums, period_samples, sub_band_sums

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
#: Above this the likelihood itself is too sharp for the spline: the sums, which are smooth, are joined by one
#: instead. Coarse delays beside those that are asked for that take part. [nats]
SHARP_NATS, BESIDE = 10.0, 8


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
        each = max(round(GRID_HZ / bin_hz), 1)
        first = int(np.ceil(band_hz[0] / bin_hz))
        count = max(int((min(HIGHEST_NARROW_HZ, band_hz[1]) / bin_hz - first) / each), 0)
        ends = first + each * np.arange(count + 1)
        counted = np.diff(np.concatenate([[0], np.cumsum(usable)])[ends])
        self._bins = np.concatenate([[0.0], np.cumsum(counted * (duration_s * bin_hz))])
        period = period_samples(int(np.ceil(PER_CYCLE * HIGHEST_NARROW_HZ / bin_hz)))
        rate_hz = period * bin_hz
        start, stop = int(np.floor(delay_s[0] * rate_hz)), int(np.ceil(delay_s[-1] * rate_hz)) + 1
        self._coarse_s = np.arange(start, stop) / rate_hz
        self._sums = np.zeros((count + 1, stop - start))
        if count:
            inside = np.where(usable, cross, 0.0)
            grid = {"period": period, "start": start, "stop": stop}
            rows = (
                sub_band_sums(inside, ends, **grid)
                if dispersion is None
                else dispersed_sums(inside, ends, bin_hz=bin_hz, dispersion=dispersion, **grid)
            )
            np.cumsum(rows * (duration_s * bin_hz), axis=0, out=self._sums[1:])

    def beside(
        self, upright: NDArray[np.float64], reverse: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Log-likelihood of every delay for either polarity with this picture as one of three.

        Parameters
        ----------
        upright, reverse : numpy.ndarray
            Shape (m,): mean of the other two (`netcorr.delay.likelihood`), for polarity 1 and -1.

        Returns
        -------
        upright, reverse : numpy.ndarray
            Shape (m,).
        """
        narrow = self.of_polarities()
        if narrow is None:
            return upright, reverse
        return log_mean([upright, upright, narrow[0]]), log_mean([reverse, reverse, narrow[1]])

    def of_polarities(self) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
        """Log-likelihood of every delay for polarity 1 and for -1, shape (m,) each; None without any band."""
        bands = np.array(
            [(start, start + width) for width in WIDTHS for start in range(self._bins.size - width)],
            dtype=np.int64,
        ).reshape(-1, 2)
        bins = self._bins[bands[:, 1]] - self._bins[bands[:, 0]]
        told = bins >= LEAST_BINS
        if not told.any():
            return None
        ends, bins = bands[told].T, bins[told]

        def in_full(sums: NDArray[np.float64], polarity: int) -> NDArray[np.float64]:
            return log_mean_of_bands(sums, ends, bins, polarity=polarity)

        def at_coarse(polarity: int, some: NDArray[np.int64]) -> NDArray[np.float64]:
            return in_full(self._sums[:, some], polarity)

        coarse = [
            in_full_where_loud(rough, partial(at_coarse, polarity))
            for rough, polarity in zip(at_a_glance(self._sums, ends, bins), (1, -1), strict=True)
        ]
        both = CubicSpline(self._coarse_s, np.array(coarse), axis=1)(self._asked_s)
        sharp = np.flatnonzero(both.max(axis=0) > SHARP_NATS)
        if sharp.size:
            sums = self._sums_at(self._asked_s[sharp])
            both[:, sharp] = [in_full(sums, polarity) for polarity in (1, -1)]
        upright, reverse = both
        return upright, reverse

    def _sums_at(self, delay_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Running sums at some delays, ascending, by splines through those at the coarse ones around them."""
        first, last = np.searchsorted(self._coarse_s, delay_s[[0, -1]])
        near = slice(max(int(first) - BESIDE, 0), int(last) + BESIDE)
        sums = CubicSpline(self._coarse_s[near], self._sums[:, near], axis=1)(delay_s)
        return np.asarray(sums, dtype=np.float64)
