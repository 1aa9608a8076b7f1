"""A second source beside the strongest one: what a pair says when a known source is taken out.

The likelihood of one source at each delay does not say where a second, weaker one is: near a strong source it
is high because that source is near. Taking out of the cross-spectrum what arrives within a few milliseconds
of the strong one's delay leaves the others.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from netcorr.delay.bands import MARGIN_S, usable_band
from netcorr.delay.likelihood import BandCorrelograms

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.delay.dispersion import Dispersion
    from netcorr.delay.prepare import PreparedRecording

#: The cross-spectrum, steered to the known source, is smoothed over this width and subtracted: what arrives
#: within half its inverse, 8 ms, goes too. [Hz]
SMOOTHING_HZ = 64.0


def log_likelihood_beside(
    a: PreparedRecording,
    b: PreparedRecording,
    known_s: Sequence[float],
    *,
    max_delay_s: float,
    band_hz: tuple[float, float] | None = None,
    dispersion: Dispersion | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Log-likelihood of one more source at every delay, with sources at known delays taken out.

    Parameters
    ----------
    a, b : PreparedRecording
        Recordings of one round, prepared alike.
    known_s : sequence of float
        Delays of the known sources, the strongest first. [s]
    max_delay_s : float
        Half width of the search range. [s]
    band_hz : (float, float), optional
        Band to use; by default all that was prepared. [Hz]
    dispersion : Dispersion, optional
        Phase of the pipe beside its nominal speed: delays are then those of the nominal speed.

    Returns
    -------
    delay_s, log_likelihood : numpy.ndarray
        Shape (m,): delays, and log of the likelihood of one more source there over that of none.

    Raises
    ------
    DelayError
        If the band holds nothing.

    Notes
    -----
    An echo of a known source is not known: where side pipes and dead ends may return it, what stands out here
    need not be a source of its own.

    Examples
    --------
    >>> from netcorr.delay import delay_evidence, prepare_round
    >>> rng = np.random.default_rng(7)
    >>> strong, weak = rng.normal(size=(2, 40_200))
    >>> heard = np.stack([strong[:40_000] + 0.3 * weak[:40_000], strong[160:40_160] + 0.3 * weak[80:40_080]])
    >>> a, b = prepare_round(heard + rng.normal(size=heard.shape), 4000.0, max_delay_s=0.05)
    >>> first_s = delay_evidence(a, b, max_delay_s=0.05).peak_delay_s
    >>> delay_s, left = log_likelihood_beside(a, b, [first_s], max_delay_s=0.05)
    >>> round(first_s, 4), round(float(delay_s[left.argmax()]), 4)
    (-0.04, -0.02)
    """
    band = usable_band(a.frequency_hz, a.usable & b.usable, band_hz=band_hz, item="pair of recordings")
    usable = a.usable & b.usable & (a.frequency_hz >= band[0]) & (a.frequency_hz <= band[1])
    correlograms = BandCorrelograms(
        without_sources(
            np.conj(a.spectrum) * b.spectrum, usable, known_s, bin_hz=a.bin_hz, dispersion=dispersion
        ),
        usable,
        bin_hz=a.bin_hz,
        duration_s=a.duration_s * min(a.filled_share, b.filled_share),
        max_delay_s=max_delay_s + MARGIN_S,
        band_hz=band,
        dispersion=dispersion,
    )
    return correlograms.delay_s, correlograms.log_likelihood()


def without_sources(
    cross: NDArray[np.complex128],
    usable: NDArray[np.bool_],
    known_s: Sequence[float],
    *,
    bin_hz: float,
    dispersion: Dispersion | None = None,
) -> NDArray[np.complex128]:
    """Cross-spectrum without what arrives near known delays.

    Parameters
    ----------
    cross : numpy.ndarray
        Shape (k,), complex: conj(A) B of unit-power spectra.
    usable : numpy.ndarray
        Shape (k,), bool.
    known_s : sequence of float
        Delays, the strongest first. [s]
    bin_hz : float
        Width of a bin. [Hz]
    dispersion : Dispersion, optional
        Phase of the pipe beside its nominal speed.

    Returns
    -------
    numpy.ndarray
        Shape (k,), complex; zero where unusable.
    """
    frequency_hz = np.arange(cross.size, dtype=np.float64) * bin_hz
    left = np.where(usable, cross, 0.0)
    size = max(round(SMOOTHING_HZ / bin_hz), 3)
    share = np.maximum(ndimage.uniform_filter1d(usable.astype(np.float64), size), 0.05)
    for delay_s in known_s:
        phase = 2 * np.pi * frequency_hz * delay_s
        if dispersion is not None:
            phase += dispersion.at(delay_s, frequency_hz)
        turn = np.exp(1j * phase)
        steered = left * turn
        smooth = ndimage.uniform_filter1d(steered.real, size) + 1j * ndimage.uniform_filter1d(
            steered.imag, size
        )
        left = np.where(usable, (steered - smooth / share) * turn.conj(), 0.0)
    return left
