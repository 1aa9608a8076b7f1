"""Scenes in which estimators of a delay are compared: plastic and iron, clean and filthy, leak or none."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Ambient noise of the red kind falls with 6 dB an octave above this. [Hz]
RED_CORNER_HZ = 10.0
#: Lines hold this many times the leak's rms in the band, bursts likewise while they last.
LINES_RMS, BURSTS_RMS = 2.0, 6.0
BURSTS = 8
MAINS_HZ = 50.0


@dataclass(frozen=True)
class Pipe:
    """One pipe between two sensors, and how it is recorded.

    Attributes
    ----------
    name : str
        For the tables.
    length_m, speed_m_s : float
        Of the pipe.
    loss_s_m : float
        Amplitude falls by ``exp(-2 pi f loss_s_m x)`` over x metres. [s/m]
    band_hz : (float, float)
        Band of the leak. [Hz]
    sample_rate_hz, duration_s : float
        Of the recordings. [Hz], [s]
    """

    name: str
    length_m: float
    speed_m_s: float
    loss_s_m: float
    band_hz: tuple[float, float]
    sample_rate_hz: float
    duration_s: float

    @property
    def travel_time_s(self) -> float:
        """From sensor to sensor. [s]"""
        return self.length_m / self.speed_m_s


#: Constants like those of a published plastic test main, and of common iron (from memory).
PLASTIC = Pipe("plastic", 102.6, 484.0, 7.25e-5, (10.0, 180.0), 1000.0, 20.0)
IRON = Pipe("iron", 120.0, 1250.0, 9e-7, (200.0, 1500.0), 4000.0, 10.0)


@dataclass(frozen=True)
class Scene:
    """What is heard beside the leak.

    Attributes
    ----------
    pipe : Pipe
        The pipe.
    snr_db : float
        Leak over ambient noise in the leak's band at the sensor farther away. [dB]
    lines, bursts, red : bool
        Mains hum that both sensors share; short bursts of usage from beyond either sensor; ambient noise that
        falls with frequency.
    resonance_hz : float or None
        Resonance of the mounting of B, quality factor 8. [Hz]
    """

    pipe: Pipe
    snr_db: float
    lines: bool = False
    bursts: bool = False
    red: bool = False
    resonance_hz: float | None = None

    @property
    def name(self) -> str:
        """For the tables."""
        words = ["mains lines"] * self.lines + ["bursts"] * self.bursts + ["red noise"] * self.red
        words += ["resonance"] * (self.resonance_hz is not None)
        return f"{self.pipe.name}, {' and '.join(words) or 'clean'}, {self.snr_db:+.0f} dB"


SCENES = (
    Scene(PLASTIC, -6),
    Scene(PLASTIC, -12),
    Scene(PLASTIC, 0, lines=True),
    Scene(PLASTIC, -12, lines=True),
    Scene(PLASTIC, -6, bursts=True),
    Scene(PLASTIC, -12, bursts=True),
    Scene(PLASTIC, -12, red=True),
    Scene(PLASTIC, 0, resonance_hz=60.0),
    Scene(IRON, -12),
    Scene(IRON, -15),
    Scene(IRON, -15, lines=True),
    Scene(IRON, -10, bursts=True),
    Scene(IRON, -15, bursts=True),
    Scene(IRON, -20, red=True),
    Scene(IRON, -6, resonance_hz=500.0),
)


def record_scene(scene: Scene, rng: np.random.Generator, *, leak: bool) -> tuple[Real, float]:
    """Two recordings of a scene.

    Parameters
    ----------
    scene : Scene
        What is heard.
    rng : numpy.random.Generator
        Everything random comes from it.
    leak : bool
        Whether there is one; everything else, with its levels, is the same.

    Returns
    -------
    recordings : numpy.ndarray
        Shape (2, n): A and B.
    from_a_m : float
        Place of the leak, 10 to 90 % of the way. [m]
    """
    pipe = scene.pipe
    rate_hz, edge = pipe.sample_rate_hz, round(pipe.sample_rate_hz)
    count = round(pipe.duration_s * rate_hz)
    size = count + 2 * edge
    f: Real = np.asarray(fft.rfftfreq(size, 1 / rate_hz), dtype=np.float64)
    in_band = (f >= pipe.band_hz[0]) & (f <= pipe.band_hz[1])
    noise = _noise(scene, f, in_band, rng)
    noise_rms = _rms(fft.irfft(np.where(in_band, noise, 0.0), size))
    from_a_m = float(rng.uniform(0.1, 0.9)) * pipe.length_m
    heard = _through(pipe, np.where(in_band, _white(size, rng), 0.0), f, [from_a_m, pipe.length_m - from_a_m])
    level = 10 ** (scene.snr_db / 20) * noise_rms / min(_rms(one) for one in fft.irfft(heard, size))
    spectra = noise + (level * heard if leak else 0.0)
    leak_rms = 10 ** (scene.snr_db / 20) * noise_rms
    if scene.bursts:
        spectra = spectra + BURSTS_RMS * leak_rms * _bursts(pipe, f, in_band, rng, size=size)
    if scene.lines:
        spectra = spectra + LINES_RMS * leak_rms * _lines(rate_hz, rng, size=size)
    if scene.resonance_hz is not None:
        r = f / scene.resonance_hz
        spectra[1] = spectra[1] / (1 - r**2 + 1j * r / 8)
    samples = fft.irfft(spectra, size)[:, edge : edge + count]
    return np.asarray(samples, dtype=np.float64), from_a_m


def _white(size: int, rng: np.random.Generator) -> Complex:
    return np.asarray(fft.rfft(rng.standard_normal(size)), dtype=np.complex128)


def _rms(samples: Real) -> float:
    return float(np.sqrt(np.mean(samples**2)))


def _noise(scene: Scene, f: Real, in_band: NDArray[np.bool_], rng: np.random.Generator) -> Complex:
    """Ambient noise of both sensors, shape (2, bins), the same level in the band whatever its colour."""
    shape = RED_CORNER_HZ / np.maximum(f, RED_CORNER_HZ) if scene.red else np.ones(f.size)
    shape = shape / np.sqrt(np.mean(shape[in_band] ** 2))
    size = 2 * (f.size - 1)
    both = np.stack([_white(size, rng), _white(size, rng)])
    return np.asarray(both * shape, dtype=np.complex128)


def _through(pipe: Pipe, source: Complex, f: Real, distances_m: list[float]) -> Complex:
    """What arrives after each distance, shape (distances, bins)."""
    d = np.asarray(distances_m)[:, None]
    return np.asarray(source * np.exp(-2 * np.pi * f * d * (pipe.loss_s_m + 1j / pipe.speed_m_s)))


def _bursts(
    pipe: Pipe, f: Real, in_band: NDArray[np.bool_], rng: np.random.Generator, *, size: int
) -> Complex:
    """Bursts of 0.3 to 0.8 s from beyond either sensor, rms 1 at the sensor that hears them first."""
    total = np.zeros((2, f.size), dtype=np.complex128)
    time_s = np.arange(size) / pipe.sample_rate_hz
    for _ in range(BURSTS):
        start_s, length_s = rng.uniform(1.0, pipe.duration_s), rng.uniform(0.3, 0.8)
        inside = (time_s >= start_s) & (time_s < start_s + length_s)
        noise = fft.irfft(np.where(in_band, _white(size, rng), 0.0), size)
        spectrum = np.asarray(fft.rfft(noise / _rms(noise) * inside), dtype=np.complex128)
        both = _through(pipe, spectrum, f, [0.0, pipe.length_m])
        total += both if rng.random() < 0.5 else both[::-1]
    return total


def _lines(rate_hz: float, rng: np.random.Generator, *, size: int) -> Complex:
    """Nine harmonics of the mains in both recordings, rms 1, each sensor with its own strengths."""
    time_s = np.arange(size) / rate_hz
    order = np.arange(1, 10)[MAINS_HZ * np.arange(1, 10) < rate_hz / 2]
    phase = rng.uniform(0, 2 * np.pi, order.size)
    waves = np.cos(2 * np.pi * MAINS_HZ * order[:, None] * time_s + phase[:, None])
    strength = rng.lognormal(0.0, 0.7, (2, order.size)) / order
    strength /= np.sqrt((strength**2).sum(axis=1, keepdims=True) / 2)
    return np.asarray(fft.rfft(strength @ waves), dtype=np.complex128)
