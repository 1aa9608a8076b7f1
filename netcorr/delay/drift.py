"""Two clocks that run at different speeds: how fast they part, from the recordings themselves, and the cure.

An apparent delay that grows by e seconds in a second smears the peak of a long record: 20 millionths over a
minute leave a sixth of it at 1 kHz. The record is cut into pieces; each keeps its peak, and lining the pieces
up with the right drift brings the whole one back.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy import fft, ndimage

from netcorr.delay.bound import peak_probability
from netcorr.delay.prepare import PreparedRecording
from netcorr.errors import DelayError
from netcorr.recordings.interpolate import interpolate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

#: Shorter records lose little to drift, and say little of it. [s]
LEAST_DURATION_S = 20.0
#: Largest relative drift that is looked for: two crystals at the far ends of their tolerance, cold. [1e-6]
MOST_DRIFT_PPM = 80.0
#: Length of the pieces. [s]
PIECE_S = 0.5
#: Edges of the bands that are tried, alone and with their neighbours. [Hz]
BAND_EDGES_HZ = (10.0, 50.0, 120.0, 250.0, 500.0, 1000.0, 1750.0, 3000.0)
#: A peak may be of noise with this probability at most.
SIGNIFICANT = 1e-4
#: A drift counts from this many standard errors on, and where it shifts the delay by this much. [s]
LEAST_RATIO = 4.0
LEAST_SHIFT_S = 50e-6
#: Standard deviation of the drift between two loggers before anything is heard, for crystals without
#: temperature control (tolerance some 20 each; from memory). [1e-6]
TYPICAL_DRIFT_PPM = 15.0
#: Width over which the coherence is smoothed before it becomes a weight. [Hz]
SMOOTHING_HZ = 30.0
#: Independent bins, times the coherence, over which it is smoothed at least.
SMOOTHING_BINS = 18.0
#: Coherence below this many of its standard deviations counts as none.
LEAST_SIGMA = 2.0
#: Rounds of maximising over delay and drift; each is a Newton step with new weights.
STEPS = 4
#: Of a longer record the first part is used. [s]
MOST_DURATION_S = 600.0
#: A band of fewer independent bins than this says nothing.
LEAST_BINS = 100
#: Refining may move the drift by as much as smears this frequency over the record by a cycle. [Hz]
PEAK_WIDTH_HZ = 20.0
#: Frequencies that are worked on at once.
_BLOCK = 256


@dataclass(frozen=True)
class DriftEstimate:
    """How fast the clocks of a pair part.

    Attributes
    ----------
    drift_ppm : float
        By how many millionths B's clock is fast against A's: the apparent delay grows by so many
        microseconds in a second. [1e-6]
    standard_error_ppm : float
        From the recordings alone; infinite when nothing common was heard. [1e-6]
    delay_s : float
        Delay at the start of the record, where the clocks' offsets hold. [s]
    probability_noise : float
        Probability that noise alone would give a peak this high at any delay and drift.
    duration_s : float
        Length of the record. [s]
    """

    drift_ppm: float
    standard_error_ppm: float
    delay_s: float
    probability_noise: float
    duration_s: float

    @property
    def heard(self) -> bool:
        """Whether both recordings hold something common that a drift can be read from."""
        return self.probability_noise < SIGNIFICANT and math.isfinite(self.standard_error_ppm)

    @property
    def significant(self) -> bool:
        """Whether the clocks part for sure, so that one recording should be corrected."""
        clear = self.heard and abs(self.drift_ppm) > LEAST_RATIO * self.standard_error_ppm
        return clear and 1e-6 * abs(self.drift_ppm) * self.duration_s / 2 > LEAST_SHIFT_S

    @property
    def remaining_sd_s(self) -> float:
        """What is left of the drift's error in the delay at mid-record, corrected or not. [s]

        Zero where nothing common was heard. A drift that was not corrected counts with what is likely of
        it, both from the recordings and from what clocks usually do.
        """
        if not self.heard:
            return 0.0
        left_ppm = self.standard_error_ppm
        if not self.significant:
            trust = 1 / (1 + (left_ppm / TYPICAL_DRIFT_PPM) ** 2)
            left_ppm = math.hypot(trust * self.drift_ppm, math.sqrt(trust) * left_ppm)
        return 1e-6 * left_ppm * self.duration_s / 2


class _Pieces(NamedTuple):
    """Cross-spectra of the pieces: (pieces, bins), unit power where both recordings are usable."""

    cross: NDArray[np.complex64]
    omega: NDArray[np.float64]
    usable: NDArray[np.float64]
    time_s: NDArray[np.float64]
    bin_hz: float

    @property
    def middle_s(self) -> float:
        """Mean of the times of the pieces. [s]"""
        return float(self.time_s.mean())

    @property
    def duration_s(self) -> float:
        """Length of all pieces together. [s]"""
        return 2 * self.middle_s

    @property
    def bins(self) -> NDArray[np.float64]:
        """Independent bins that each bin counts for, all pieces together."""
        return self.usable * self.bin_hz * self.duration_s


class _Peak(NamedTuple):
    """Best of the coarse search; the delay is that at the middle of the record."""

    drift: float
    delay_s: float
    sign: int
    band: slice
    probability: float


def estimate_drift(a: PreparedRecording, b: PreparedRecording, *, max_delay_s: float) -> DriftEstimate:
    """Relative drift of two clocks from the phase of the cross-spectrum over a long record.

    Parameters
    ----------
    a, b : PreparedRecording
        Recordings of one round, prepared alike.
    max_delay_s : float
        Half width of the search over delays. [s]

    Returns
    -------
    DriftEstimate
        Drift, standard error, and whether it is to be trusted.

    Raises
    ------
    DelayError
        If the recordings were not prepared alike, or are shorter than `LEAST_DURATION_S`.

    Notes
    -----
    The cross-spectrum of the piece at time t is turned by ``exp(2j pi f e t)``; the sum over the pieces,
    brought to delays, has its peak at the true drift e and the delay at t = 0. Several bands are tried. At
    the peak both are refined by maximum likelihood (weights ``g / (1 - g^2)``), whose standard error of the
    drift is ``sqrt(12) s / T`` with s that of a delay from a record of length T without drift.

    References
    ----------
    Knapp and Carter, IEEE Trans. Acoust. Speech Signal Process. 24 (1976) 320: weights. Wang and Doclo,
    IEEE/ACM Trans. Audio Speech Lang. Process. 24 (2016) 571: drift by maximising the correlation.

    Examples
    --------
    >>> from netcorr.delay import prepare_round
    >>> rng = np.random.default_rng(3)
    >>> s = rng.normal(size=100_000)
    >>> heard = np.stack([s, s]) + rng.normal(size=(2, 100_000))
    >>> a, b = prepare_round(heard, 4000.0, max_delay_s=0.05)
    >>> fast = correct_drift(b, -30.0)  # as if B's clock were fast by 30 millionths
    >>> round(estimate_drift(a, fast, max_delay_s=0.05).drift_ppm)
    30
    """
    if a.spectrum.size != b.spectrum.size or a.bin_hz != b.bin_hz:
        raise DelayError(
            "pair of recordings", found="prepared differently", remedy="prepare the round as one"
        )
    if a.duration_s < LEAST_DURATION_S:
        raise DelayError(
            "pair of recordings",
            found=f"{a.duration_s:.1f} s of common record",
            remedy=f"a drift is read from {LEAST_DURATION_S:g} s or more",
        )
    pieces = _cut(a, b, max_delay_s=max_delay_s)
    peak = _search(pieces, max_delay_s=max_delay_s)
    drift, middle_delay_s, error = _refine(pieces, peak)
    return DriftEstimate(
        drift_ppm=1e6 * drift,
        standard_error_ppm=1e6 * error,
        delay_s=middle_delay_s - drift * pieces.middle_s,
        probability_noise=peak.probability,
        duration_s=a.duration_s,
    )


def pool_drifts(estimates: Sequence[DriftEstimate]) -> DriftEstimate:
    """Drift of one pair of clocks from all rounds of a night: crystals keep their speed, delays do not.

    Parameters
    ----------
    estimates : sequence of DriftEstimate
        One for each round, at least one. Rounds in which nothing common was heard count for nothing.

    Returns
    -------
    DriftEstimate
        Mean with weights by the standard errors. Its error is the larger one of what these say and of what
        the rounds scatter by; delay, length and chance of noise are those of the clearest round.

    Raises
    ------
    DelayError
        If there is no estimate.

    Examples
    --------
    >>> rounds = [DriftEstimate(d, 2.0, 0.01, 1e-9, 60.0) for d in (18.0, 20.0, 22.0, 20.0)]
    >>> both = pool_drifts(rounds)
    >>> both.drift_ppm, both.standard_error_ppm
    (20.0, 1.0)
    """
    if not estimates:
        raise DelayError("drift of a pair", found="no round", remedy="give at least one estimate")
    heard = [one for one in estimates if one.heard]
    if not heard:
        return estimates[0]
    drift = np.array([one.drift_ppm for one in heard])
    weight = 1 / np.array([one.standard_error_ppm for one in heard]) ** 2
    mean = float(weight @ drift / weight.sum())
    error = float(1 / np.sqrt(weight.sum()))
    if len(heard) > 1:
        misfit = float(weight @ (drift - mean) ** 2) / (len(heard) - 1)
        error *= math.sqrt(max(misfit, 1.0))
    clearest = min(heard, key=lambda one: one.standard_error_ppm)
    return replace(clearest, drift_ppm=mean, standard_error_ppm=error)


def correct_drift(recording: PreparedRecording, drift_ppm: float) -> PreparedRecording:
    """Recording as a clock without that drift would have made it.

    Parameters
    ----------
    recording : PreparedRecording
        Of a clock that is fast.
    drift_ppm : float
        By how many millionths it is fast, counted from the start of the record. [1e-6]

    Returns
    -------
    PreparedRecording
        The same sound; only the spectrum changes.
    """
    samples, _ = _samples(recording)
    fast = 1 + 1e-6 * drift_ppm
    # what the padding holds beyond the record is silence: the last moments may be asked for there
    size = min(samples.size, int(samples.size / fast))
    stretched = np.zeros(samples.size)
    stretched[:size] = interpolate(samples, first=0.0, step=fast, size=size)
    spectrum = fft.rfft(stretched)[: recording.spectrum.size]
    return replace(recording, spectrum=np.where(recording.usable, spectrum, 0.0))


def _samples(recording: PreparedRecording) -> tuple[NDArray[np.float64], float]:
    """Prepared recording in time, with room above its band, and its sample rate [Hz]."""
    size = fft.next_fast_len(int(2.5 * recording.spectrum.size), real=True)
    samples: NDArray[np.float64] = fft.irfft(recording.spectrum, size)
    return samples, size * recording.bin_hz


def _cut(a: PreparedRecording, b: PreparedRecording, *, max_delay_s: float) -> _Pieces:
    """Cut A into pieces, and of B all that a delay within reach can bring to each of them."""
    in_a, rate_hz = _samples(a)
    in_b, _ = _samples(b)
    used_s = min(a.duration_s, MOST_DURATION_S)
    reach = math.ceil((max_delay_s + 1e-6 * MOST_DRIFT_PPM * used_s) * rate_hz)
    length = round(PIECE_S * rate_hz)
    count = int(used_s * rate_hz) // length
    size = fft.next_fast_len(length + 2 * reach, real=True)
    bin_hz = rate_hz / size
    first = max(int(BAND_EDGES_HZ[0] / bin_hz), 1)
    last = min(int(a.spectrum.size * a.bin_hz / bin_hz), size // 2)
    omega = 2 * np.pi * bin_hz * np.arange(first, last, dtype=np.float64)
    turn = np.exp(-1j * omega * (reach / rate_hz))  # B's piece begins so much earlier than A's
    padded = np.pad(in_b, (reach, reach))
    cross = np.empty((count, last - first), dtype=np.complex64)
    for row, start in zip(cross, length * np.arange(count), strict=True):
        spectrum_a = fft.rfft(in_a[start : start + length], size)[first:last]
        spectrum_b = fft.rfft(padded[start : start + length + 2 * reach], size)[first:last]
        row[:] = np.conj(spectrum_a * turn) * spectrum_b
    cross /= length * math.sqrt(_bin_power(a, in_a, rate_hz) * _bin_power(b, in_b, rate_hz))
    usable = np.interp(omega / (2 * np.pi), a.frequency_hz, (a.usable & b.usable).astype(float))
    time_s = (length / rate_hz) * (np.arange(count, dtype=np.float64) + 0.5)
    return _Pieces(cross, omega, np.asarray(usable, dtype=np.float64), time_s, bin_hz)


def _bin_power(one: PreparedRecording, samples: NDArray[np.float64], rate_hz: float) -> float:
    """Mean square inside the record, over the share of the bins that it is spread over."""
    inside = samples[: int(one.duration_s * rate_hz)]
    share = 2 * np.count_nonzero(one.usable) * one.bin_hz / rate_hz
    return max(float(inside @ inside) / inside.size / max(share, 1e-9), 1e-300)


def _search(pieces: _Pieces, *, max_delay_s: float) -> _Peak:
    """Best drift, delay and polarity over all bands, and the chance that noise gives as much."""
    most = 1e-6 * MOST_DRIFT_PPM
    # two steps for each cycle that the drift moves the top of the band over the record
    drifts = np.linspace(-most, most, 2 * math.ceil(most * pieces.duration_s * pieces.omega[-1] / np.pi) + 1)
    edges = np.unique(np.searchsorted(pieces.omega, 2 * np.pi * np.array(BAND_EDGES_HZ)))
    counted = np.concatenate([[0.0], np.cumsum(pieces.bins)])[edges]
    bands = [(i, k) for i, k in combinations(range(edges.size), 2) if counted[k] - counted[i] > LEAST_BINS]
    offset = round(float(pieces.omega[0]) / (2 * np.pi * pieces.bin_hz))
    size = fft.next_fast_len(4 * (offset + pieces.omega.size), real=True)
    reach = int((max_delay_s + most * pieces.middle_s) * size * pieces.bin_hz)
    lags = np.arange(-reach, reach + 1)
    to_sum = size / 2 * pieces.bin_hz * pieces.duration_s  # irfft gives 2 / size of the sum
    best, found = 0.0, (0.0, 0, 1, (0, 1))
    for drift, focused in zip(drifts, _focus(pieces, drifts), strict=True):
        sums = np.zeros((edges.size, lags.size), dtype=np.float32)
        for k, (low, high) in enumerate(pairwise(edges), start=1):
            part = np.zeros(offset + high, dtype=np.complex64)
            part[offset + low :] = focused[low:high]
            sums[k] = sums[k - 1] + to_sum * fft.irfft(part, size)[lags]
        for low, high in bands:
            value = sums[high] - sums[low]
            at = int(np.argmax(np.abs(value)))
            score = float(value[at]) ** 2 / (counted[high] - counted[low])
            if score > best:
                best, found = score, (float(drift), at, 1 if value[at] > 0 else -1, (low, high))
    drift, at, sign, (low, high) = found
    count = counted[high] - counted[low]
    single = peak_probability(
        math.sqrt(best / count) if count > 0 else 0.0,
        bins=count,
        search_s=2 * reach / (size * pieces.bin_hz),
        rms_frequency_hz=float(pieces.omega[min(edges[high], pieces.omega.size) - 1] / (2 * np.pi)),
    )
    tries = 2 * len(bands) * drifts.size
    band = slice(int(edges[low]), int(edges[high]))
    return _Peak(drift, float(lags[at]) / (size * pieces.bin_hz), sign, band, min(tries * single, 1.0))


def _focus(pieces: _Pieces, drifts: NDArray[np.float64]) -> NDArray[np.complex64]:
    """Mean over the pieces, each turned by a drift about the middle: shape (drifts, bins).

    Over equally spaced pieces the turn of one frequency is a Fourier transform along time.
    """
    count = pieces.time_s.size
    size = fft.next_fast_len(4 * count)
    step_s = float(pieces.time_s[1] - pieces.time_s[0])
    focused = np.empty((drifts.size, pieces.omega.size), dtype=np.complex64)
    cycles = np.arange(size) / size
    cycles[size - size // 2 :] -= 1
    to_middle = np.exp(-1j * np.pi * (count - 1) * cycles).astype(np.complex64)
    for begin in range(0, pieces.omega.size, _BLOCK):
        block = slice(begin, begin + _BLOCK)
        omega = pieces.omega[block]
        turned = fft.ifft(pieces.cross[:, block].T, size, axis=1) * (to_middle * np.float32(size / count))
        place = np.outer(drifts, omega) * (step_s * size / (2 * np.pi))
        whole = np.floor(place).astype(np.int64)
        share = (place - whole).astype(np.float32)
        rows = np.arange(omega.size)[None, :]
        low, high = turned[rows, whole % size], turned[rows, (whole + 1) % size]
        focused[:, block] = low + share * (high - low)
    return focused


def _refine(pieces: _Pieces, peak: _Peak) -> tuple[float, float, float]:
    """Drift, delay at mid-record, and the standard error of the drift, by maximum likelihood."""
    drift, delay_s, error = peak.drift, peak.delay_s, math.inf
    # outside the band there is little but noise, to which high frequencies would give weight
    pieces = pieces._replace(
        cross=pieces.cross[:, peak.band], omega=pieces.omega[peak.band], usable=pieces.usable[peak.band]
    )
    time_s, omega = pieces.time_s - pieces.middle_s, pieces.omega
    moments = np.stack([np.ones_like(time_s), time_s])
    for _ in range(STEPS):
        turned = pieces.cross * np.exp(1j * (np.outer(time_s, drift * omega) + omega * delay_s))
        real, imaginary = peak.sign * turned.real, peak.sign * turned.imag
        weight, information = _weights(pieces, real)
        scores = -(imaginary @ (weight * omega)) * moments
        bend = real @ (weight * omega**2)
        hessian = (moments * bend) @ moments.T
        if not (information > 0 and hessian[0, 0] > 0 and np.linalg.det(hessian) > 0):
            return drift, delay_s, math.inf
        inverse = np.linalg.inv(hessian)
        step = inverse @ scores.sum(axis=1)
        delay_s, drift = delay_s + float(step[0]), drift + float(step[1])
        # what theory says, or what the pieces themselves scatter by, whichever is larger
        scatter = float((inverse @ (scores @ scores.T) @ inverse)[1, 1])
        error = math.sqrt(max(scatter, 1 / (information * float(np.mean(time_s**2)))))
    moved = abs(drift - peak.drift) * pieces.duration_s
    return drift, delay_s, error if moved < 1 / PEAK_WIDTH_HZ else math.inf


def _weights(pieces: _Pieces, real: NDArray[np.floating]) -> tuple[NDArray[np.float64], float]:
    """Weight of each bin, and the information on the delay that all hold together [1/s^2].

    `real` is the real part of the cross-spectra turned to the delay, shape (pieces, bins). Where the
    coherence is weak it is smoothed over more of the band, or the weights would follow the noise.
    """
    mean = real.mean(axis=0, dtype=np.float64)
    per_bin = pieces.bin_hz * pieces.duration_s
    size = max(round(SMOOTHING_HZ / pieces.bin_hz), 1)
    squared = _coherence(mean, pieces.usable, size=size, bias=1 / (2 * size * per_bin))
    typical = float(squared @ squared) / max(float(squared.sum()), 1e-12)
    wider = min(round(SMOOTHING_BINS / max(typical, 1e-9) / per_bin), mean.size // 4)
    if wider > size:
        squared = _coherence(mean, pieces.usable, size=wider, bias=1 / (2 * wider * per_bin))
    information = 2 * float(pieces.bins @ (pieces.omega**2 * squared / (1 - squared)))
    return np.sqrt(squared) / (1 - squared), information


def _coherence(
    mean: NDArray[np.float64], usable: NDArray[np.float64], *, size: int, bias: float
) -> NDArray[np.float64]:
    """Magnitude-squared coherence of each bin, smoothed and debiased."""
    share = ndimage.uniform_filter1d(usable, size)
    g = np.clip(ndimage.uniform_filter1d(mean, size) / np.maximum(share, 0.05), 0.0, 0.97)
    return np.where(g**2 > LEAST_SIGMA**2 * bias, g**2 - bias, 0.0)
