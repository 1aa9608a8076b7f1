"""Random noise with a given spectrum, and what a mounting and a recorder make of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from netcorr.simulation.setup import NoiseColour, SensorSetup, Spectrum

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Complex = NDArray[np.complex128]
    Real = NDArray[np.float64]

#: Below this the colours are flat, and a recorder hears little. [Hz]
LOW_CORNER_HZ = 10.0
_SLOPE_DB_OCTAVE: dict[NoiseColour, float] = {"white": 0.0, "pink": -3.0, "red": -6.0}


def source_amplitude(frequency_hz: Real, spectrum: Spectrum) -> Real:
    """Shape (f,): amplitude of a source over frequency, edges of 12 dB an octave, 1 in a flat band."""
    f = np.maximum(frequency_hz, 1e-9)
    edges = 1 / (1 + (spectrum.low_hz / f) ** 4) / (1 + (f / spectrum.high_hz) ** 4)
    slope = (np.maximum(f, spectrum.low_hz) / spectrum.low_hz) ** (spectrum.slope_db_octave / _DB_PER_POWER)
    return np.asarray(np.sqrt(edges * slope))


def ambient_amplitude(frequency_hz: Real, colour: NoiseColour, *, band_hz: tuple[float, float]) -> Real:
    """Shape (f,): amplitude density of the ambient noise whose power in `band_hz` is 1."""
    above = np.maximum(frequency_hz, LOW_CORNER_HZ) / LOW_CORNER_HZ
    power = above ** (_SLOPE_DB_OCTAVE[colour] / _DB_PER_POWER)
    return np.asarray(np.sqrt(power / band_power(power, frequency_hz, band_hz)))


def band_power(density: Real, frequency_hz: Real, band_hz: tuple[float, float]) -> Real:
    """Shape (...): power in a band of a one-sided power density of shape (..., f)."""
    inside = (frequency_hz >= band_hz[0]) & (frequency_hz <= band_hz[1])
    step_hz = frequency_hz[1] - frequency_hz[0]
    return np.asarray(density[..., inside].sum(axis=-1) * step_hz)


def random_spectrum(rng: np.random.Generator, size: int, *, sample_rate_hz: float) -> Complex:
    """Transform of `size` samples of white Gaussian noise with a one-sided power density of 1 / Hz."""
    return np.asarray(np.fft.rfft(rng.standard_normal(size)) * np.sqrt(sample_rate_hz / 2))


def mounting_response(frequency_hz: Real, sensor: SensorSetup) -> Complex:
    """Shape (f,): a high-pass of second order and, where stated, the resonance of the mounting.

    The mounting is a mass on a spring: 1 well below its resonance, Q at it, falling above.
    """
    s = 1j * frequency_hz / LOW_CORNER_HZ
    response = s**2 / (s**2 + np.sqrt(2) * s + 1)
    if sensor.resonance_hz is not None:
        r = frequency_hz / sensor.resonance_hz
        response = response / (1 - r**2 + 1j * r / sensor.resonance_q)
    return np.asarray(response)


def hum(rng: np.random.Generator, time_s: Real, *, hum_hz: float) -> Real:
    """Mains hum of power 1: fundamental, odd and second harmonics, random in strength and phase."""
    order = np.array([1.0, 2.0, 3.0, 5.0, 7.0, 9.0])
    amplitude = np.array([1.0, 0.5, 0.6, 0.3, 0.2, 0.1]) * 10 ** (rng.normal(0.0, 3.0, order.size) / 20)
    phase = rng.uniform(0, 2 * np.pi, order.size)
    waves = np.cos(2 * np.pi * hum_hz * order[:, None] * time_s + phase[:, None])
    return np.asarray((amplitude / np.sqrt((amplitude**2).sum() / 2)) @ waves)


_DB_PER_POWER = 10 * np.log10(2.0)
