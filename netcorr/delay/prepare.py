"""From samples to a spectrum fit for comparison: lines out, bursts levelled, power known.

Two steps matter more than any weighting that follows: lines are removed on the whole record, and the record
is divided by its own running level, so that a burst counts no more than any other moment.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import fft, ndimage

from netcorr.delay.lines import line_bins
from netcorr.errors import DelayError

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Length of the frames in which the running level is measured. [s]
FRAME_S = 0.25
#: The running level counts for at least this share of its median: quiet moments are not blown up.
LEVEL_FLOOR = 0.3
#: Width over which the power spectrum is smoothed. [Hz]
SMOOTHING_HZ = 10.0
#: Lowest frequency that is used: below it, traffic and handling. [Hz]
LOWEST_HZ = 10.0
#: Highest frequency that is used: leak noise in mains lies below it (common practice). [Hz]
HIGHEST_HZ = 3000.0


@dataclass(frozen=True, eq=False)
class PreparedRecording:
    """Whole-record spectrum of one recording, ready to be multiplied with another.

    Attributes
    ----------
    spectrum : numpy.ndarray
        Shape (k,), complex: unit expected power in every usable bin, zero in the others.
    amplitude : numpy.ndarray
        Shape (k,): square root of the smoothed power that `spectrum` was divided by.
    usable : numpy.ndarray
        Shape (k,), bool: bins inside the band and outside lines.
    bin_hz : float
        Width of a bin. [Hz]
    duration_s : float
        Length of the record, without padding. [s]
    line_share : float
        Share of the energy that was in lines, 0 to 1.
    burst_share : float
        Share of the frames at more than four times the median level, 0 to 1.
    """

    spectrum: NDArray[np.complex128]
    amplitude: NDArray[np.float64]
    usable: NDArray[np.bool_]
    bin_hz: float
    duration_s: float
    line_share: float
    burst_share: float

    @property
    def frequency_hz(self) -> NDArray[np.float64]:
        """Frequency of each bin, shape (k,). [Hz]"""
        return np.arange(self.spectrum.size, dtype=np.float64) * self.bin_hz


def prepare(
    samples: NDArray[np.floating],
    sample_rate_hz: float,
    *,
    band_hz: tuple[float, float] | None = None,
    pad_s: float = 0.0,
) -> PreparedRecording:
    """Clean, level and transform one recording.

    Parameters
    ----------
    samples : numpy.ndarray
        Shape (n,).
    sample_rate_hz : float
        Sample rate. [Hz]
    band_hz : (float, float), optional
        Band to use; by default all that a leak in a main can fill. [Hz]
    pad_s : float
        Silence appended, so that delays up to this long do not wrap round. [s]

    Returns
    -------
    PreparedRecording
        Spectrum of the whole record.

    Raises
    ------
    DelayError
        If the record is shorter than 1 s, silent, or the band holds nothing.
    """
    n = samples.size
    duration_s = n / sample_rate_hz
    low_hz, high_hz = _band(band_hz, sample_rate_hz)
    if duration_s < 1.0:
        raise DelayError(
            "recording",
            found=f"{duration_s:.2f} s of common record",
            remedy="at least 1 s is needed; record longer",
        )
    x = np.asarray(samples, dtype=np.float64)
    x = x - x.mean()
    lines = line_bins(x, sample_rate_hz)
    raw = fft.rfft(x)
    f = np.arange(raw.size) * (sample_rate_hz / n)
    in_band = (f >= low_hz) & (f <= high_hz)
    energy = float((np.abs(raw[in_band]) ** 2).sum())
    if not energy > 0:
        raise DelayError(
            "recording", found="no sound in the band", remedy="check that the sensor was working"
        )
    line_share = float((np.abs(raw[in_band & lines]) ** 2).sum()) / energy
    raw[lines | ~in_band] = 0.0
    clean = fft.irfft(raw, n)
    level = running_level(clean, sample_rate_hz)
    burst_share = float(np.mean(level > 4 * np.median(level)))
    clean /= np.maximum(level, LEVEL_FLOOR * np.median(level))
    # power first on the record alone: its bins are independent, and the lines are known there
    power = _smooth_power(np.abs(fft.rfft(clean)) ** 2, usable=in_band & ~lines, bin_hz=sample_rate_hz / n)
    padded = fft.next_fast_len(n + int(np.ceil(pad_s * sample_rate_hz)), real=True)
    spectrum = fft.rfft(clean, padded)
    bin_hz = sample_rate_hz / padded
    keep = int(np.floor(high_hz / bin_hz)) + 1
    grid = np.arange(keep) * bin_hz
    amplitude = np.sqrt(np.interp(grid, f, power))
    usable = np.interp(grid, f, (in_band & ~lines).astype(float)) > 0.5
    usable &= amplitude > 0
    spectrum = np.where(usable, spectrum[:keep] / np.where(usable, amplitude, 1.0), 0.0)
    return PreparedRecording(
        spectrum=spectrum,
        amplitude=amplitude,
        usable=usable,
        bin_hz=bin_hz,
        duration_s=duration_s,
        line_share=line_share,
        burst_share=burst_share,
    )


def running_level(samples: NDArray[np.floating], sample_rate_hz: float) -> NDArray[np.float64]:
    """Root mean square in frames of `FRAME_S`, interpolated to every sample.

    Parameters
    ----------
    samples : numpy.ndarray
        Shape (n,).
    sample_rate_hz : float
        Sample rate. [Hz]

    Returns
    -------
    numpy.ndarray
        Shape (n,), positive.
    """
    size = max(round(FRAME_S * sample_rate_hz), 1)
    mean_square = ndimage.uniform_filter1d(samples.astype(np.float64) ** 2, size, mode="nearest")
    # running sums leave rounding behind loud stretches: never below a millionth of the loudest
    floor = 1e-12 * max(float(mean_square.max()), 1e-300)
    level: NDArray[np.float64] = np.sqrt(np.maximum(mean_square, floor))
    return level


def _smooth_power(
    power: NDArray[np.float64], *, usable: NDArray[np.bool_], bin_hz: float
) -> NDArray[np.float64]:
    """Running mean of the power over the usable bins alone."""
    # at least 48 bins, so that the estimate scatters by no more than 15 %
    size = max(round(SMOOTHING_HZ / bin_hz), 48)
    weight = usable.astype(np.float64)
    total = ndimage.uniform_filter1d(power * weight, size, mode="constant")
    count = ndimage.uniform_filter1d(weight, size, mode="constant")
    smooth: NDArray[np.float64] = np.where(count > 0.5 / size, total / np.maximum(count, 0.5 / size), 0.0)
    return np.maximum(smooth, 0.0)


def _band(band_hz: tuple[float, float] | None, sample_rate_hz: float) -> tuple[float, float]:
    """Band inside what the sample rate can carry."""
    nyquist_hz = 0.46 * sample_rate_hz
    low_hz, high_hz = band_hz if band_hz is not None else (LOWEST_HZ, HIGHEST_HZ)
    high_hz = min(high_hz, nyquist_hz)
    if not 0 <= low_hz < high_hz - 5:
        raise DelayError(
            "band",
            found=f"{low_hz:g} to {high_hz:g} Hz at a sample rate of {sample_rate_hz:g} Hz",
            remedy=f"choose a band of at least 5 Hz between 0 and {nyquist_hz:.0f} Hz",
        )
    return float(low_hz), float(high_hz)
