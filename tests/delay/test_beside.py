"""A weaker source shows when the stronger one is taken out, and nothing shows where there is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.delay import (
    Dispersion,
    PreparedRecording,
    delay_evidence,
    log_likelihood_beside,
    prepare_round,
)
from netcorr.errors import DelayError

from .conftest import noisy_pair

RATE_HZ = 2000.0
MAX_S = 0.1


def both(
    seed: int, strong_s: float, weak_s: float | None, *, weak_db: float = -3.0
) -> tuple[PreparedRecording, ...]:
    """A strong source and, 7 dB below it, a weak one."""
    rng = np.random.default_rng(seed)
    band_hz, seconds = (100.0, 800.0), 8.0
    samples = noisy_pair(
        rng, delay_s=strong_s, snr_db=4.0, band_hz=band_hz, duration_s=seconds, rate_hz=RATE_HZ
    )
    if weak_s is not None:
        alone = noisy_pair(
            rng, delay_s=weak_s, snr_db=100.0, band_hz=band_hz, duration_s=seconds, rate_hz=RATE_HZ
        )
        samples += 10 ** ((weak_db - 100) / 20) * alone
    return prepare_round(samples, RATE_HZ, max_delay_s=MAX_S)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 1000), st.floats(0.02, 0.09), st.sampled_from([1, -1]))
def test_the_weak_source_is_where_it_is(seed: int, weak_s: float, side: int) -> None:
    strong_s = -0.06
    a, b = both(seed, strong_s, side * weak_s if side * weak_s > -0.04 else 0.03)
    expected_s = side * weak_s if side * weak_s > -0.04 else 0.03
    known_s = delay_evidence(a, b, max_delay_s=MAX_S).peak_delay_s
    assert known_s == pytest.approx(strong_s, abs=1e-4)
    delay_s, left = log_likelihood_beside(a, b, [known_s], max_delay_s=MAX_S)
    assert delay_s[np.argmax(left)] == pytest.approx(expected_s, abs=3e-4)
    assert left.max() > 15


def test_nothing_is_left_of_one_source() -> None:
    for seed in range(4):
        a, b = both(seed, 0.03, None)
        strong = delay_evidence(a, b, max_delay_s=MAX_S).log_likelihood.max()
        _, left = log_likelihood_beside(a, b, [0.03], max_delay_s=MAX_S)
        # the strong source is noise of its own at all other delays, and scatters a little more than noise
        assert left.max() < 0.02 * strong


def test_two_known_sources_are_both_taken_out() -> None:
    a, b = both(5, 0.05, -0.02)
    _, left = log_likelihood_beside(a, b, [0.05, -0.02], max_delay_s=MAX_S)
    assert left.max() < 20


def test_nothing_known_is_the_evidence_itself() -> None:
    a, b = both(6, 0.05, -0.02)
    evidence = delay_evidence(a, b, max_delay_s=MAX_S)
    delay_s, left = log_likelihood_beside(a, b, [], max_delay_s=MAX_S)
    np.testing.assert_allclose(delay_s, evidence.delay_s)
    np.testing.assert_allclose(left, evidence.log_likelihood, atol=1e-6)


def test_a_band_of_nothing_is_refused() -> None:
    a, b = both(7, 0.05, None)
    with pytest.raises(DelayError, match="nothing to compare"):
        log_likelihood_beside(a, b, [0.05], max_delay_s=MAX_S, band_hz=(1500.0, 1600.0))


def test_the_evidence_brings_what_is_left_with_its_strength() -> None:
    a, b = both(5, 0.05, -0.02)
    beside = delay_evidence(a, b, max_delay_s=MAX_S).beside
    assert beside is not None
    evidence = delay_evidence(a, b, max_delay_s=MAX_S)
    assert beside.known_s == evidence.peak_delay_s
    at = int(np.argmax(beside.log_likelihood))
    assert evidence.delay_s[at] == pytest.approx(-0.02, abs=3e-4)
    # the weak one has a fifth of the power of the strong one (-3 against +4 dB)
    assert beside.strength[at] == pytest.approx(10 ** (-7 / 10), abs=0.07)
    assert np.abs(beside.strength[np.abs(evidence.delay_s - 0.05) < 1e-3]).max() < 0.1


def test_what_is_left_can_be_left_out_and_nothing_else_changes() -> None:
    a, b = both(5, 0.05, -0.02)
    whole, without = (delay_evidence(a, b, max_delay_s=MAX_S, beside=wanted) for wanted in (True, False))
    assert without.beside is None
    assert without.log_likelihood == pytest.approx(whole.log_likelihood, abs=0.0)
    for name in ("peak_delay_s", "standard_error_s", "coherence", "band_hz", "significance", "notes"):
        assert getattr(without, name) == getattr(whole, name)


def test_where_nothing_is_heard_nothing_is_left() -> None:
    rng = np.random.default_rng(3)
    a, b = prepare_round(rng.normal(size=(2, 12_000)), RATE_HZ, max_delay_s=MAX_S)
    assert delay_evidence(a, b, max_delay_s=MAX_S).beside is None


def test_a_dispersed_source_is_taken_out_as_it_is() -> None:
    # the phase bends by 6 rad over the band at the strong one's place
    places_s, bend = np.linspace(-0.1, 0.1, 25), np.array([0.0, -6.0, 6.0, 0.0])
    pipe = Dispersion(places_s, np.array([0.0, 100.0, 800.0, 1000.0]), np.outer(places_s / 0.1, bend))
    a, b = both(9, 0.05, None)
    bent = replace(b, spectrum=b.spectrum * np.exp(-1j * pipe.at(0.05, b.frequency_hz)))
    strong = delay_evidence(a, bent, max_delay_s=MAX_S, dispersion=pipe)
    assert strong.peak_delay_s == pytest.approx(0.05, abs=1e-4)
    _, left = log_likelihood_beside(a, bent, [0.05], max_delay_s=MAX_S, dispersion=pipe)
    assert left.max() < 0.02 * strong.log_likelihood.max()


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 1000))
def test_swapping_the_recordings_mirrors_what_is_left(seed: int) -> None:
    a, b = both(seed, 0.05, -0.02)
    here, there = (delay_evidence(*pair, max_delay_s=MAX_S).beside for pair in ((a, b), (b, a)))
    assert here is not None
    assert there is not None
    assert there.known_s == pytest.approx(-here.known_s, abs=1e-9)
    # to what a glance and single precision leave
    np.testing.assert_allclose(there.log_likelihood[::-1], here.log_likelihood, atol=0.01)
    np.testing.assert_allclose(there.strength[::-1], here.strength, atol=1e-6)
