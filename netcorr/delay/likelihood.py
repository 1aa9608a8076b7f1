"""The likelihood of every delay, with the unknown coherence and the unknown band integrated out.

Two channels of Gaussian noise with known power share a source with coherence amplitude ``g`` over a
contiguous band of ``K`` independent bins. With ``r`` the correlogram of the unit-power spectra at a
delay, averaged over these bins, the likelihood over that of no common source is, power concentrated out,

    ``(1 - g^2)^K (1 - g r)^(-2 K)``.

It is averaged over a logarithmic grid of ``g``. For one known coherence it is the maximum-likelihood
correlogram of Hannan and Thomson (Knapp and Carter, 1976). How coherence changes over frequency is not known
either, so two pictures are averaged: one coherence over some contiguous band, all bands tried; and a
coherence of its own in every sub-band that carries any. The first hears weaker sources; the second is not led
astray by side pipes and mountings, whose resonances give each stretch of the spectrum its own strength.
Either polarity of one sensor against the other is possible.
"""

from __future__ import annotations

from copy import copy
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy import fft
from scipy.special import logsumexp

from netcorr.delay.bands import contiguous_bands, sub_band_edges_hz

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.delay.dispersion import Dispersion

#: Coherence amplitudes that are averaged over; equal weight on a logarithmic scale.
COHERENCE_AMPLITUDES = np.geomspace(0.01, 0.985, 80)
#: Shares of the sub-bands that may carry the source, when each has a coherence of its own.
CARRYING_SHARES = np.array([0.03, 0.1, 0.3, 0.6, 0.9])
#: Prior probability that one of two sensors is mounted the other way round, so that its signal is reversed.
REVERSED = 0.25
#: A band of fewer independent bins than this says nothing.
LEAST_BINS = 4
#: Points at which the likelihood of one band is tabulated over the correlogram's value.
TABLE_POINTS = 1501
#: Delays are sampled this many times finer than the sample rate of the band.
OVERSAMPLING = 4
#: Samples kept beyond either end of the search range while the delays are refined.
GUARD = 48
#: All delays.
ALL = slice(None)


@lru_cache(maxsize=4096)
def _band_table(bins: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Log of the likelihood of one band of `bins` bins over r from -1 to 1, and its steps."""
    r = np.linspace(-1.0, 1.0, TABLE_POINTS)[:, None]
    g = COHERENCE_AMPLITUDES[None, :]
    terms = bins * (np.log1p(-(g**2)) - 2 * np.log1p(-g * r))
    table: NDArray[np.float64] = logsumexp(terms, axis=1) - np.log(g.size)
    return table, np.diff(table, append=table[-1])


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
    # two significant digits of the number of bins keep the table small and change nothing that matters
    digits = max(int(np.floor(np.log10(max(bins, 1.0)))) - 1, 0)
    table, steps = _band_table(max(round(bins / 10**digits) * 10**digits, 1))
    position = np.clip(r, -1.0, 1.0)
    position += 1.0
    position *= (TABLE_POINTS - 1) / 2
    index = position.astype(np.int32)
    position -= index
    value = steps.take(index)
    value *= position
    value += table.take(index)
    return value


def average_polarities(upright: NDArray[np.float64], reverse: NDArray[np.float64]) -> NDArray[np.float64]:
    """Log-likelihood over both polarities, from that of either one, shape as given."""
    averaged: NDArray[np.float64] = np.logaddexp(np.log1p(-REVERSED) + upright, np.log(REVERSED) + reverse)
    return averaged


def sub_band_numbers(frequency_hz: NDArray[np.float64], edges_hz: NDArray[np.float64]) -> NDArray[np.int64]:
    """Number of the sub-band of each frequency, -1 for none, shape (k,); the last band has its upper edge."""
    which = np.digitize(frequency_hz, edges_hz) - 1
    which[frequency_hz == edges_hz[-1]] = edges_hz.size - 2
    which[which >= edges_hz.size - 1] = -1
    return np.asarray(which, dtype=np.int64)


class BandCorrelograms:
    """Correlograms of one pair in every sub-band, over the delays of the search range.

    Parameters
    ----------
    cross : numpy.ndarray
        Shape (k,), complex: conj(A) B of unit-power spectra, zero where unusable.
    usable : numpy.ndarray
        Shape (k,), bool.
    bin_hz : float
        Width of a bin of `cross`. [Hz]
    duration_s : float
        Length of record that the spectra come from; a bin counts for ``duration_s * bin_hz``. [s]
    max_delay_s : float
        Half width of the search range. [s]
    band_hz : (float, float)
        Band to divide. [Hz]
    dispersion : Dispersion, optional
        Phase to take out, delay by delay.

    Attributes
    ----------
    delay_s : numpy.ndarray
        Shape (m,): evenly spaced delays, symmetric round 0. [s]
    sums : numpy.ndarray
        Shape (b + 1, m): correlogram summed over the sub-bands below, in bins.
    bins : numpy.ndarray
        Shape (b + 1,): independent bins in the sub-bands below.
    edges_hz : numpy.ndarray
        Shape (b + 1,): edges of the sub-bands. [Hz]
    """

    def __init__(
        self,
        cross: NDArray[np.complex128],
        usable: NDArray[np.bool_],
        *,
        bin_hz: float,
        duration_s: float,
        max_delay_s: float,
        band_hz: tuple[float, float],
        dispersion: Dispersion | None = None,
    ) -> None:
        self._dispersion = dispersion
        self.edges_hz = sub_band_edges_hz(*band_hz)
        which = sub_band_numbers(np.arange(cross.size, dtype=np.float64) * bin_hz, self.edges_hz)
        per_bin = duration_s * bin_hz
        which = np.where(usable, which, -1)
        size = fft.next_fast_len(2 * cross.size, real=True)
        self._rate_hz = size * bin_hz
        self._half = int(np.ceil(max_delay_s * self._rate_hz)) + 1
        counted = np.bincount(which[which >= 0], minlength=self.edges_hz.size - 1)
        bins = np.asarray(counted * per_bin, dtype=np.float64)
        rows = (per_bin * size / 2) * self.correlate(cross, which, size=size)
        centre = rows.shape[1] // 2
        self.delay_s = (np.arange(rows.shape[1]) - centre) / (self._rate_hz * OVERSAMPLING)
        self._fill(rows, bins)

    def _fill(self, rows: NDArray[np.float64], bins: NDArray[np.float64]) -> None:
        """Take correlograms and numbers of bins of the sub-bands, shapes (b, m) and (b,)."""
        self.sums = np.vstack([np.zeros(rows.shape[1]), np.cumsum(rows, axis=0)])
        self.bins = np.concatenate([[0.0], np.cumsum(bins)])

    def with_rows(
        self, rows: NDArray[np.float64], bins: NDArray[np.float64], delays: slice = ALL
    ) -> BandCorrelograms:
        """The same sub-bands, at some of the delays, with other correlograms and numbers of bins.

        Shapes (b, m) and (b,).
        """
        other = copy(self)
        other.delay_s = self.delay_s[delays]
        other._fill(rows, bins)
        return other

    @property
    def steered(self) -> bool:
        """Whether each delay has a phase of its own, so that few delays cost less than all."""
        return self._dispersion is not None

    def correlate(
        self, cross: NDArray[np.complex128], which: NDArray[np.int64], *, size: int, delays: slice = ALL
    ) -> NDArray[np.float64]:
        """Correlogram of each sub-band from a cross-spectrum, at these delays or some of them: shape (b, m).

        `which` is the sub-band of each bin, -1 for none; `size` the samples that the spectrum stands for, at
        the rate of these delays.
        """
        if self._dispersion is None:
            return self._correlate(cross, which, size=size)[:, delays]
        frequency_hz = np.arange(cross.size, dtype=np.float64) * (self._rate_hz / size)
        half = self._reach(size)
        delay_s = (np.arange(-half, half + 1) / (self._rate_hz * OVERSAMPLING))[delays]
        rows = np.zeros((self.edges_hz.size - 1, delay_s.size))
        phases = self._dispersion.phases(frequency_hz)
        for phase, weight in zip(phases, self._dispersion.weights(delay_s), strict=True):
            if weight.any():
                steered = self._correlate(cross * np.exp(1j * phase), which, size=size)
                rows += steered[:, delays] * weight
        return rows

    def _reach(self, size: int) -> int:
        """Delays to either side of 0 that a spectrum of so many samples gives."""
        return min(self._half, size // 2 - 1) * OVERSAMPLING

    def _correlate(
        self, cross: NDArray[np.complex128], which: NDArray[np.int64], *, size: int
    ) -> NDArray[np.float64]:
        """Correlogram of each sub-band with one phase for all delays."""
        keep = min(self._half + GUARD, size // 2 - 1)
        coarse = np.empty((self.edges_hz.size - 1, 2 * keep + 1))
        for band, row in enumerate(coarse):
            values = fft.irfft(np.where(which == band, cross, 0.0), size)
            row[keep:] = values[: keep + 1]
            row[:keep] = values[-keep:]
        centre, reach = keep * OVERSAMPLING, self._reach(size)
        return _refine(coarse)[:, centre - reach : centre + reach + 1]

    def mean(self, first: int, last: int) -> tuple[NDArray[np.float64], float]:
        """Correlogram averaged over sub-bands `first` to `last` (exclusive), and its number of bins."""
        bins = float(self.bins[last] - self.bins[first])
        return (self.sums[last] - self.sums[first]) / max(bins, 1e-9), bins

    def log_likelihood(self) -> NDArray[np.float64]:
        """Log-likelihood of every delay, pictures and polarities averaged, shape (m,)."""
        return average_polarities(self.of_polarity(1), self.of_polarity(-1))

    def of_polarity(self, polarity: int) -> NDArray[np.float64]:
        """Log-likelihood of every delay for one polarity, 1 or -1, pictures averaged, shape (m,)."""
        both = [self.one_band(polarity), self.own_coherences(polarity)]
        return np.asarray(np.logaddexp(*both) - np.log(2), dtype=np.float64)

    def one_band(self, polarity: int = 1) -> NDArray[np.float64]:
        """Log-likelihood of every delay with one coherence over a contiguous band, shape (m,)."""
        values = []
        for first, last in contiguous_bands(self.edges_hz.size - 1):
            bins = float(self.bins[last] - self.bins[first])
            if bins < LEAST_BINS:
                continue
            r = (self.sums[last] - self.sums[first]) * (polarity / bins)
            values.append(band_log_likelihood(r, bins))
        if not values:
            return np.zeros(self.delay_s.size)
        return log_mean(values)

    def own_coherences(self, polarity: int = 1) -> NDArray[np.float64]:
        """Log-likelihood of every delay with a coherence of its own in every sub-band, shape (m,)."""
        evidence = self._sub_band_evidence(ALL, polarity=polarity)
        # (1 - share) + share exp(evidence), brought to a largest term of 1; no product of bands is too small
        above = np.maximum(evidence, 0.0)
        silent, carrying = np.exp(-above), np.exp(evidence - above)
        terms = [np.log(((1 - share) * silent + share * carrying).prod(axis=0)) for share in CARRYING_SHARES]
        averaged: NDArray[np.float64] = above.sum(axis=0) + log_mean(terms)
        return averaged

    def best_band(self, index: int, *, polarity: int = 1) -> tuple[int, int]:
        """Sub-bands (first, one past the last) whose evidence for one delay has the largest sum."""
        evidence = self._sub_band_evidence(slice(index, index + 1), polarity=polarity)[:, 0]
        best, start, total = (-np.inf, 0, 1), 0, 0.0
        for band, value in enumerate(evidence):
            if total <= 0:
                start, total = band, 0.0
            total += float(value)
            if total > best[0]:
                best = (total, start, band + 1)
        return best[1], best[2]

    def _sub_band_evidence(self, delays: slice, *, polarity: int) -> NDArray[np.float64]:
        """Log-likelihood of every sub-band by itself at some of the delays, shape (b, m)."""
        rows = np.zeros((self.edges_hz.size - 1, self.delay_s[delays].size))
        for band in range(rows.shape[0]):
            bins = float(self.bins[band + 1] - self.bins[band])
            if bins >= LEAST_BINS:
                r = (self.sums[band + 1, delays] - self.sums[band, delays]) / bins
                rows[band] = band_log_likelihood(polarity * r, bins)
        return rows


def log_mean(rows: list[NDArray[np.float64]]) -> NDArray[np.float64]:
    """Logarithm of the mean of exponentials, row by row: several pictures, each as likely as the others.

    Parameters
    ----------
    rows : list of numpy.ndarray
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
    top = np.maximum.reduce(rows)
    total = np.zeros_like(top)
    for row in rows:
        total += np.exp(row - top)
    averaged: NDArray[np.float64] = top + np.log(total / len(rows))
    return averaged


def _refine(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Band-limited interpolation; the guard at either end takes the ringing of the cut."""
    points = rows.shape[1]
    ramp = np.ones(points)
    edge = min(GUARD // 2, points // 4)
    if edge:
        ramp[:edge] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(edge) + 0.5) / edge)
        ramp[-edge:] = ramp[:edge][::-1]
    size = fft.next_fast_len(points + GUARD, real=True)
    spectrum = fft.rfft(rows * ramp, size, axis=1)
    fine = fft.irfft(spectrum, size * OVERSAMPLING, axis=1) * OVERSAMPLING
    refined: NDArray[np.float64] = fine[:, : (points - 1) * OVERSAMPLING + 1]
    return refined
