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
from typing import TYPE_CHECKING

import numpy as np

from netcorr.delay.band_tables import (
    CARRYING_SHARES,
    LookUp,
    few_at_once,
    log_mean,
    log_mean_of_bands,
    rounded,
    stacked_tables,
)
from netcorr.delay.bands import contiguous_bands, sub_band_edges_hz
from netcorr.delay.glance import at_a_glance, in_full_where_loud
from netcorr.delay.sub_bands import dispersed_sums, period_samples, sub_band_bins, sub_band_sums

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from netcorr.delay.dispersion import Dispersion

#: Prior probability that one of two sensors is mounted the other way round, so that its signal is reversed.
REVERSED = 0.25
#: A band of fewer independent bins than this says nothing.
LEAST_BINS = 4
#: Delays are sampled this many times finer than the sample rate of the band.
OVERSAMPLING = 4
#: All delays.
ALL = slice(None)


def _log_some_carry(evidence: NDArray[np.float64]) -> NDArray[np.float64]:
    """Log-likelihood where each sub-band, with evidence of shape (b, m), carries the source or does not.

    Sub-bands without evidence may be left out: carrying it or not is the same there.
    """
    # (1 - share) + share exp(evidence), brought to a largest term of 1; no product of bands is too small
    above = np.maximum(evidence, 0.0)
    lesser = np.exp(-np.abs(evidence))
    silent = np.where(evidence > 0, lesser, 1.0)
    rise = np.where(evidence > 0, 1 - lesser, lesser - 1)
    terms, each = [], np.empty_like(rise)
    for share in CARRYING_SHARES:
        np.multiply(rise, share, out=each)
        each += silent
        terms.append(np.log(each.prod(axis=0)))
    return np.asarray(above.sum(axis=0) + log_mean(terms), dtype=np.float64)


def average_polarities(upright: NDArray[np.float64], reverse: NDArray[np.float64]) -> NDArray[np.float64]:
    """Log-likelihood over both polarities, from that of either one, shape as given."""
    averaged: NDArray[np.float64] = np.logaddexp(np.log1p(-REVERSED) + upright, np.log(REVERSED) + reverse)
    return averaged


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
    samples : int
        Samples that a whole period of the spectrum stands for.
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
        numbers = sub_band_bins(self.edges_hz, bin_hz, cross.size)
        per_bin = duration_s * bin_hz
        self.samples = period_samples(2 * cross.size)
        self._rate_hz = self.samples * bin_hz * OVERSAMPLING
        half = (int(np.ceil(max_delay_s * self._rate_hz / OVERSAMPLING)) + 1) * OVERSAMPLING
        self.delay_s = np.arange(-half, half + 1) / self._rate_hz
        counted = np.concatenate([[0], np.cumsum(usable)])[numbers]
        rows = per_bin * self.correlate(np.where(usable, cross, 0.0), numbers, samples=self.samples)
        self._fill(rows, np.diff(counted) * per_bin)

    def _fill(self, rows: NDArray[np.float64], bins: NDArray[np.float64]) -> None:
        """Take correlograms and numbers of bins of the sub-bands, shapes (b, m) and (b,)."""
        self.sums = np.zeros((rows.shape[0] + 1, rows.shape[1]))
        for row, below, above in zip(rows, self.sums, self.sums[1:], strict=False):
            np.add(below, row, out=above)
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

    def correlate(
        self, cross: NDArray[np.complex128], numbers: NDArray[np.int64], *, samples: int, delays: slice = ALL
    ) -> NDArray[np.float64]:
        """Sum over each sub-band of a cross-spectrum, steered to these delays or some of them: shape (b, m).

        `numbers` are the first bins of the sub-bands, and one past the last; the spectrum stands for so many
        `samples`, at the rate of this one's.
        """
        first, last, _ = delays.indices(self.delay_s.size)
        earliest, period = first - self.delay_s.size // 2, samples * OVERSAMPLING
        stop = earliest + last - first
        if self._dispersion is None:
            return sub_band_sums(cross, numbers, period=period, start=earliest, stop=stop)
        return dispersed_sums(
            cross,
            numbers,
            bin_hz=self._rate_hz / period,
            dispersion=self._dispersion,
            period=period,
            start=earliest,
            stop=stop,
        )

    def mean(self, first: int, last: int) -> tuple[NDArray[np.float64], float]:
        """Correlogram averaged over sub-bands `first` to `last` (exclusive), and its number of bins."""
        bins = float(self.bins[last] - self.bins[first])
        return (self.sums[last] - self.sums[first]) / max(bins, 1e-9), bins

    def log_likelihood(self) -> NDArray[np.float64]:
        """Log-likelihood of every delay, pictures and polarities averaged, shape (m,)."""
        return average_polarities(*self.of_polarities())

    def of_polarities(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Log-likelihood of every delay for polarity 1 and for -1, pictures averaged, shape (m,) each.

        In full where anything stands out, to about 0.01 where nothing does.
        """
        ends, bins = self._told()
        if not bins.size:
            return self.of_polarity(1), self.of_polarity(-1)
        alone = np.flatnonzero(ends[1] - ends[0] == 1)
        upright, reverse = at_a_glance(self.sums, ends, bins, alone=alone)
        return (
            in_full_where_loud(upright, lambda some: self._at(some).of_polarity(1)),
            in_full_where_loud(reverse, lambda some: self._at(some).of_polarity(-1)),
        )

    def _at(self, some: NDArray[np.int64]) -> BandCorrelograms:
        """The same at some of the delays."""
        other = copy(self)
        other.delay_s, other.sums = self.delay_s[some], self.sums[:, some]
        return other

    def _told(self) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Contiguous bands that say anything, first sub-band and one past the last, and their bins."""
        bands = contiguous_bands(self.edges_hz.size - 1)
        bins = self.bins[bands[:, 1]] - self.bins[bands[:, 0]]
        return bands[bins >= LEAST_BINS].T, bins[bins >= LEAST_BINS]

    def of_polarity(self, polarity: int) -> NDArray[np.float64]:
        """Log-likelihood of every delay for one polarity, 1 or -1, pictures averaged, shape (m,)."""
        both = [self.one_band(polarity), self.own_coherences(polarity)]
        return np.asarray(np.logaddexp(*both) - np.log(2), dtype=np.float64)

    def one_band(self, polarity: int = 1) -> NDArray[np.float64]:
        """Log-likelihood of every delay with one coherence over a contiguous band, shape (m,)."""
        ends, bins = self._told()
        if not bins.size:
            return np.zeros(self.delay_s.size)
        return log_mean_of_bands(self.sums, ends, bins, polarity=polarity)

    def own_coherences(self, polarity: int = 1) -> NDArray[np.float64]:
        """Log-likelihood of every delay with a coherence of its own in every sub-band, shape (m,)."""
        parts = few_at_once(self.delay_s.size)
        return np.concatenate(
            [_log_some_carry(one) for one in self._sub_band_evidence(parts, polarity=polarity)]
        )

    def best_band(self, index: int, *, polarity: int = 1) -> tuple[int, int]:
        """Sub-bands (first, one past the last) whose evidence for one delay has the largest sum."""
        [evidence] = self._sub_band_evidence([slice(index, index + 1)], polarity=polarity)
        best, start, total = (-np.inf, 0, 1), 0, 0.0
        for band, value in enumerate(evidence[:, 0]):
            if total <= 0:
                start, total = band, 0.0
            total += float(value)
            if total > best[0]:
                best = (total, start, band + 1)
        return best[1], best[2]

    def _sub_band_evidence(self, parts: Sequence[slice], *, polarity: int) -> Iterator[NDArray[np.float64]]:
        """Log-likelihood of every sub-band by itself, shape (b, m), at some delays and then at others.

        It is to be read before the next is asked for; 0 for sub-bands that say nothing.
        """
        bins = np.diff(self.bins)
        telling = bins >= LEAST_BINS
        tables = stacked_tables(rounded(np.maximum(bins, LEAST_BINS)), np.complex128)
        look_up = LookUp(tables, max(part.stop - part.start for part in parts))
        per_bin = (polarity * telling / np.maximum(bins, LEAST_BINS))[:, None]
        for some in parts:
            rows = look_up(np.diff(self.sums[:, some], axis=0) * per_bin)
            rows[~telling] = 0.0
            yield rows
