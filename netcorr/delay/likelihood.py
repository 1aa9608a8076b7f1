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
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from scipy.special import logsumexp

from netcorr.delay.bands import contiguous_bands, sub_band_edges_hz
from netcorr.delay.sub_bands import period_samples, sub_band_bins, sub_band_sums

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from netcorr.delay.dispersion import Dispersion

Real = TypeVar("Real", np.float32, np.float64)

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
#: Delays for which all bands are weighed at once: so many that what is worked on stays in the cache.
DELAYS_AT_ONCE = 1024
#: All delays.
ALL = slice(None)


@lru_cache(maxsize=4096)
def _band_table(bins: int) -> NDArray[np.float64]:
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
    tables = _stacked_tables(_rounded(np.array([bins])), np.complex128)
    flat: NDArray[np.float64] = np.array(r, dtype=np.float64).reshape(1, -1)
    return _LookUp(tables, flat.size)(flat).reshape(r.shape)


def _rounded(bins: NDArray[np.float64]) -> tuple[int, ...]:
    """Two significant digits of the numbers of bins keep the tables few and change nothing that matters."""
    unit = 10.0 ** np.maximum(np.floor(np.log10(np.maximum(bins, 1.0))) - 1, 0)
    return tuple(np.maximum(np.rint(bins / unit) * unit, 1).astype(int).tolist())


@lru_cache(maxsize=32)
def _stacked_tables(bins: tuple[int, ...], kind: type[Any]) -> NDArray[Any]:
    """Tables of several bands, shape (b, TABLE_POINTS): as imaginary part of each value the rise to the next.

    Both are so read by one look, which takes the time.
    """
    tables = np.zeros((len(bins), TABLE_POINTS), dtype=kind)
    for row, one in zip(tables, bins, strict=True):
        table = _band_table(one)
        row.real = table
        row.imag[:-1] = np.diff(table)
    return tables


class _LookUp:
    """Log-likelihood of several bands at their r, worked out in room that is used again.

    New room for every few delays would take as long as the work itself.

    Parameters
    ----------
    tables : numpy.ndarray
        Shape (b, TABLE_POINTS), complex64 or complex128: from `_stacked_tables`.
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


def _few_at_once(delays: int) -> list[slice]:
    """Delays in parts."""
    return [slice(start, start + DELAYS_AT_ONCE) for start in range(0, delays, DELAYS_AT_ONCE)]


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

    def correlate(
        self, cross: NDArray[np.complex128], numbers: NDArray[np.int64], *, samples: int, delays: slice = ALL
    ) -> NDArray[np.float64]:
        """Sum over each sub-band of a cross-spectrum, steered to these delays or some of them: shape (b, m).

        `numbers` are the first bins of the sub-bands, and one past the last; the spectrum stands for so many
        `samples`, at the rate of this one's.
        """
        first, last, _ = delays.indices(self.delay_s.size)
        earliest, period = first - self.delay_s.size // 2, samples * OVERSAMPLING
        if self._dispersion is None:
            return sub_band_sums(cross, numbers, period=period, start=earliest, stop=earliest + last - first)
        rows = np.zeros((self.edges_hz.size - 1, last - first))
        used = np.arange(numbers[0], numbers[-1])
        phases = self._dispersion.phases(used * (self._rate_hz / period))
        steered = np.zeros_like(cross)
        for phase, weight in zip(phases, self._dispersion.weights(self.delay_s[delays]), strict=True):
            some = np.flatnonzero(weight)
            if some.size:
                steered[used] = cross[used] * np.exp(1j * phase)
                here = slice(int(some[0]), int(some[-1]) + 1)
                start, stop = earliest + here.start, earliest + here.stop
                sums = sub_band_sums(steered, numbers, period=period, start=start, stop=stop)
                rows[:, here] += sums * weight[here]
        return rows

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
        bands = contiguous_bands(self.edges_hz.size - 1)
        bins = self.bins[bands[:, 1]] - self.bins[bands[:, 0]]
        (first, last), bins = bands[bins >= LEAST_BINS].T, bins[bins >= LEAST_BINS]
        if not bins.size:
            return np.zeros(self.delay_s.size)
        return log_mean_of_bands(self.sums, np.stack([first, last]), bins, polarity=polarity)

    def own_coherences(self, polarity: int = 1) -> NDArray[np.float64]:
        """Log-likelihood of every delay with a coherence of its own in every sub-band, shape (m,)."""
        parts = _few_at_once(self.delay_s.size)
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
        tables = _stacked_tables(_rounded(np.maximum(bins, LEAST_BINS)), np.complex128)
        look_up = _LookUp(tables, max(part.stop - part.start for part in parts))
        per_bin = (polarity * telling / np.maximum(bins, LEAST_BINS))[:, None]
        for some in parts:
            rows = look_up(np.diff(self.sums[:, some], axis=0) * per_bin)
            rows[~telling] = 0.0
            yield rows


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
    look_up = _LookUp(_stacked_tables(_rounded(bins), np.complex64), DELAYS_AT_ONCE)
    single, per_bin = (polarity * sums).astype(np.float32), (1 / bins[:, None]).astype(np.float32)
    room = np.empty((2, bins.size, DELAYS_AT_ONCE), dtype=np.float32)
    averaged = np.empty(sums.shape[1])
    for some in _few_at_once(sums.shape[1]):
        part = np.ascontiguousarray(single[:, some])
        r, below = room[:, :, : part.shape[1]]
        np.take(part, ends[1], axis=0, out=r, mode="clip")
        r -= np.take(part, ends[0], axis=0, out=below, mode="clip")
        r *= per_bin
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
