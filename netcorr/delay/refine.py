"""The most likely delay to a fraction of a sample, with its standard error and the coherence behind it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Independent bins over which the coherence at the delay is smoothed before it becomes a weight, at least.
SMOOTHING_BINS = 160
#: Coherence is smoothed over at least this share of the band that carries the evidence.
SMOOTHING_SHARE = 0.08
#: Width over which coherence and phase are averaged for plots. [Hz]
PLOT_HZ = 12.0


@dataclass(frozen=True, eq=False)
class RefinedDelay:
    """Delay by maximum likelihood round a known peak.

    Attributes
    ----------
    delay_s : float
        Arrival at B minus arrival at A. [s]
    standard_error_s : float
        Cramer-Rao bound at the estimated coherence. [s]
    coherence : float
        Magnitude-squared coherence, mean over the band. [-]
    """

    delay_s: float
    standard_error_s: float
    coherence: float


def refine_delay(
    cross: NDArray[np.complex128],
    usable: NDArray[np.bool_],
    *,
    bin_hz: float,
    duration_s: float,
    start_s: float,
    band_hz: tuple[float, float],
    reach_s: float,
) -> RefinedDelay:
    """Maximise the weighted correlogram near `start_s`.

    Parameters
    ----------
    cross : numpy.ndarray
        Shape (k,), complex: conj(A) B of unit-power spectra.
    usable : numpy.ndarray
        Shape (k,), bool.
    bin_hz : float
        Width of a bin. [Hz]
    duration_s : float
        Length of the record. [s]
    start_s : float
        Delay to start from. [s]
    band_hz : (float, float)
        Band that carries the evidence. [Hz]
    reach_s : float
        The result stays within this of `start_s`. [s]

    Returns
    -------
    RefinedDelay
        Delay, standard error, coherence.

    Notes
    -----
    Weights ``g / (1 - g^2)`` with g the real part of the unit-power cross-spectrum steered to the delay and
    smoothed over frequency (Hannan and Thomson; Knapp and Carter, 1976). Standard error
    ``1 / sqrt(2 T int (2 pi f)^2 g^2 / (1 - g^2) df)``, the Cramer-Rao bound.
    """
    # the band is only as fine as its sub-bands: look beyond it on either side, weights decide
    margin = 0.25 * (band_hz[1] - band_hz[0]) + 64.0
    first = max(int((band_hz[0] - margin) / bin_hz), 1)
    last = min(int((band_hz[1] + margin) / bin_hz) + 2, cross.size)
    omega = 2 * np.pi * bin_hz * np.arange(first, last)
    part, use = cross[first:last], usable[first:last]
    per_bin = duration_s * bin_hz
    size = max(SMOOTHING_BINS / per_bin, SMOOTHING_SHARE * (band_hz[1] - band_hz[0]) / bin_hz)
    delay_s = start_s
    g = np.zeros(part.size)
    for _ in range(3):
        steered = part * np.exp(1j * omega * delay_s)
        g = _smooth(steered.real, use, size=round(size))
        noise = np.sqrt(0.5 / (size * per_bin))
        g = np.clip(np.where(g > noise, g, 0.0), 0.0, 0.995)
        weight = np.where(use, g / (1 - g**2), 0.0)
        slope = float((weight * omega * steered.imag).sum())
        curvature = float((weight * omega**2 * np.maximum(g, 1e-9)).sum())
        if curvature <= 0:
            return RefinedDelay(start_s, float(reach_s), 0.0)
        # the real part falls as cos: its slope at this delay is -sum(w omega Im), a Newton step
        step_s = -slope / curvature
        delay_s = float(np.clip(delay_s + step_s, start_s - reach_s, start_s + reach_s))
    # what noise adds to the square of an estimate is taken out, or weak sources would look too sharp
    squared = np.where(use & (g > 0), g**2 - noise**2, 0.0)
    information = 2 * per_bin * float((squared / (1 - g**2) * omega**2).sum())
    inside = use & (omega >= 2 * np.pi * band_hz[0]) & (omega <= 2 * np.pi * band_hz[1])
    coherence = float((g[inside] ** 2).mean()) if inside.any() else 0.0
    error_s = float(1 / np.sqrt(information)) if information > 0 else float(reach_s)
    return RefinedDelay(delay_s, error_s, coherence)


def coherence_and_phase(
    cross: NDArray[np.complex128],
    usable: NDArray[np.bool_],
    *,
    bin_hz: float,
    duration_s: float,
    delay_s: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Coherence and remaining phase over frequency, for plots.

    Parameters
    ----------
    cross, usable, bin_hz, duration_s
        As for `refine_delay`.
    delay_s : float
        Delay that is taken out of the phase. [s]

    Returns
    -------
    frequency_hz, coherence, phase_rad : numpy.ndarray
        Shape (m,): centre of each stretch of `PLOT_HZ`, magnitude-squared coherence without its bias,
        phase that the delay leaves over.
    """
    per_stretch = max(round(PLOT_HZ / bin_hz), 1)
    count = cross.size // per_stretch
    omega = 2 * np.pi * bin_hz * np.arange(cross.size)
    steered = np.where(usable, cross * np.exp(1j * omega * delay_s), 0.0)
    total = steered[: count * per_stretch].reshape(count, per_stretch).sum(axis=1)
    bins = usable[: count * per_stretch].reshape(count, per_stretch).sum(axis=1)
    mean = total / np.maximum(bins, 1)
    independent = np.maximum(bins * bin_hz * duration_s, 1.0)
    squared = np.minimum(np.abs(mean) ** 2, 1.0)
    debiased = np.clip((squared - 1 / independent) / np.maximum(1 - 1 / independent, 1e-9), 0.0, 1.0)
    frequency_hz = (np.arange(count) + 0.5) * per_stretch * bin_hz
    known = bins > 0.25 * per_stretch
    return frequency_hz[known], debiased[known], np.angle(mean)[known]


def _smooth(values: NDArray[np.float64], usable: NDArray[np.bool_], *, size: int) -> NDArray[np.float64]:
    """Running mean over the usable bins alone, twice for a triangular window."""
    half = max(size // 2, 1)
    weight = usable.astype(np.float64)
    total, count = values * weight, weight
    for _ in range(2):
        total = ndimage.uniform_filter1d(total, half, mode="constant")
        count = ndimage.uniform_filter1d(count, half, mode="constant")
    smooth: NDArray[np.float64] = total / np.maximum(count, 0.05)
    return smooth
