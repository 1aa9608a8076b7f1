"""From samples to a spectrum fit for comparison: lines out, bursts levelled, power known.

Two steps matter more than any weighting that follows: lines are removed on the whole record, and the record
is divided by its own running level, so that a burst counts no more than any other moment.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import fft, ndimage

from netcorr.delay.lines import STRONG_EXCESS, bins_of_lines, line_excess, subtract_strong_lines
from netcorr.errors import DelayError

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Length of the frames in which the running level is measured. [s]
FRAME_S = 0.25
#: The running level counts for at least this share of its median: quiet moments are not blown up.
LEVEL_FLOOR = 0.3
#: Below this share of the loudest level there is nothing: a dropout, or silence put in.
SILENCE = 1e-2
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
    filled_share : float
        Share of it that holds sound, 0 to 1: dropouts and silence add no evidence.
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
    filled_share: float = 1.0

    @property
    def frequency_hz(self) -> NDArray[np.float64]:
        """Frequency of each bin, shape (k,). [Hz]"""
        return np.arange(self.spectrum.size, dtype=np.float64) * self.bin_hz


def prepare_recording(
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
    duration_s = samples.size / sample_rate_hz
    low_hz, high_hz = _band(band_hz, sample_rate_hz)
    if duration_s < 1.0:
        raise DelayError(
            "recording",
            found=f"{duration_s:.2f} s of common record",
            remedy="at least 1 s is needed; record longer",
        )
    whole, n, rate_hz = _spectrum_to(high_hz, samples, sample_rate_hz)
    excess = line_excess(whole, n, bin_hz=rate_hz / n)
    lines = bins_of_lines(excess, rate_hz)
    f = np.arange(lines.size) * (rate_hz / n)
    in_band = (f >= low_hz) & (f <= high_hz)
    kept, line_share = _without_lines(whole, n, rate_hz, excess=excess, lines=lines, in_band=in_band)
    clean = fft.irfft(kept, n)
    level = running_level(clean, rate_hz)
    usual = float(np.median(level[level > SILENCE * level.max()]))
    burst_share = float(np.mean(level > 4 * usual))
    floor = np.maximum(level, LEVEL_FLOOR * usual)
    clean /= floor
    filled_share = _filled_share(level / floor)
    padded = fft.next_fast_len(n + int(np.ceil(pad_s * rate_hz)), real=True)
    bin_hz = rate_hz / padded
    size = int(np.floor(high_hz / bin_hz)) + 1
    spectrum = fft.rfft(clean, padded)[:size]
    # a padded bin is usable where the bin of the record that it lies nearest to is
    usable = (in_band & ~lines)[np.rint(np.arange(size) * (n / padded)).astype(np.int64)]
    power = _smooth_power(
        spectrum.real**2 + spectrum.imag**2, usable=usable, bin_hz=bin_hz, independent=n / padded
    )
    amplitude = np.sqrt(power)
    usable &= amplitude > 0
    spectrum = np.where(usable, spectrum / np.where(usable, amplitude, 1.0), 0.0)
    return PreparedRecording(
        spectrum=spectrum,
        amplitude=amplitude,
        usable=usable,
        bin_hz=bin_hz,
        duration_s=duration_s,
        line_share=line_share,
        burst_share=burst_share,
        filled_share=filled_share,
    )


def _without_lines(
    whole: NDArray[np.complex128],
    n: int,
    rate_hz: float,
    *,
    excess: NDArray[np.float64],
    lines: NDArray[np.bool_],
    in_band: NDArray[np.bool_],
) -> tuple[NDArray[np.complex128], float]:
    """Spectrum of the record inside the band without its lines, and the share of the energy they held."""
    energy = _energy(whole[in_band])
    if not energy > 0:
        raise DelayError(
            "recording", found="no sound in the band", remedy="check that the sensor was working"
        )
    if float(excess.max()) > STRONG_EXCESS:
        whole = fft.rfft(subtract_strong_lines(fft.irfft(whole, n), rate_hz, excess=excess))
    spectrum = np.where(in_band & ~lines, whole, 0.0)
    return spectrum, max(1 - _energy(spectrum) / energy, 0.0)


def _energy(spectrum: NDArray[np.complex128]) -> float:
    """Sum of the squared magnitudes."""
    return float((spectrum.real**2).sum() + (spectrum.imag**2).sum())


def _filled_share(envelope: NDArray[np.float64]) -> float:
    """Share of independent samples that are left, from the level that the record has after levelling."""
    power = envelope**2
    return float(power.mean() ** 2 / max(float((power**2).mean()), 1e-300))


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


def _spectrum_to(
    high_hz: float, samples: NDArray[np.floating], sample_rate_hz: float
) -> tuple[NDArray[np.complex128], int, float]:
    """Spectrum of the record less its mean, samples it stands for, and their rate.

    No more samples than the band needs: delays stay, since only high bins are dropped.
    """
    n = samples.size
    x = np.asarray(samples, dtype=np.float64)
    spectrum = fft.rfft(x - float(np.mean(x)))
    size = fft.next_fast_len(int(np.ceil(2.2 * high_hz * n / sample_rate_hz)), real=True)
    if size > 0.9 * n:
        return spectrum, n, sample_rate_hz
    return spectrum[: size // 2 + 1] * (size / n), size, sample_rate_hz * size / n


def _smooth_power(
    power: NDArray[np.float64], *, usable: NDArray[np.bool_], bin_hz: float, independent: float
) -> NDArray[np.float64]:
    """Running mean of the power over the usable bins alone; `independent` is what a bin counts for."""
    # at least 48 independent bins, so that the estimate scatters by no more than 15 %
    size = max(round(SMOOTHING_HZ / bin_hz), round(48 / independent))
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
