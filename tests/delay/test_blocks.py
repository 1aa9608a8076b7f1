"""A burst of usage is told from what lasts by the blocks of a record; the blocks add up to the whole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.delay import DelayEvidence, PreparedRecording, delay_evidence, prepare_round
from netcorr.delay.blocks import BlockCorrelograms
from netcorr.delay.likelihood import BandCorrelograms

from .conftest import noisy_pair

RATE_HZ = 2000.0
MAX_S = 0.06
BAND_HZ = (10.0, 920.0)


@dataclass(frozen=True)
class Burst:
    """A burst of usage: when, how long, at which delay; its rms against noise of 1."""

    at_s: float
    length_s: float
    delay_s: float = 0.05
    rms: float = 8.0


def heard(seed: int, *bursts: Burst, leak_db: float | None = -3.0, duration_s: float = 10.0) -> np.ndarray:
    """A leak at -10 ms in noise, and bursts."""
    rng = np.random.default_rng(seed)
    if leak_db is None:
        samples = rng.normal(size=(2, round(duration_s * RATE_HZ)))
    else:
        samples = noisy_pair(
            rng, delay_s=-0.01, snr_db=leak_db, band_hz=(100.0, 700.0), duration_s=duration_s, rate_hz=RATE_HZ
        )
    for burst in bursts:
        count, late = round(burst.length_s * RATE_HZ), round(burst.delay_s * RATE_HZ)
        noise = burst.rms * rng.normal(size=count)
        for row, first in zip(samples, (0, late), strict=True):
            begin = round(burst.at_s * RATE_HZ) + first
            row[begin : begin + count] += noise
    return samples


def prepared(samples: np.ndarray) -> tuple[PreparedRecording, ...]:
    return prepare_round(samples, RATE_HZ, max_delay_s=MAX_S)


def evidence_of(samples: np.ndarray) -> DelayEvidence:
    a, b = prepared(samples)
    return delay_evidence(a, b, max_delay_s=MAX_S)


def correlograms(samples: np.ndarray) -> tuple[BandCorrelograms, BlockCorrelograms]:
    a, b = prepared(samples)
    usable = a.usable & b.usable
    whole = BandCorrelograms(
        np.conj(a.spectrum) * b.spectrum,
        usable,
        bin_hz=a.bin_hz,
        duration_s=a.duration_s,
        max_delay_s=MAX_S,
        band_hz=BAND_HZ,
    )
    return whole, BlockCorrelograms(a, b, usable, whole=whole)


def best_s(evidence: DelayEvidence, log_likelihood: np.ndarray) -> float:
    return float(evidence.delay_s[np.argmax(log_likelihood)])


def test_blocks_add_up_to_the_whole() -> None:
    whole, blocks = correlograms(heard(1, Burst(3.0, 1.0)))
    assert blocks.count == 10
    together = blocks.of(range(10))
    # whitening spreads a little of the record over its ends, where the blocks stop
    assert np.abs(together.sums - whole.sums).max() < 0.015 * np.abs(whole.sums).max()
    np.testing.assert_allclose(together.bins, whole.bins)


def test_a_choice_of_blocks_is_one_record() -> None:
    _, blocks = correlograms(heard(2, leak_db=None))
    some, all_of = blocks.of([0, 3, 4]), blocks.of(range(10))
    np.testing.assert_allclose(some.bins, 0.3 * all_of.bins)
    # noise alone: no correlogram strays far from its standard deviation, sqrt(bins / 2)
    for one in (some, all_of):
        assert np.abs(one.sums[-1]).max() < 6 * np.sqrt(one.bins[-1] / 2)


@pytest.mark.parametrize("length_s", [1.0, 1.6, 3.0])
def test_the_leak_beside_a_burst_shows_in_the_rest(length_s: float) -> None:
    evidence = evidence_of(heard(3, Burst(4.1, length_s), leak_db=-9.0))
    assert best_s(evidence, evidence.log_likelihood) == pytest.approx(0.05, abs=5e-4)
    assert evidence.splits
    strongest = max(evidence.splits, key=lambda split: float(split.passing_log_likelihood.max()))
    assert best_s(evidence, strongest.passing_log_likelihood) == pytest.approx(0.05, abs=5e-4)
    assert best_s(evidence, strongest.lasting_log_likelihood) == pytest.approx(-0.01, abs=5e-4)
    assert strongest.passing_share == pytest.approx(length_s / 10, abs=0.15)
    assert any("what passes is weighed apart" in note for note in evidence.notes)


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10_000), st.floats(-3.0, 12.0))
def test_a_steady_leak_is_not_split(seed: int, leak_db: float) -> None:
    evidence = evidence_of(heard(seed, leak_db=leak_db, duration_s=6.0))
    assert evidence.splits == ()
    assert not any("weighed apart" in note for note in evidence.notes)


@pytest.mark.parametrize("seed", range(3))
def test_a_leak_drowned_for_a_while_is_no_burst(seed: int) -> None:
    # 2.5 s of loud noise at B alone: the leak is there in the rest, most of the time
    samples = heard(seed, leak_db=6.0)
    samples[1, 6000:11000] += 30 * np.random.default_rng(seed + 50).normal(size=5000)
    evidence = evidence_of(samples)
    assert evidence.peak_delay_s == pytest.approx(-0.01, abs=2e-4)
    assert evidence.splits == ()


def test_noise_alone_is_not_split() -> None:
    assert all(evidence_of(heard(seed, leak_db=None)).splits == () for seed in range(4))


def test_of_a_burst_alone_the_rest_says_nothing() -> None:
    evidence = evidence_of(heard(5, Burst(2.0, 1.0), leak_db=None))
    strongest = max(evidence.splits, key=lambda split: float(split.passing_log_likelihood.max()))
    assert strongest.lasting_log_likelihood.max() < 12


def test_a_short_record_is_left_whole() -> None:
    samples = heard(6, Burst(1.0, 0.5), duration_s=3.0)
    assert correlograms(samples)[1].count == 0
    assert evidence_of(samples).splits == ()


def test_swapping_a_and_b_mirrors_the_splits() -> None:
    samples = heard(7, Burst(5.2, 1.4))
    one, other = evidence_of(samples), evidence_of(samples[::-1])
    assert len(one.splits) == len(other.splits)
    for this, that in zip(one.splits, other.splits, strict=True):
        assert this.passing_share == that.passing_share
        for name in ("passing_log_likelihood", "lasting_log_likelihood"):
            here, there = getattr(this, name), getattr(that, name)
            assert best_s(one, here) == pytest.approx(-best_s(other, there), abs=1e-6)
            np.testing.assert_allclose(here, there[::-1], atol=1e-4)


def test_gain_and_polarity_change_no_split() -> None:
    samples = heard(8, Burst(6.0, 1.0))
    one, other = evidence_of(samples), evidence_of(samples * np.array([[1.0], [-0.01]]))
    assert other.polarity == -one.polarity
    for this, that in zip(one.splits, other.splits, strict=True):
        np.testing.assert_allclose(this.lasting_log_likelihood, that.lasting_log_likelihood, atol=1e-3)
