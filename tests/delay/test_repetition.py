"""A recording with an echo repeats itself after the detour; two sources that are independent do not."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from netcorr.delay import delay_evidence, prepare_recording, prepare_round
from netcorr.delay.repetition import repetition

RATE_HZ = 4000.0
SIZE = 40_000
BAND_HZ = (50.0, 1500.0)


def noise(seed: int, count: int = 1) -> NDArray[np.float64]:
    return np.random.default_rng([11, seed]).normal(size=(count, SIZE))


def later(samples: NDArray[np.float64], delay_s: float) -> NDArray[np.float64]:
    """The same later by any part of a sample; what leaves the end comes in at the beginning."""
    f = np.fft.rfftfreq(samples.size, 1 / RATE_HZ)
    return np.fft.irfft(np.fft.rfft(samples) * np.exp(-2j * np.pi * f * delay_s), samples.size)


def repeated(samples: NDArray[np.float64], after_s: list[float]) -> NDArray[np.float64]:
    one = prepare_recording(samples, RATE_HZ, pad_s=0.1)
    return repetition(one, one.usable, np.array(after_s), band_hz=BAND_HZ)


@given(after_s=st.floats(0.012, 0.09), height=st.floats(0.1, 0.8))
@settings(max_examples=20, deadline=None)
def test_an_echo_shows_with_its_height(after_s: float, height: float) -> None:
    (s,) = noise(1)
    found = repeated(s + height * later(s, after_s), [after_s, -after_s])
    # autocorrelation of 1 + h z: h / (1 + h^2) (Bogert, Healy and Tukey, 1963)
    assert found == pytest.approx(height / (1 + height**2), abs=0.04)


@given(seed=st.integers(0, 10_000))
@settings(max_examples=15, deadline=None)
def test_two_independent_sources_are_not_repeated(seed: int) -> None:
    strong, weak = noise(seed, 2)
    both = strong + 0.7 * later(weak, 0.03)
    # what chance leaves: sd 1 / sqrt(2 x 14,500 bins) = 0.006, highest of some ten
    assert repeated(both, [0.03])[0] < 0.03


def test_an_echo_turned_over_is_none_of_the_same_polarity() -> None:
    (s,) = noise(2)
    # white over the band: beside the trough at the echo's delay there are swings of a fifth of it
    assert repeated(s - 0.6 * later(s, 0.04), [0.04])[0] < 0.3 * repeated(s + 0.6 * later(s, 0.04), [0.04])[0]


def test_level_and_polarity_change_nothing() -> None:
    (s,) = noise(3)
    heard = s + 0.4 * later(s, 0.025)
    after_s = [0.02, 0.025, 0.05]
    assert repeated(-7.0 * heard, after_s) == pytest.approx(repeated(heard, after_s), rel=1e-9)


def test_a_mounting_that_rings_briefly_is_no_echo() -> None:
    (s,) = noise(4)
    f = np.fft.rfftfreq(SIZE, 1 / RATE_HZ)
    # resonance at 300 Hz with Q = 4, over after 1.3 ms / Q-cycles: a broad hump of the spectrum
    ringing = np.fft.irfft(np.fft.rfft(s) / (1 - (f / 300.0) ** 2 + 1j * f / (300.0 * 4)), SIZE)
    assert repeated(ringing, [0.02, 0.04, 0.06]).max() < 0.05


def beside_of(heard: NDArray[np.float64]) -> tuple[float, float]:
    """Strength and repetition of the highest peak beside the first, at -20 ms."""
    a, b = prepare_round(heard + 0.5 * noise(6, 2), RATE_HZ, max_delay_s=0.05)
    beside = delay_evidence(a, b, max_delay_s=0.05).beside
    assert beside is not None
    at = int(np.argmax(beside.log_likelihood))
    evidence = delay_evidence(a, b, max_delay_s=0.05)
    assert evidence.delay_s[at] == pytest.approx(0.02, abs=3e-4)
    return float(beside.strength[at]), float(beside.repeated[at])


def test_beside_the_first_an_echo_is_repeated_and_a_source_is_not() -> None:
    strong, weak = noise(5, 2)
    # B hears the first 10 ms early, and what comes beside it 20 ms late
    echo = np.stack([strong, later(strong, -0.01) + 0.5 * later(strong, 0.02)])
    own = np.stack([strong + 0.5 * weak, later(strong, -0.01) + 0.5 * later(weak, 0.02)])
    strength, again = beside_of(echo)
    assert again == pytest.approx(strength, rel=0.35)
    strength, again = beside_of(own)
    assert again < 0.2 * strength
