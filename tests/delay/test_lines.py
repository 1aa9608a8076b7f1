"""Spectral lines are found on the whole record, and nothing else is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.delay.lines import comb_stands_out, line_bins, subtract_strong_lines

RATE_HZ = 4000.0


def record(seed: int, *, seconds: float = 10.0) -> np.ndarray:
    return np.random.default_rng(seed).normal(size=round(seconds * RATE_HZ))


def test_noise_alone_has_almost_no_lines() -> None:
    # noise exceeds 12 times its mean power once in e^12 = 163,000 bins; the local level, from 61 bins,
    # scatters by a sixth, and each find takes four neighbours along
    assert np.mean([line_bins(record(seed), RATE_HZ).mean() for seed in range(8)]) < 1e-3


@settings(max_examples=30, deadline=None)
@given(st.floats(20, 1800), st.floats(0.2, 3.0), st.integers(0, 1000))
def test_a_tone_is_found_wherever_it_lies(tone_hz: float, amplitude: float, seed: int) -> None:
    samples = record(seed)
    t = np.arange(samples.size) / RATE_HZ
    mask = line_bins(samples + amplitude * np.sin(2 * np.pi * tone_hz * t), RATE_HZ)
    assert mask[round(tone_hz * samples.size / RATE_HZ)]
    assert mask.mean() < 0.01


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_takes_the_whole_comb(mains_hz: float) -> None:
    samples = record(3)
    t = np.arange(samples.size) / RATE_HZ
    for k in range(1, 8):
        samples += 0.5 / k * np.sin(2 * np.pi * mains_hz * k * t + k)
    mask = line_bins(samples, RATE_HZ)
    bin_hz = RATE_HZ / samples.size
    # harmonics far above those that were put in are taken too
    assert all(mask[round(k * mains_hz / bin_hz)] for k in range(1, 25))
    other_hz = 110.0 - mains_hz
    assert not mask[round(7 * other_hz / bin_hz) + 5]


def test_a_broad_hump_is_no_line() -> None:
    rng = np.random.default_rng(5)
    spectrum = np.fft.rfft(rng.normal(size=40000))
    f = np.fft.rfftfreq(40000, 1 / RATE_HZ)
    humped = np.fft.irfft(spectrum * (1 + 10 / (1 + ((f - 400) / 30) ** 2)), 40000)
    assert line_bins(humped, RATE_HZ).mean() < 1e-3


def test_a_drifting_hum_is_still_covered() -> None:
    rng = np.random.default_rng(6)
    n = 40000
    frequency = 50 + 0.03 * np.sin(2 * np.pi * np.arange(n) / n)
    phase = 2 * np.pi * np.cumsum(frequency) / RATE_HZ
    samples = rng.normal(size=n) + sum(np.sin(k * phase) for k in (1, 2, 3, 4, 5, 7))
    spectrum = np.abs(np.fft.rfft(samples)) ** 2
    mask = line_bins(samples, RATE_HZ)
    left = spectrum[~mask]
    # what is left is noise: its mean power is that of noise within a few percent
    assert left.mean() == pytest.approx(n, rel=0.15)


def test_comb_needs_harmonics_of_its_own() -> None:
    bin_hz = 0.1
    high = np.zeros(20001, dtype=bool)
    high[[3000, 6000, 9000]] = True  # 300, 600 and 900 Hz belong to both mains frequencies
    assert not comb_stands_out(high, bin_hz=bin_hz, mains_hz=50.0)
    high[[round(50 * k / bin_hz) for k in range(1, 20)]] = True
    assert comb_stands_out(high, bin_hz=bin_hz, mains_hz=50.0)
    assert not comb_stands_out(high, bin_hz=bin_hz, mains_hz=60.0)


@settings(max_examples=15, deadline=None)
@given(st.floats(45, 65), st.floats(1, 30), st.integers(0, 100))
def test_strong_hum_leaves_only_noise(mains_hz: float, amplitude: float, seed: int) -> None:
    noise = record(seed, seconds=5.0)
    t = np.arange(noise.size) / RATE_HZ
    hum = sum(amplitude / k * np.sin(2 * np.pi * mains_hz * k * t + k) for k in range(1, 10))
    left = subtract_strong_lines(noise + hum, RATE_HZ)
    assert left.std() == pytest.approx(1.0, abs=0.04)
    # and little of the noise went with it
    assert np.corrcoef(left, noise)[0, 1] > 0.98


def test_without_strong_lines_nothing_is_subtracted() -> None:
    noise = record(11)
    np.testing.assert_allclose(subtract_strong_lines(noise, RATE_HZ), noise - noise.mean())
