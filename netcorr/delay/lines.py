"""Spectral lines (mains hum, pumps, whines) found and taken out on the whole record.

A line that is weak in every short segment is still coherent between two loggers on the same supply, and looks
like a source at a fixed place. Only the whole record resolves it, so this comes before anything else.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.polynomial import legendre
from scipy import fft, ndimage

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: A bin is part of a line when it stands this far above the local level. Noise does so once in e^12 bins.
LINE_EXCESS = 12.0
#: Half width of the window that gives the local level. [Hz]
LEVEL_HALF_WIDTH_HZ = 3.0
#: Share of the harmonics below 1 kHz that must stand out before the whole comb is taken for mains hum.
COMB_SHARE = 0.3
#: Mains frequencies. [Hz]
MAINS_HZ = (50.0, 60.0)
#: A line this far above the local level reaches beyond its own bins, and is subtracted first.
STRONG_EXCESS = 30.0
#: Highest order of the polynomials that follow the amplitude and phase of a strong line over the record.
DRIFT_ORDER = 6
#: Strong lines that are subtracted in a pass at most, and passes: what drifts fast takes several.
MOST_STRONG = 80
PASSES = 4


def line_bins(samples: NDArray[np.floating], sample_rate_hz: float) -> NDArray[np.bool_]:
    """Bins of the whole-record spectrum that belong to spectral lines.

    Parameters
    ----------
    samples : numpy.ndarray
        Shape (n,).
    sample_rate_hz : float
        Sample rate. [Hz]

    Returns
    -------
    numpy.ndarray
        Shape (n // 2 + 1,), True where the bin of ``rfft(samples)`` belongs to a line.

    Notes
    -----
    Periodogram with a Hann taper, local level from a running median divided by ln 2 (the median of an
    exponential variable of unit mean), bins above `LINE_EXCESS` times that level and two neighbours on either
    side; where enough harmonics of 50 or 60 Hz stand out, the whole comb.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> t = np.arange(8000) / 4000
    >>> mask = line_bins(rng.normal(size=8000) + np.sin(2 * np.pi * 300 * t), 4000.0)
    >>> bool(mask[600]), float(mask.mean()) < 0.01
    (True, True)
    """
    x = samples - float(np.mean(samples))
    return bins_of_lines(line_excess(fft.rfft(x), x.size, bin_hz=sample_rate_hz / x.size), sample_rate_hz)


def bins_of_lines(excess: NDArray[np.float64], sample_rate_hz: float) -> NDArray[np.bool_]:
    """Bins that belong to lines, from the power of each over its local level.

    Parameters
    ----------
    excess : numpy.ndarray
        Shape (k,): as `line_excess` gives it.
    sample_rate_hz : float
        Sample rate; the bins reach to half of it. [Hz]

    Returns
    -------
    numpy.ndarray
        Shape (k,), bool.
    """
    bin_hz = 0.5 * sample_rate_hz / (excess.size - 1)
    high = excess > LINE_EXCESS
    mask: NDArray[np.bool_] = ndimage.binary_dilation(high, iterations=2)
    for mains_hz in MAINS_HZ:
        if comb_stands_out(high, bin_hz=bin_hz, mains_hz=mains_hz):
            mask |= _comb(high.size, bin_hz=bin_hz, mains_hz=mains_hz)
    return mask


def subtract_strong_lines(
    samples: NDArray[np.floating], sample_rate_hz: float, *, excess: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """Record without its strongest lines, each followed over the record as it drifts.

    Zeroing bins alone leaves the side lobes that a strong line throws far to either side, and hum that two
    loggers share makes these coherent.

    Parameters
    ----------
    samples : numpy.ndarray
        Shape (n,).
    sample_rate_hz : float
        Sample rate. [Hz]
    excess : numpy.ndarray, optional
        Shape (n // 2 + 1,): `line_excess` of these samples, where it is known already.

    Returns
    -------
    numpy.ndarray
        Shape (n,): the record less a slowly changing sine (Legendre polynomials up to `DRIFT_ORDER`) for
        every line above `STRONG_EXCESS`.

    Examples
    --------
    >>> t = np.arange(8000) / 4000
    >>> noise = 0.1 * np.random.default_rng(1).normal(size=8000)
    >>> left = subtract_strong_lines(noise + np.sin(2 * np.pi * 50.07 * t), 4000.0)
    >>> round(float(left.std()), 2)
    0.1
    """
    x: NDArray[np.float64] = np.asarray(samples, dtype=np.float64) - float(np.mean(samples))
    n = x.size
    if excess is None:
        excess = line_excess(fft.rfft(x), n, bin_hz=sample_rate_hz / n)
    # each order widens what is taken by a bin: a short record keeps to the line itself
    order = min(DRIFT_ORDER, int(n / sample_rate_hz))
    norm = 2 * (2 * np.arange(order + 1) + 1) / n
    for number in range(PASSES):
        if number:
            excess = line_excess(fft.rfft(x), n, bin_hz=sample_rate_hz / n)
        peaks = _strong_peaks(excess)
        if not peaks.size:
            break
        basis = _legendre_basis(n, order)
        for peak in peaks:
            carrier = np.exp(2j * np.pi * (_peak_bin(excess, int(peak)) / n) * np.arange(n))
            weights = norm * (basis @ (x * carrier.conj()))
            x = np.asarray(x - ((weights @ basis) * carrier).real, dtype=np.float64)
    return x


@lru_cache(maxsize=2)
def _legendre_basis(size: int, order: int) -> NDArray[np.float64]:
    """Legendre polynomials up to an order, shape (order + 1, size)."""
    return np.ascontiguousarray(legendre.legvander(np.linspace(-1.0, 1.0, size), order).T)


def _strong_peaks(excess: NDArray[np.float64]) -> NDArray[np.intp]:
    """Bins at the top of strong lines, the strongest first."""
    top = excess >= ndimage.maximum_filter1d(excess, 7, mode="nearest")
    peaks = np.flatnonzero((excess > STRONG_EXCESS) & top)
    strongest: NDArray[np.intp] = peaks[np.argsort(excess[peaks])[::-1][:MOST_STRONG]]
    return strongest


def line_excess(spectrum: NDArray[np.complexfloating], size: int, *, bin_hz: float) -> NDArray[np.float64]:
    """Power of each bin, Hann-tapered, over the local level.

    Parameters
    ----------
    spectrum : numpy.ndarray
        Shape (size // 2 + 1,): ``rfft`` of a record without its mean.
    size : int
        Samples in the record.
    bin_hz : float
        Width of a bin. [Hz]

    Returns
    -------
    numpy.ndarray
        Shape of `spectrum`: 1 on average for noise.

    Notes
    -----
    A Hann taper is a difference of neighbouring bins, so no second transform is needed.
    """
    # beyond either end the spectrum of a real record goes on as its own mirror image
    after = spectrum[-2 + size % 2].conj()
    below = np.concatenate([spectrum[1:2].conj(), spectrum[:-1]])
    above = np.concatenate([spectrum[1:], [after]])
    power = np.abs(spectrum - 0.5 * (below + above)) ** 2
    half = max(round(LEVEL_HALF_WIDTH_HZ / bin_hz), 8)
    # 'mirror' leaves out the bin at 0 Hz, which is empty since the mean is out
    level = ndimage.median_filter(power, size=2 * half + 1, mode="mirror") / math.log(2)
    excess: NDArray[np.float64] = power / np.maximum(level, np.finfo(float).tiny)
    return excess


def _peak_bin(excess: NDArray[np.float64], peak: int) -> float:
    """Peak of a Hann-tapered line to a fraction of a bin, by a parabola through the logarithms."""
    if not 0 < peak < excess.size - 1:
        return float(peak)
    before, top, after = np.log(np.maximum(excess[peak - 1 : peak + 2], 1e-300))
    bend = float(before - 2 * top + after)
    return peak + 0.5 * float(before - after) / bend if bend < 0 else float(peak)


def comb_stands_out(high: NDArray[np.bool_], *, bin_hz: float, mains_hz: float) -> bool:
    """Whether enough harmonics of a mains frequency stand out of the local level.

    Parameters
    ----------
    high : numpy.ndarray
        True for bins above the local level.
    bin_hz : float
        Bin width. [Hz]
    mains_hz : float
        Mains frequency. [Hz]

    Returns
    -------
    bool
        True when at least `COMB_SHARE` of the harmonics up to 1 kHz, and two at least, stand out.
    """
    top_hz = min(1000.0, (high.size - 1) * bin_hz)
    harmonics_hz = np.arange(mains_hz, top_hz, mains_hz)
    # 300 Hz is a harmonic of both mains frequencies and says nothing about which it is
    harmonics_hz = harmonics_hz[harmonics_hz % 300 > 1]
    width = 0.2 + 0.001 * harmonics_hz
    hits = [
        bool(high[max(int((h - w) / bin_hz), 0) : int((h + w) / bin_hz) + 2].any())
        for h, w in zip(harmonics_hz, width, strict=True)
    ]
    return sum(hits) >= max(2, COMB_SHARE * len(hits))


def _comb(size: int, *, bin_hz: float, mains_hz: float) -> NDArray[np.bool_]:
    """Bins within 0.2 Hz of a harmonic, a little wider the higher it is: mains frequency drifts."""
    f = np.arange(size) * bin_hz
    harmonic = np.maximum(np.round(f / mains_hz), 1)
    mask: NDArray[np.bool_] = np.abs(f - harmonic * mains_hz) <= np.minimum(0.2 + 0.01 * harmonic, 0.35)
    return mask
