"""Noise has the power and the colour that were asked for; the mounting behaves as a mass on a spring."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from netcorr.simulation.noise import (
    ambient_amplitude,
    band_power,
    hum,
    mounting_response,
    random_spectrum,
    source_amplitude,
)
from netcorr.simulation.setup import NoiseColour, SensorSetup, Spectrum

RATE = 4000.0
SIZE = 400_000
FREQUENCY = np.fft.rfftfreq(SIZE, 1 / RATE)


@pytest.mark.parametrize(("colour", "slope_db"), [("white", 0.0), ("pink", -3.01), ("red", -6.02)])
def test_colour_and_power_of_ambient_noise(colour: NoiseColour, slope_db: float) -> None:
    band = (50.0, 1500.0)
    spectrum = random_spectrum(np.random.default_rng(1), SIZE, sample_rate_hz=RATE)
    samples = np.fft.irfft(spectrum * ambient_amplitude(FREQUENCY, colour, band_hz=band))
    # an independent estimate of the density, with its own scaling
    f, density = signal.welch(samples, RATE, nperseg=4000)
    inside = (f >= band[0]) & (f <= band[1])
    assert density[inside].sum() * (f[1] - f[0]) == pytest.approx(1.0, rel=0.03)
    octave = np.mean(density[(f > 760) & (f < 840)]) / np.mean(density[(f > 380) & (f < 420)])
    assert 10 * np.log10(octave) == pytest.approx(slope_db, abs=0.4)


def test_power_in_a_band_is_the_mean_square() -> None:
    spectrum = random_spectrum(np.random.default_rng(2), SIZE, sample_rate_hz=RATE)
    samples = np.fft.irfft(spectrum)
    assert samples.var() == pytest.approx(RATE / 2, rel=0.01)  # a density of 1 up to half the rate
    assert band_power(np.ones(FREQUENCY.size), FREQUENCY, (100.0, 300.0)) == pytest.approx(200, rel=1e-3)


def test_source_is_halved_at_its_edges_and_falls_outside() -> None:
    f = np.array([10.0, 20.0, 200.0, 1000.0, 2000.0])
    power = source_amplitude(f, Spectrum(20.0, 1000.0)) ** 2
    assert power[2] == pytest.approx(1.0, abs=0.01)
    assert power[[1, 3]] == pytest.approx(0.5, abs=0.01)
    assert 10 * np.log10(power[[0, 4]]) == pytest.approx(10 * np.log10(1 / 17), abs=0.05)


def test_slope_of_a_source() -> None:
    f = np.array([200.0, 400.0])
    power = source_amplitude(f, Spectrum(5.0, 50_000.0, slope_db_octave=-4.0)) ** 2
    assert 10 * np.log10(power[1] / power[0]) == pytest.approx(-4.0, abs=0.01)


def test_mounting_is_flat_below_its_resonance_and_q_at_it() -> None:
    f = np.array([0.0, 10.0, 150.0, 1500.0, 6000.0])
    response = mounting_response(f, SensorSetup("K", "H", resonance_hz=1500.0, resonance_q=5.0))
    size = np.abs(response)
    assert size[0] == 0.0
    assert size[1] == pytest.approx(np.sqrt(0.5), rel=0.01)  # the corner of the high-pass
    assert size[2] == pytest.approx(1.0, rel=0.02)
    assert size[3] == pytest.approx(5.0, rel=0.01)
    assert size[4] == pytest.approx(1 / 15, rel=0.05)  # (f0/f)^2 less one
    assert np.angle(response[3]) == pytest.approx(-np.pi / 2, abs=0.02)


def test_hum_is_lines_of_power_one() -> None:
    time_s = np.arange(40_000) / RATE
    wave = hum(np.random.default_rng(3), time_s, hum_hz=50.0)
    assert np.mean(wave**2) == pytest.approx(1.0, rel=1e-6)
    power = np.abs(np.fft.rfft(wave)) ** 2
    lines = np.flatnonzero(power > 1e-6 * power.max()) * RATE / wave.size
    assert lines == pytest.approx([50, 100, 150, 250, 350, 450])
