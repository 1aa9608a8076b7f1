"""How strongly a recording repeats itself: an echo is in it twice, a second source of its own is not.

What an echo brings to a sensor is what came there before, so the power spectrum of that one recording ripples
with the inverse of the detour, whatever the map says of pipes. Of a source that is independent of the first
nothing is repeated. Comparing two recordings shows a peak for both; this tells which it is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import fft, ndimage

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.delay.prepare import PreparedRecording

#: The power spectrum is divided by itself smoothed over this width: what a source, a pipe and a mounting make
#: of it is broad, an echo that comes later by more than the inverse is not. [Hz]
SMOOTHING_HZ = 64.0
#: An echo that is later by so little that smoothing takes most of it is brought back by so much at most.
MOST_RESTORED = 4.0
#: An echo repeats within this of the time by which it is late, ...
NEAR_S = 1.5e-3
#: ... or this part of a cycle in the middle of the band.
NEAR_CYCLES = 0.25


def repetition(
    one: PreparedRecording,
    usable: NDArray[np.bool_],
    later_s: NDArray[np.float64],
    *,
    band_hz: tuple[float, float],
) -> NDArray[np.float64]:
    """Share of a recording's power that comes again after some time, of the same polarity.

    Parameters
    ----------
    one : PreparedRecording
        The recording.
    usable : numpy.ndarray
        Shape (k,), bool: bins that count.
    later_s : numpy.ndarray
        Shape (m,): after what time; its sign does not matter. [s]
    band_hz : (float, float)
        Band that is looked at. [Hz]

    Returns
    -------
    numpy.ndarray
        Shape (m,): highest value within `NEAR_S`. For noise that is repeated once at amplitude r, about
        ``r / (1 + r^2)``; for noise without an echo, what chance leaves: about one over the root of the
        number of independent bins.

    Notes
    -----
    This is the autocorrelation of the whitened recording, which for delays longer than the inverse of the
    smoothing is what a cepstrum shows (Bogert, Healy and Tukey, 1963).

    Examples
    --------
    >>> from netcorr.delay import prepare_round
    >>> s = np.random.default_rng(3).normal(size=40_000)
    >>> alone, echoed = prepare_round(np.stack([s, s + 0.5 * np.roll(s, 160)]), 4000.0, max_delay_s=0.1)
    >>> later_s = np.array([0.02, 0.04])
    >>> repetition(alone, alone.usable, later_s, band_hz=(50.0, 1500.0)).round(2)
    array([0.01, 0.01])
    >>> repetition(echoed, echoed.usable, later_s, band_hz=(50.0, 1500.0)).round(2)
    array([0.02, 0.39])
    """
    frequency_hz = one.frequency_hz
    inside = usable & (frequency_hz >= band_hz[0]) & (frequency_hz <= band_hz[1])
    power = np.where(usable, np.abs(one.spectrum * one.amplitude) ** 2, 0.0)
    size = max(round(SMOOTHING_HZ / one.bin_hz), 3)
    share = np.maximum(ndimage.uniform_filter1d(usable.astype(np.float64), size), 0.05)
    smooth = ndimage.uniform_filter1d(power, size) / share
    ripple = np.where(inside & (smooth > 0), power / np.maximum(smooth, 1e-300) - 1, 0.0)
    count = fft.next_fast_len(4 * ripple.size, real=True)
    values = fft.irfft(ripple, count) * (count / 2 / max(int(inside.sum()), 1))
    step_s = 1 / (count * one.bin_hz)
    lags = np.arange(min(int(np.abs(later_s).max() / step_s) + 2, count // 2))
    values = values[lags] * np.minimum(1 / np.maximum(_left(lags * step_s), 1e-9), MOST_RESTORED)
    near_s = max(NEAR_S, NEAR_CYCLES / (0.5 * (band_hz[0] + band_hz[1])))
    highest = ndimage.maximum_filter1d(values, 2 * round(near_s / step_s) + 1, mode="nearest")
    return np.asarray(np.interp(np.abs(later_s), lags * step_s, highest), dtype=np.float64)


def _left(later_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Share of an echo that division by the smoothed spectrum leaves."""
    return np.asarray(1 - np.sinc(SMOOTHING_HZ * later_s), dtype=np.float64)
