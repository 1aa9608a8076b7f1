"""Values between samples: tones whose true value is known everywhere."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from netcorr.errors import RecordingError
from netcorr.recordings import interpolate


@pytest.mark.parametrize("share", [0.003, 0.1, 0.5, 0.8, 0.92])
@pytest.mark.parametrize("drift", [-300e-6, 0.0, 20e-6])
def test_tones_up_to_the_top_of_the_band(share: float, drift: float) -> None:
    omega = np.pi * share
    tone = np.sin(omega * np.arange(20_000) + 0.4)
    values = interpolate(tone, first=70.3, step=1 + drift, size=19_800)
    true = np.sin(omega * (70.3 + (1 + drift) * np.arange(19_800)) + 0.4)
    assert np.abs(values - true).max() < 3e-4


def test_whole_places_give_the_samples_back() -> None:
    samples = np.random.default_rng(1).normal(size=1000).astype(np.float32)
    assert np.array_equal(interpolate(samples, first=0, step=1, size=1000), samples)
    assert np.array_equal(interpolate(samples, first=7, step=2, size=400), samples[7:807:2])


def test_a_constant_stays() -> None:
    values = interpolate(np.full(500, 0.25), first=0.37, step=1.00002, size=499)
    assert np.allclose(values, 0.25, atol=1e-6)


def test_agrees_with_a_polyphase_filter() -> None:
    """scipy's polyphase resampling, 16 places to a sample, away from the ends."""
    rng = np.random.default_rng(2)
    noise = signal.sosfiltfilt(signal.butter(8, 0.7, output="sos"), rng.normal(size=4000))
    fine = signal.resample_poly(noise, 16, 1, window=("kaiser", 10.0))
    ours = interpolate(noise, first=100 + 5 / 16, step=1.0, size=3800)
    assert np.abs(ours - fine[(100 * 16 + 5) : (3900 * 16 + 5) : 16]).max() < 3e-3


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 1000), ppm=st.floats(-200, 200), first=st.floats(40, 60))
def test_there_and_back(seed: int, ppm: float, first: float) -> None:
    """Stretching and shrinking again gives the recording back, away from its ends."""
    rng = np.random.default_rng(seed)
    noise = signal.sosfiltfilt(signal.butter(8, 0.7, output="sos"), rng.normal(size=3000))
    step = 1 + 1e-6 * ppm
    there = interpolate(noise, first=first, step=step, size=2800)
    back = interpolate(there, first=(200 - first) / step, step=1 / step, size=2500)
    assert np.abs(back - noise[200:2700]).max() < 4e-3 * np.abs(noise).max()


@settings(max_examples=20, deadline=None)
@given(size=st.integers(1, 90), first=st.floats(0, 0.9))
def test_the_shortest_recordings(size: int, first: float) -> None:
    values = interpolate(np.linspace(0, 1, size), first=first, step=1.0, size=size)
    assert values.shape == (size,)
    assert np.isfinite(values).all()


@pytest.mark.parametrize(("first", "size"), [(-3.0, 10), (95.0, 10), (0.0, 0)])
def test_places_outside(first: float, size: int) -> None:
    with pytest.raises(RecordingError, match="ask for places within the recording"):
        interpolate(np.zeros(100), first=first, step=1.0, size=size)
