"""What statistics allows: the Cramer-Rao bound of a delay, and how estimated coherence scatters."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from netcorr.errors import DelayError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


def delay_bound_s(frequency_hz: ArrayLike, coherence: ArrayLike, *, duration_s: float) -> float:
    """Smallest standard deviation that an unbiased estimate of a delay can have.

    Parameters
    ----------
    frequency_hz : array_like
        Shape (k,), ascending. [Hz]
    coherence : array_like
        Shape (k,): magnitude-squared coherence at each frequency, 0 to below 1.
    duration_s : float
        Length of the record. [s]

    Returns
    -------
    float
        Standard deviation. [s]

    Raises
    ------
    DelayError
        If a coherence is not in [0, 1), or nothing is coherent.

    Notes
    -----
    ``var >= 1 / (2 T int (2 pi f)^2 C / (1 - C) df)``.

    References
    ----------
    Knapp, C. and Carter, G. (1976). The generalized correlation method for estimation of time delay. IEEE
    Trans. Acoust. Speech Signal Process. 24(4), 320-327. Carter, G. (1987). Coherence and time delay
    estimation. Proc. IEEE 75(2), 236-255.

    Examples
    --------
    >>> f = np.linspace(100, 600, 5001)
    >>> round(delay_bound_s(f, np.full(f.size, 0.25), duration_s=4.0) * 1e6, 2)
    11.51
    """
    f = np.asarray(frequency_hz, dtype=np.float64)
    c = np.asarray(coherence, dtype=np.float64)
    if c.size == 0 or c.min() < 0 or c.max() >= 1:
        raise DelayError(
            "coherence",
            found="values outside 0 to 1",
            remedy="give magnitude-squared coherence, below 1 everywhere",
        )
    information = 2 * duration_s * np.trapezoid((2 * np.pi * f) ** 2 * c / (1 - c), f)
    if information <= 0:
        raise DelayError("coherence", found="zero everywhere", remedy="a delay needs some coherence")
    return float(1 / np.sqrt(information))


def coherence_threshold(averages: float, *, false_alarm: float) -> float:
    """Magnitude-squared coherence that noise alone exceeds with a given probability.

    Parameters
    ----------
    averages : float
        Number of independent averages, above 1.
    false_alarm : float
        Probability, 0 to 1.

    Returns
    -------
    float
        Threshold.

    Notes
    -----
    ``1 - p^(1/(n-1))``: without coherence the estimate is Beta(1, n - 1) distributed (Carter, 1987).

    Examples
    --------
    >>> round(coherence_threshold(40, false_alarm=0.05), 5)
    0.07394
    """
    return float(1 - false_alarm ** (1 / (averages - 1)))


def coherence_moments(coherence: float, *, averages: int) -> tuple[float, float]:
    """Mean and variance of the estimate of a magnitude-squared coherence.

    Parameters
    ----------
    coherence : float
        True magnitude-squared coherence, 0 to below 1.
    averages : int
        Number of independent averages.

    Returns
    -------
    mean, variance : float
        Of the estimate.

    References
    ----------
    Carter, G., Knapp, C. and Nuttall, A. (1973). Estimation of the magnitude-squared coherence function via
    overlapped fast Fourier transform processing. IEEE Trans. Audio Electroacoust. 21(4), 337-344. The m-th
    moment is ``G(n) G(m+1) / G(n+m) (1-C)^n 3F2(m+1, n, n; m+n, 1; C)``.

    Examples
    --------
    >>> mean, variance = coherence_moments(0.0, averages=16)
    >>> round(mean, 5), round(variance, 6)
    (0.0625, 0.003447)
    """
    n, c = float(averages), float(coherence)
    moments = [_coherence_moment(m, n=n, c=c) for m in (1, 2)]
    return moments[0], moments[1] - moments[0] ** 2


def _coherence_moment(m: int, *, n: float, c: float) -> float:
    """The series of 3F2(m+1, n, n; m+n, 1; c), summed in logarithms until it no longer changes."""
    k = np.arange(0, 20000, dtype=np.float64)
    log_terms: NDArray[np.float64] = (
        special.gammaln(m + 1 + k)
        - special.gammaln(m + 1)
        + 2 * (special.gammaln(n + k) - special.gammaln(n))
        - special.gammaln(m + n + k)
        + special.gammaln(m + n)
        - 2 * special.gammaln(k + 1)
    )
    log_terms = log_terms + k * np.log(c) if c > 0 else log_terms[:1]
    scale = special.gammaln(n) + special.gammaln(m + 1) - special.gammaln(n + m) + n * np.log1p(-c)
    return float(np.exp(special.logsumexp(log_terms) + scale))


def peak_probability(height: float, *, bins: float, search_s: float, rms_frequency_hz: float) -> float:
    """Probability that noise alone lifts a correlogram to a given height anywhere in the search range.

    Parameters
    ----------
    height : float
        Peak of the correlogram averaged over `bins` unit-power bins, -1 to 1.
    bins : float
        Independent bins.
    search_s : float
        Width of the search range. [s]
    rms_frequency_hz : float
        Root mean square frequency of the band. [Hz]

    Returns
    -------
    float
        Probability, 0 to 1.

    Notes
    -----
    Without a common source the correlogram is Gaussian with variance ``1 / (2 K)``; the expected number of
    times it crosses a level u upwards is ``search * f_rms * exp(-u^2 / 2 sigma^2)`` (Rice, 1944).

    Examples
    --------
    >>> peak_probability(0.0, bins=1000, search_s=0.2, rms_frequency_hz=800) > 0.99
    True
    >>> peak_probability(0.2, bins=1000, search_s=0.2, rms_frequency_hz=800) < 1e-12
    True
    """
    if height <= 0:
        return 1.0
    crossings = max(search_s * rms_frequency_hz, 1.0) * np.exp(-(height**2) * bins)
    return float(-np.expm1(-crossings))
