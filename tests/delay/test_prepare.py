"""Preparation levels bursts, takes lines out, and leaves spectra of unit power."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.delay.prepare import prepare_recording, running_level
from netcorr.errors import DelayError

RATE_HZ = 4000.0


def noise(seed: int = 1, seconds: float = 10.0) -> np.ndarray:
    return np.random.default_rng(seed).normal(size=round(seconds * RATE_HZ))


def test_usable_bins_have_unit_power() -> None:
    prepared = prepare_recording(noise(), RATE_HZ, pad_s=0.2)
    power = np.abs(prepared.spectrum[prepared.usable]) ** 2
    assert power.mean() == pytest.approx(1.0, abs=0.02)
    assert not prepared.spectrum[~prepared.usable].any()


def test_coloured_noise_is_whitened() -> None:
    spectrum = np.fft.rfft(noise(2))
    f = np.fft.rfftfreq(40000, 1 / RATE_HZ)
    red = np.fft.irfft(spectrum / np.maximum(f, 5), 40000)
    prepared = prepare_recording(red, RATE_HZ)
    f = prepared.frequency_hz
    for low_hz in (30, 100, 300, 1000, 1500):
        inside = prepared.usable & (f > low_hz) & (f < 1.3 * low_hz)
        assert np.mean(np.abs(prepared.spectrum[inside]) ** 2) == pytest.approx(1.0, abs=0.15)


@settings(max_examples=20, deadline=None)
@given(st.floats(1e-4, 1e4), st.sampled_from([1.0, -1.0]))
def test_gain_and_polarity_change_nothing_but_the_sign(gain: float, sign: float) -> None:
    samples = noise(3, seconds=3.0)
    plain = prepare_recording(samples, RATE_HZ)
    scaled = prepare_recording(sign * gain * samples + 0.3 * gain, RATE_HZ)
    np.testing.assert_allclose(scaled.spectrum, sign * plain.spectrum, atol=1e-6)


def test_a_burst_is_levelled_and_said() -> None:
    samples = noise(4)
    samples[8000:10000] *= 30
    prepared = prepare_recording(samples, RATE_HZ)
    assert prepared.burst_share == pytest.approx(0.05, abs=0.03)
    back = np.fft.irfft(prepared.spectrum * prepared.amplitude, 2 * (prepared.spectrum.size - 1))
    place = slice(int(0.2 * back.size), int(0.25 * back.size))
    assert back[place].std() < 2.0 * back.std()


def test_hum_is_taken_out_and_its_share_said() -> None:
    t = np.arange(40000) / RATE_HZ
    hum = sum(np.sin(2 * np.pi * 50 * k * t) for k in range(1, 6))
    prepared = prepare_recording(noise(5) + hum, RATE_HZ)
    assert prepared.line_share == pytest.approx(2.5 / 3.5, abs=0.08)
    for k in range(1, 6):
        assert not prepared.usable[round(50 * k / prepared.bin_hz)]


def test_band_limits_the_usable_bins() -> None:
    prepared = prepare_recording(noise(6), RATE_HZ, band_hz=(100.0, 300.0))
    used_hz = prepared.frequency_hz[prepared.usable]
    assert used_hz.min() >= 99.9
    assert used_hz.max() <= 300.1


def test_padding_changes_the_grid_and_not_the_record() -> None:
    prepared = prepare_recording(noise(7), RATE_HZ, pad_s=0.5)
    assert prepared.duration_s == 10.0
    assert prepared.bin_hz < 0.1
    assert np.mean(np.abs(prepared.spectrum[prepared.usable]) ** 2) == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize(
    ("samples", "band_hz", "found"),
    [
        (np.zeros(40000), None, "no sound"),
        (noise(8, seconds=0.5), None, "0.50 s"),
        (noise(8), (300.0, 200.0), "300 to 200 Hz"),
        (noise(8), (1900.0, 2500.0), "1900 to"),
    ],
)
def test_what_cannot_be_used_is_refused(
    samples: np.ndarray, band_hz: tuple[float, float] | None, found: str
) -> None:
    with pytest.raises(DelayError, match=found):
        prepare_recording(samples, RATE_HZ, band_hz=band_hz)


def test_running_level_follows_the_sound() -> None:
    samples = np.concatenate([np.full(4000, 0.1), np.full(4000, 2.0)])
    level = running_level(samples, RATE_HZ)
    assert level[1000] == pytest.approx(0.1)
    assert level[-1000] == pytest.approx(2.0)
    assert running_level(np.zeros(4000), RATE_HZ).min() > 0
