"""Drift of two clocks: what is put in is found, is corrected, and is not seen where there is none."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from netcorr.delay import correct_drift, delay_bound_s, delay_evidence, estimate_drift, prepare_round
from netcorr.delay.drift import DriftEstimate, pool_drifts
from netcorr.errors import DelayError
from netcorr.recordings import interpolate

Pair = Callable[..., NDArray[np.float64]]
RATE = 4000.0
#: Iron of 120 m, leak off the middle.
DELAY_S, REACH_S, SPEED_M_S = 0.0234, 0.1, 1250.0


def sampled_by_fast_clock(samples: NDArray[np.float64], ppm: float) -> NDArray[np.float64]:
    """What a clock that is fast by `ppm` makes of the same sound: sample k is taken at k / (1 + e)."""
    step = 1 / (1 + 1e-6 * ppm)
    longer = np.append(samples, np.zeros(100))
    return np.asarray(interpolate(longer, first=0.0, step=step, size=samples.size), dtype=np.float64)


def drifted(pair: Pair, seed: int, ppm: float, **more: object) -> NDArray[np.float64]:
    options: dict[str, object] = {"delay_s": DELAY_S, "duration_s": 60.0, "band_hz": (200.0, 1500.0)}
    heard = pair(np.random.default_rng(seed), **(options | more))
    return np.stack([heard[0], sampled_by_fast_clock(heard[1], ppm)])


def test_twenty_millionths_over_a_minute_of_iron_are_restored(pair: Pair) -> None:
    """Position within 0.1 m at -10 dB, where the delay as recorded is off by more."""
    for seed in range(3):
        a, b = prepare_round(drifted(pair, seed, 20.0, snr_db=-10.0), RATE, max_delay_s=REACH_S)
        drift = estimate_drift(a, b, max_delay_s=REACH_S)
        assert drift.significant
        assert drift.drift_ppm == pytest.approx(20.0, abs=2.0)
        assert drift.drift_ppm == pytest.approx(20.0, abs=4 * drift.standard_error_ppm)
        as_recorded = delay_evidence(a, b, max_delay_s=REACH_S)
        restored = delay_evidence(a, correct_drift(b, drift.drift_ppm), max_delay_s=REACH_S)
        assert abs(restored.peak_delay_s - DELAY_S) * SPEED_M_S / 2 < 0.1
        assert abs(as_recorded.peak_delay_s - DELAY_S) * SPEED_M_S / 2 > 0.2
        assert restored.coherence > 1.5 * as_recorded.coherence
        assert drift.delay_s == pytest.approx(DELAY_S, abs=5e-5)


@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 1000), ppm=st.floats(-70, 70), delay_s=st.floats(-0.09, 0.09))
def test_sign_and_size(seed: int, ppm: float, delay_s: float, pair: Pair) -> None:
    heard = pair(np.random.default_rng(seed), delay_s=delay_s, duration_s=25.0)
    heard[1] = sampled_by_fast_clock(heard[1], ppm)
    a, b = prepare_round(heard, RATE, max_delay_s=REACH_S)
    forward, backward = (estimate_drift(*ends, max_delay_s=REACH_S) for ends in ((a, b), (b, a)))
    assert forward.drift_ppm == pytest.approx(ppm, abs=5 * forward.standard_error_ppm + 0.02)
    assert forward.delay_s == pytest.approx(delay_s, abs=3e-5)
    # the loggers exchanged: the same, mirrored
    assert backward.drift_ppm == pytest.approx(-forward.drift_ppm, abs=forward.standard_error_ppm + 0.02)


@pytest.mark.parametrize(("snr_db", "gain"), [(-10.0, 1.0), (0.0, -3.0)])
def test_standard_error_holds_and_is_near_its_bound(snr_db: float, gain: float, pair: Pair) -> None:
    """sqrt(12) s / T, with s the Cramer-Rao bound of a delay; neither gain nor polarity matters."""
    band, seconds = (200.0, 1500.0), 30.0
    found = []
    for seed in range(10):
        heard = drifted(pair, 100 + seed, 7.0, snr_db=snr_db, band_hz=band, duration_s=seconds)
        heard[1] *= gain
        found.append(estimate_drift(*prepare_round(heard, RATE, max_delay_s=0.05), max_delay_s=0.05))
    ratios = np.array([(one.drift_ppm - 7.0) / one.standard_error_ppm for one in found])
    assert 0.5 < np.sqrt(np.mean(ratios**2)) < 1.5
    # power of signal and noise in the band: the signal of `pair` fills its band with density 1 at 0 dB
    snr = 10 ** (snr_db / 10)
    g2 = (snr / (1 + snr)) ** 2
    f = np.arange(*band)
    bound_s = delay_bound_s(f, np.full(f.size, g2), duration_s=seconds)
    bound_ppm = 1e6 * math.sqrt(12) * bound_s / seconds
    assert np.median([one.standard_error_ppm for one in found]) == pytest.approx(bound_ppm, rel=0.25)


def test_no_drift_is_not_seen(pair: Pair) -> None:
    for seed in range(6):
        a, b = prepare_round(drifted(pair, seed, 0.0, snr_db=-8.0, duration_s=25.0), RATE, max_delay_s=0.05)
        drift = estimate_drift(a, b, max_delay_s=0.05)
        assert drift.heard
        assert not drift.significant
        assert 0 < drift.remaining_sd_s < 1e-4


def test_noise_alone_has_no_drift() -> None:
    for seed in range(6):
        noise = np.random.default_rng(seed).normal(size=(2, 100_000))
        a, b = prepare_round(noise, RATE, max_delay_s=REACH_S)
        drift = estimate_drift(a, b, max_delay_s=REACH_S)
        assert drift.probability_noise > 1e-3
        assert not drift.heard
        assert not drift.significant
        assert drift.remaining_sd_s == 0


def test_usage_elsewhere_in_the_second_half_is_no_drift(pair: Pair) -> None:
    """Two sources, one after the other: a line through both would be a drift of 300 millionths."""
    rng = np.random.default_rng(5)
    first = pair(rng, delay_s=0.0100, duration_s=30.0)
    second = pair(rng, delay_s=0.0104, duration_s=30.0)
    a, b = prepare_round(np.hstack([first, second]), RATE, max_delay_s=0.05)
    drift = estimate_drift(a, b, max_delay_s=0.05)
    assert not drift.significant or abs(drift.drift_ppm) < 15


def test_correcting_moves_what_is_late_by_what_it_is_late(pair: Pair) -> None:
    """A click at 20 s of a clock fast by 50 millionths stands 1 ms late; corrected, it does not."""
    rng = np.random.default_rng(1)
    heard = pair(rng, delay_s=0.0, duration_s=40.0)
    (b,) = prepare_round(heard[:1], RATE, max_delay_s=0.05)
    there = correct_drift(b, 50.0)
    back = correct_drift(there, -50.0)
    assert there.duration_s == b.duration_s
    kept = np.vdot(back.spectrum, b.spectrum) / np.vdot(b.spectrum, b.spectrum)
    assert abs(kept) > 0.99
    moved = np.vdot(there.spectrum, b.spectrum) / np.vdot(b.spectrum, b.spectrum)
    assert abs(moved) < 0.7


def test_short_records_are_refused(pair: Pair) -> None:
    a, b = prepare_round(pair(np.random.default_rng(1), delay_s=0.0), RATE, max_delay_s=0.05)
    with pytest.raises(DelayError, match=r"10\.0 s of common record; a drift is read from 20 s"):
        estimate_drift(a, b, max_delay_s=0.05)


def test_records_prepared_differently_are_refused(pair: Pair) -> None:
    heard = pair(np.random.default_rng(1), delay_s=0.0, duration_s=25.0)
    (a,) = prepare_round(heard[:1], RATE, max_delay_s=0.05)
    (b,) = prepare_round(heard[1:], RATE, max_delay_s=0.5)
    with pytest.raises(DelayError, match="prepared differently"):
        estimate_drift(a, b, max_delay_s=0.05)


def test_what_remains_of_a_drift() -> None:
    """Half the record times the error of the drift; uncorrected, the drift itself counts too."""
    known = {"delay_s": 0.0, "probability_noise": 0.0, "duration_s": 60.0}
    corrected = DriftEstimate(drift_ppm=20.0, standard_error_ppm=1.0, **known)
    assert corrected.remaining_sd_s == pytest.approx(30e-6)
    left = DriftEstimate(drift_ppm=3.0, standard_error_ppm=1.0, **known)
    assert not left.significant
    assert left.remaining_sd_s == pytest.approx(30e-6 * math.sqrt(10), rel=0.01)
    # known to 30 millionths: next to nothing is learnt, and what clocks usually do remains
    vague = DriftEstimate(drift_ppm=0.0, standard_error_ppm=30.0, **known)
    assert vague.remaining_sd_s == pytest.approx(30e-6 * 15 * 30 / math.hypot(15, 30))
    # clear, but too small to move anything
    small = DriftEstimate(drift_ppm=1.5, standard_error_ppm=0.1, **known)
    assert not small.significant
    unheard = DriftEstimate(drift_ppm=3.0, standard_error_ppm=math.inf, **known)
    assert (unheard.heard, unheard.remaining_sd_s) == (False, 0.0)


def of_round(drift_ppm: float, error_ppm: float, *, heard: bool = True) -> DriftEstimate:
    return DriftEstimate(drift_ppm, error_ppm, 0.01, 1e-9 if heard else 0.5, 60.0)


def test_rounds_pool_to_a_sharper_drift(pair: Pair) -> None:
    rng = np.random.default_rng(12)
    estimates = []
    for delay_s in (0.02, -0.03, 0.01):  # the leak is not even at one place: only the clocks are the same
        a, b = prepare_round(
            pair(rng, delay_s=delay_s, snr_db=-3.0, duration_s=24.0), 4000.0, max_delay_s=0.05
        )
        estimates.append(estimate_drift(a, correct_drift(b, -25.0), max_delay_s=0.05))
    pooled = pool_drifts(estimates)
    assert pooled.standard_error_ppm < 1.2 * np.mean([one.standard_error_ppm for one in estimates])
    assert abs(pooled.drift_ppm - 25.0) < 4 * pooled.standard_error_ppm
    assert pooled.significant


def test_rounds_that_disagree_are_worth_less() -> None:
    agreeing = pool_drifts([of_round(10.0, 1.0), of_round(10.5, 1.0)])
    apart = pool_drifts([of_round(0.0, 1.0), of_round(20.0, 1.0)])
    assert agreeing.standard_error_ppm == pytest.approx(np.sqrt(0.5))
    assert apart.drift_ppm == 10.0
    assert apart.standard_error_ppm == pytest.approx(10.0)


def test_rounds_without_anything_common_count_for_nothing() -> None:
    found = pool_drifts([of_round(60.0, 0.1, heard=False), of_round(12.0, 1.0)])
    assert found.drift_ppm == 12.0
    assert found.standard_error_ppm == 1.0
    silent = of_round(60.0, np.inf, heard=False)
    assert pool_drifts([silent, silent]) == silent
    with pytest.raises(DelayError, match="no round"):
        pool_drifts([])
