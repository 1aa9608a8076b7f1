"""Pairs of recordings with a known delay: a band of noise, heard twice, in white noise."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import fft

Pair = Callable[..., NDArray[np.float64]]


def noisy_pair(
    rng: np.random.Generator,
    *,
    delay_s: float,
    snr_db: float = 0.0,
    band_hz: tuple[float, float] = (200.0, 900.0),
    duration_s: float = 10.0,
    rate_hz: float = 4000.0,
) -> NDArray[np.float64]:
    """Shape (2, n): B hears `delay_s` later than A; `snr_db` holds inside the band, at both."""
    n = round(duration_s * rate_hz)
    size = fft.next_fast_len(n + 2 * round(rate_hz))
    source = fft.rfft(rng.normal(size=size))
    f = np.arange(source.size) * rate_hz / size
    source = np.where((f >= band_hz[0]) & (f <= band_hz[1]), source, 0.0)
    first = round(rate_hz)
    a = fft.irfft(source, size)[first : first + n]
    b = fft.irfft(source * np.exp(-2j * np.pi * f * delay_s), size)[first : first + n]
    return np.asarray(10 ** (snr_db / 20) * np.stack([a, b]) + rng.normal(size=(2, n)))


@pytest.fixture
def pair() -> Pair:
    return noisy_pair
