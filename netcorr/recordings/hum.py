"""Mains hum: how much of a recording's energy it holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import fft

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Segment that is long enough to tell hum from noise: bins of 0.1 Hz.
_SEGMENT_S = 10.0
#: Hum is looked for up to here; above, its harmonics are rarely worth a word. [Hz]
_TOP_HZ = 1000.0
#: How far a mains frequency strays. [Hz]
_STRAY_HZ = 0.25
#: The noise beside a harmonic is judged this far to either side. [Hz]
_BESIDE_HZ = 6.0
#: A harmonic stands out when its highest bin is this many times the level beside it: noise does so in one of
#: a million bins, and the top of a resonance of the mounting in few more.
_STANDS_OUT = 20.0
#: Below this share there is no hum to speak of.
_LEAST_SHARE = 0.01


def find_hum(samples: NDArray[np.float32], sample_rate_hz: float) -> tuple[float | None, float]:
    """Mains frequency that stands out, and its share of the energy.

    Parameters
    ----------
    samples : numpy.ndarray
        Shape (n,), finite.
    sample_rate_hz : float
        Sample rate. [Hz]

    Returns
    -------
    (float or None, float)
        50 or 60, or None when neither stands out. [Hz] Share of the energy about the mean that lies in
        it and in its harmonics up to 1 kHz, 0 to 1.

    Notes
    -----
    In Hann-windowed power spectra, averaged, the energy of each harmonic above the level beside it is
    counted. A harmonic that both mains share (300 Hz and its multiples) does not decide between them.

    Examples
    --------
    >>> import numpy as np
    >>> time_s = np.arange(40_000) / 4000
    >>> noise = np.random.default_rng(1).normal(0, 1, time_s.size)
    >>> hum_hz, share = find_hum((noise + np.sin(2 * np.pi * 60.02 * time_s)).astype(np.float32), 4000)
    >>> hum_hz, round(share, 2)
    (60.0, 0.34)
    """
    return hum_of_spectrum(*power_spectrum(samples, sample_rate_hz))


def hum_of_spectrum(power: NDArray[np.float64], step_hz: float) -> tuple[float | None, float]:
    """As `find_hum`, from an averaged power spectrum about the mean.

    Parameters
    ----------
    power : numpy.ndarray
        Shape (bins,).
    step_hz : float
        Spacing of the bins. [Hz]

    Returns
    -------
    (float or None, float)
        Mains frequency and share of the energy.
    """
    total = float(power.sum())
    if total <= 0 or step_hz > 1:
        return None, 0.0
    shares = {mains_hz: _comb_energy(power, step_hz, mains_hz) / total for mains_hz in (50.0, 60.0)}
    hum_hz = max(shares, key=lambda mains_hz: shares[mains_hz])
    share = min(shares[hum_hz], 1.0)
    return (hum_hz, share) if share >= _LEAST_SHARE else (None, 0.0)


def power_spectrum(samples: NDArray[np.float32], sample_rate_hz: float) -> tuple[NDArray[np.float64], float]:
    """Averaged power spectrum about the mean, and the spacing of its bins.

    Parameters
    ----------
    samples : numpy.ndarray
        Shape (n,), finite.
    sample_rate_hz : float
        Sample rate. [Hz]

    Returns
    -------
    (numpy.ndarray, float)
        Shape (bins,); spacing, 0.1 Hz for records of 10 s and longer. [Hz]
    """
    length = min(samples.size, round(_SEGMENT_S * sample_rate_hz))
    window = np.hanning(length + 2)[1:-1].astype(np.float32)
    power = np.zeros(length // 2 + 1)
    for first in range(0, samples.size - length + 1, max(length, 1)):
        segment = samples[first : first + length]
        power += np.abs(fft.rfft((segment - segment.mean(dtype=np.float64)) * window)) ** 2
    return power, sample_rate_hz / length


def _comb_energy(power: NDArray[np.float64], step_hz: float, mains_hz: float) -> float:
    """Energy of the harmonics that stand out, above the noise beside them."""
    last_hz = min(_TOP_HZ, (power.size - 1) * step_hz - _BESIDE_HZ)
    energy, own = 0.0, False
    for order in range(1, int(last_hz // mains_hz) + 1):
        centre = order * mains_hz
        half_hz = 2 * step_hz + min(_STRAY_HZ * order, 1.0)
        inside = slice(round((centre - half_hz) / step_hz), round((centre + half_hz) / step_hz) + 1)
        first = max(round((centre - half_hz - _BESIDE_HZ) / step_hz), 0)
        last = round((centre + half_hz + _BESIDE_HZ) / step_hz)
        beside = np.concatenate([power[first : inside.start], power[inside.stop : last]])
        level = float(np.partition(beside, beside.size // 2)[beside.size // 2])
        line = power[inside]
        if float(line.max()) > _STANDS_OUT * level:
            energy += float(np.maximum(line - level, 0).sum())
            own = own or order * mains_hz % 300 != 0
    return energy if own else 0.0
