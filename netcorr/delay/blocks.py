"""The evidence of a round block by block: what lasts is in all of them, a burst of usage only in a few.

A loud burst of a second or two fills the evidence of a whole record, and a leak beside it is lost. In blocks
of a few seconds the burst is a matter of one or two, and the leak shows in the others.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import fft

from netcorr.delay.likelihood import BandCorrelograms

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.delay.prepare import PreparedRecording

#: Length of a block, about. [s]
BLOCK_S = 2.0
#: Blocks at least and at most: fewer cannot tell what lasts, more cost time.
FEWEST, MOST = 3, 8


def block_log_likelihood(
    a: PreparedRecording,
    b: PreparedRecording,
    *,
    delay_s: NDArray[np.float64],
    band_hz: tuple[float, float],
) -> NDArray[np.float64]:
    """Log-likelihood of every delay in each block of a record.

    Parameters
    ----------
    a, b : PreparedRecording
        Recordings of one round, prepared alike.
    delay_s : numpy.ndarray
        Shape (m,): evenly spaced delays. [s]
    band_hz : (float, float)
        Band to use. [Hz]

    Returns
    -------
    numpy.ndarray
        Shape (blocks, m); no rows when the record is too short for three blocks of three times the longest
        delay.

    Examples
    --------
    >>> from netcorr.delay import prepare_recording
    >>> rng = np.random.default_rng(2)
    >>> s = rng.normal(size=20100)
    >>> a, b = (prepare_recording(x, 2000.0, pad_s=0.1) for x in (s[50:20050], s[10:20010]))
    >>> grid = np.arange(-200, 201) * 1e-4
    >>> rows = block_log_likelihood(a, b, delay_s=grid, band_hz=(50.0, 900.0))  # B hears 20 ms later
    >>> rows.shape, grid[rows.argmax(axis=1)].round(4).tolist()
    ((5, 401), [0.02, 0.02, 0.02, 0.02, 0.02])
    """
    longest_s = float(np.abs(delay_s).max())
    count = min(int(a.duration_s / max(BLOCK_S, 3 * longest_s)), MOST)
    if count < FEWEST:
        return np.empty((0, delay_s.size))
    block_s = a.duration_s / count
    signals = [_whitened(one) for one in (a, b)]
    usable = a.usable & b.usable
    return np.stack(
        [
            _one_block(
                [
                    signal[int(k * block_s * rate_hz) : int((k + 1) * block_s * rate_hz)]
                    for signal, rate_hz in signals
                ],
                rate_hz=signals[0][1],
                usable_hz=(a.frequency_hz, usable),
                delay_s=delay_s,
                band_hz=band_hz,
            )
            for k in range(count)
        ]
    )


def _whitened(one: PreparedRecording) -> tuple[NDArray[np.float64], float]:
    """Levelled record of unit power, in time, and its sample rate."""
    size = 2 * (one.spectrum.size - 1)
    signal: NDArray[np.float64] = fft.irfft(one.spectrum, size)
    return signal, size * one.bin_hz


def _one_block(
    pair: list[NDArray[np.float64]],
    *,
    rate_hz: float,
    usable_hz: tuple[NDArray[np.float64], NDArray[np.bool_]],
    delay_s: NDArray[np.float64],
    band_hz: tuple[float, float],
) -> NDArray[np.float64]:
    """Log-likelihood of every delay in one block, each spectrum brought to unit power."""
    n = min(part.size for part in pair)
    longest_s = float(np.abs(delay_s).max())
    padded = fft.next_fast_len(n + int(np.ceil(longest_s * rate_hz)) + 1, real=True)
    bin_hz = rate_hz / padded
    frequency_hz = np.arange(padded // 2 + 1) * bin_hz
    usable = np.interp(frequency_hz, usable_hz[0], usable_hz[1].astype(float)) > 0.5
    usable &= (frequency_hz >= band_hz[0]) & (frequency_hz <= band_hz[1])
    spectra = [np.where(usable, fft.rfft(part[:n], padded), 0.0) for part in pair]
    power = [max(float((np.abs(s[usable]) ** 2).mean()), 1e-300) for s in spectra]
    cross = np.conj(spectra[0]) * spectra[1] / np.sqrt(power[0] * power[1])
    correlograms = BandCorrelograms(
        cross,
        usable,
        bin_hz=bin_hz,
        duration_s=n / rate_hz,
        max_delay_s=longest_s,
        band_hz=band_hz,
    )
    return np.interp(delay_s, correlograms.delay_s, correlograms.log_likelihood())
