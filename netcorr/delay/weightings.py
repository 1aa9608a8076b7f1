"""The textbook's correlograms, by averaged segments: for a second opinion, for checks and for comparison.

Each is ``Re sum_f W(f) S_ab(f) exp(j 2 pi f delay)`` with its own weight (Knapp and Carter, 1976).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy import fft

from netcorr.errors import DelayError

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

#: Names of the weightings.
Weighting = Literal["plain", "roth", "scot", "phat", "maximum likelihood"]


@dataclass(frozen=True, eq=False)
class CrossSpectra:
    """Averaged spectra of two recordings.

    Attributes
    ----------
    s_aa, s_bb : numpy.ndarray
        Shape (k,): auto-spectra.
    s_ab : numpy.ndarray
        Shape (k,), complex: mean of conj(A) B.
    sample_rate_hz : float
        Sample rate. [Hz]
    segment : int
        Samples in a segment.
    """

    s_aa: NDArray[np.float64]
    s_bb: NDArray[np.float64]
    s_ab: NDArray[np.complex128]
    sample_rate_hz: float
    segment: int

    @property
    def coherence(self) -> NDArray[np.float64]:
        """Magnitude-squared coherence, shape (k,)."""
        squared: NDArray[np.float64] = np.abs(self.s_ab) ** 2 / np.maximum(self.s_aa * self.s_bb, 1e-300)
        return np.minimum(squared, 1.0)


def cross_spectra(
    a: NDArray[np.floating], b: NDArray[np.floating], *, sample_rate_hz: float, segment: int
) -> CrossSpectra:
    """Spectra averaged over Hann-tapered segments that overlap by half.

    Parameters
    ----------
    a, b : numpy.ndarray
        Shape (n,).
    sample_rate_hz : float
        Sample rate. [Hz]
    segment : int
        Samples in a segment; at least ten times the largest delay.

    Returns
    -------
    CrossSpectra
        Averaged spectra.

    Raises
    ------
    DelayError
        If there are fewer than two segments: with one, coherence is 1 whatever was recorded.
    """
    starts = range(0, min(a.size, b.size) - segment + 1, segment // 2)
    if len(starts) < 2:
        raise DelayError(
            "segments",
            found=f"{len(starts)} of {segment} samples in {min(a.size, b.size)}",
            remedy="at least two are needed; choose shorter segments",
        )
    taper = np.hanning(segment)
    fa = fft.rfft(np.stack([a[s : s + segment] for s in starts]) * taper, axis=1)
    fb = fft.rfft(np.stack([b[s : s + segment] for s in starts]) * taper, axis=1)
    return CrossSpectra(
        s_aa=(np.abs(fa) ** 2).mean(axis=0),
        s_bb=(np.abs(fb) ** 2).mean(axis=0),
        s_ab=(np.conj(fa) * fb).mean(axis=0),
        sample_rate_hz=sample_rate_hz,
        segment=segment,
    )


def _maximum_likelihood(s: CrossSpectra) -> NDArray[np.float64]:
    c = np.minimum(s.coherence, 0.999)
    weight: NDArray[np.float64] = c / (1 - c) / np.maximum(np.abs(s.s_ab), 1e-300)
    return weight


_WEIGHTS: dict[str, Callable[[CrossSpectra], NDArray[np.float64]]] = {
    "plain": lambda s: np.ones(s.s_aa.size),
    "roth": lambda s: 1 / np.maximum(s.s_aa, 1e-300),
    "scot": lambda s: 1 / np.sqrt(np.maximum(s.s_aa * s.s_bb, 1e-300)),
    "phat": lambda s: 1 / np.maximum(np.abs(s.s_ab), 1e-300),
    "maximum likelihood": _maximum_likelihood,
}


def correlogram(
    spectra: CrossSpectra,
    weighting: Weighting,
    *,
    band_hz: tuple[float, float] | None = None,
    oversampling: int = 4,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Weighted correlogram.

    Parameters
    ----------
    spectra : CrossSpectra
        Averaged spectra.
    weighting : str
        'plain', 'roth', 'scot', 'phat' or 'maximum likelihood'.
    band_hz : (float, float), optional
        Band outside of which the weight is 0. [Hz]
    oversampling : int
        Delays for each sample.

    Returns
    -------
    delay_s, values : numpy.ndarray
        Shape (m,): delays, arrival at B minus arrival at A, and the correlogram with peak 1.

    Raises
    ------
    DelayError
        If there is no such weighting.

    Examples
    --------
    >>> rng = np.random.default_rng(3)
    >>> s = rng.normal(size=4200)
    >>> spectra = cross_spectra(s[100:4100], s[88:4088], sample_rate_hz=1000.0, segment=500)
    >>> delay_s, values = correlogram(spectra, "plain")
    >>> round(float(delay_s[values.argmax()]), 4)  # B hears 12 samples later
    0.012
    """
    if weighting not in _WEIGHTS:
        raise DelayError(
            "weighting", found=str(weighting), remedy=f"choose one of {', '.join(sorted(_WEIGHTS))}"
        )
    weight = _WEIGHTS[weighting](spectra)
    frequency_hz = np.arange(weight.size) * spectra.sample_rate_hz / spectra.segment
    if band_hz is not None:
        weight = np.where((frequency_hz >= band_hz[0]) & (frequency_hz <= band_hz[1]), weight, 0.0)
    values = fft.fftshift(fft.irfft(weight * spectra.s_ab, spectra.segment * oversampling))
    delays = np.arange(values.size) - values.size // 2
    return delays / (spectra.sample_rate_hz * oversampling), values / max(float(np.abs(values).max()), 1e-300)
