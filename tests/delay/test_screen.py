"""Screening: the laws it keeps, and that it finds what the full evidence finds."""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from netcorr.delay import PreparedRecording, delay_evidence, prepare_round
from netcorr.delay.screen import Screening, screen_pairs, screen_stretches
from netcorr.errors import DelayError

Pair = Callable[..., NDArray[np.float64]]
RATE_HZ = 4000.0
#: Arrival of the one source at each of five recordings; the sixth hears noise only. [s]
ARRIVAL_S = (0.0, 0.021, 0.05, -0.034, 0.008)
ALL = np.array(list(combinations(range(6), 2)))


def five_hear_it(seed: int, *, seconds: float = 4.0) -> NDArray[np.float64]:
    """Shape (6, n): white noise delayed by whole samples, in as much noise of its own."""
    rng = np.random.default_rng(seed)
    n, lead = round(seconds * RATE_HZ), 400
    source = rng.normal(size=n + 2 * lead)
    heard = rng.normal(size=(6, n))
    for row, arrival_s in enumerate(ARRIVAL_S):
        start = lead - round(arrival_s * RATE_HZ)
        heard[row] += source[start : start + n]
    return heard


@pytest.fixture(scope="module")
def prepared() -> tuple[PreparedRecording, ...]:
    return prepare_round(five_hear_it(3), RATE_HZ, max_delay_s=0.1)


@pytest.fixture(scope="module")
def screened(prepared: tuple[PreparedRecording, ...]) -> Screening:
    return screen_pairs(prepared, ALL, max_delay_s=0.1)


def same(one: Screening, other: Screening, *, rows: NDArray[np.intp] | slice = slice(None)) -> None:
    np.testing.assert_array_equal(one.pairs, other.pairs[rows])
    np.testing.assert_allclose(one.peak_delay_s, other.peak_delay_s[rows], atol=1e-6)
    np.testing.assert_allclose(one.height, other.height[rows], atol=1e-5)
    np.testing.assert_allclose(one.significance, other.significance[rows], atol=1e-4)
    np.testing.assert_allclose(one.band_hz, other.band_hz[rows])
    np.testing.assert_array_equal(one.worth, other.worth[rows])


def test_finds_the_source_in_every_pair_that_hears_it(screened: Screening) -> None:
    for row, (a, b) in enumerate(ALL):
        if b == 5:
            assert not screened.worth[row]
        else:
            assert screened.worth[row]
            # positive when A hears it first
            assert screened.peak_delay_s[row] == pytest.approx(ARRIVAL_S[b] - ARRIVAL_S[a], abs=5e-5)


def test_height_is_the_share_of_common_sound(screened: Screening) -> None:
    # source and noise equally loud at both: coherence 1/4, its root 1/2 of unit power (Carter, 1987)
    hearing = ALL[:, 1] < 5
    assert np.median(screened.height[hearing]) == pytest.approx(0.5, abs=0.05)
    assert (screened.significance[hearing] < 1e-12).all()


def test_agrees_with_plain_correlation_by_scipy(
    prepared: tuple[PreparedRecording, ...], screened: Screening
) -> None:
    heard = five_hear_it(3)
    for row in (0, 3, 7):
        a, b = ALL[row]
        values = signal.correlate(heard[b], heard[a], mode="full")
        lags = signal.correlation_lags(heard.shape[1], heard.shape[1])
        near = np.abs(lags) <= 0.1 * RATE_HZ
        assert screened.peak_delay_s[row] == pytest.approx(
            lags[near][values[near].argmax()] / RATE_HZ, abs=0.5 / RATE_HZ
        )


def test_swapping_a_and_b_mirrors(prepared: tuple[PreparedRecording, ...], screened: Screening) -> None:
    swapped = screen_pairs(prepared, ALL[:, ::-1], max_delay_s=0.1)
    np.testing.assert_allclose(swapped.peak_delay_s, -screened.peak_delay_s, atol=1e-6)
    np.testing.assert_allclose(swapped.height, screened.height, atol=1e-5)
    np.testing.assert_allclose(swapped.significance, screened.significance, atol=1e-4)


@settings(max_examples=20, deadline=None)
@given(order=st.permutations(range(len(ALL))), keep=st.integers(1, len(ALL)))
def test_order_and_number_of_pairs_change_nothing(
    prepared: tuple[PreparedRecording, ...], screened: Screening, order: list[int], keep: int
) -> None:
    rows = np.array(order[:keep])
    same(screen_pairs(prepared, ALL[rows], max_delay_s=0.1), screened, rows=rows)


@settings(max_examples=20, deadline=None)
@given(block_pairs=st.integers(1, 40), threads=st.integers(1, 4))
def test_blocks_and_threads_change_nothing(
    prepared: tuple[PreparedRecording, ...], screened: Screening, block_pairs: int, threads: int
) -> None:
    again = screen_pairs(prepared, ALL, max_delay_s=0.1, block_pairs=block_pairs, threads=threads)
    same(again, screened)


def test_dense_and_sparse_pairs_are_the_same() -> None:
    rng = np.random.default_rng(21)
    many = prepare_round(rng.normal(size=(20, 8000)), RATE_HZ, max_delay_s=0.1)
    pairs = np.array(list(combinations(range(20), 2)))
    together = screen_pairs(many, pairs, max_delay_s=0.1)  # 120 pairs of the first tile at once
    rows = np.arange(0, len(pairs), 9)
    same(screen_pairs(many, pairs[rows], max_delay_s=0.1), together, rows=rows)


@settings(max_examples=10, deadline=None)
@given(gains=st.lists(st.floats(1e-3, 1e3), min_size=6, max_size=6), flip=st.integers(0, 4))
def test_gain_changes_nothing_and_polarity_only_the_sign(
    screened: Screening, gains: list[float], flip: int
) -> None:
    factor = np.array(gains)
    factor[flip] *= -1
    again = screen_pairs(
        prepare_round(five_hear_it(3) * factor[:, None], RATE_HZ, max_delay_s=0.1), ALL, max_delay_s=0.1
    )
    sign = np.where((flip == ALL).any(axis=1), -1, 1)
    np.testing.assert_allclose(again.peak_delay_s, screened.peak_delay_s, atol=1e-6)
    np.testing.assert_allclose(again.height, sign * screened.height, atol=1e-4)


def test_each_pair_keeps_to_its_own_range(
    prepared: tuple[PreparedRecording, ...], screened: Screening
) -> None:
    reach_s = np.abs(screened.peak_delay_s) + np.where(np.arange(len(ALL)) % 2, 0.004, -0.004)
    reach_s = np.clip(reach_s, 0.002, 0.1)
    narrow = screen_pairs(prepared, ALL, max_delay_s=reach_s)
    assert (np.abs(narrow.peak_delay_s) <= reach_s + 1e-12).all()
    inside = np.abs(screened.peak_delay_s) < reach_s - 1e-3
    assert inside.sum() >= 5
    found = inside & (ALL[:, 1] < 5)
    np.testing.assert_allclose(narrow.peak_delay_s[found], screened.peak_delay_s[found], atol=2e-5)


def test_stretches_add_up() -> None:
    heard = five_hear_it(9, seconds=12.0)
    thirds = [prepare_round(part, RATE_HZ, max_delay_s=0.1) for part in np.split(heard, 3, axis=1)]
    one = screen_stretches(iter(thirds[:1]), ALL, max_delay_s=0.1)
    same(one, screen_pairs(thirds[0], ALL, max_delay_s=0.1))
    three = screen_stretches(iter(thirds), ALL, max_delay_s=0.1)
    hearing = ALL[:, 1] < 5
    np.testing.assert_allclose(three.peak_delay_s[hearing], one.peak_delay_s[hearing], atol=5e-5)
    np.testing.assert_allclose(three.height[hearing], one.height[hearing], atol=0.06)
    # a peak three times as long in the making stands out more: log of the chance grows with time
    whole = screen_pairs(prepare_round(heard, RATE_HZ, max_delay_s=0.1), ALL, max_delay_s=0.1)
    np.testing.assert_allclose(three.peak_delay_s[hearing], whole.peak_delay_s[hearing], atol=5e-5)


def test_weak_source_needs_the_long_record(pair: Pair) -> None:
    heard = pair(np.random.default_rng(4), delay_s=0.03, snr_db=-12.0, duration_s=60.0)
    parts = [prepare_round(part, RATE_HZ, max_delay_s=0.1) for part in np.split(heard, 12, axis=1)]
    long = screen_stretches(parts, [(0, 1)], max_delay_s=0.1)
    assert long.significance[0] < 1e-6
    assert long.peak_delay_s[0] == pytest.approx(0.03, abs=2e-4)
    short = [screen_pairs(part, [(0, 1)], max_delay_s=0.1).significance[0] for part in parts]
    assert np.median(short) > 1e-3


@pytest.mark.parametrize(
    ("band_hz", "snr_db"),
    [((200.0, 900.0), -10), ((300.0, 1700.0), -10), ((20.0, 150.0), -5), ((200.0, 900.0), 6)],
)
def test_finds_what_the_full_evidence_finds(pair: Pair, band_hz: tuple[float, float], snr_db: float) -> None:
    rng = np.random.default_rng(int(band_hz[1]) + int(snr_db))
    both = 0
    for _ in range(4):
        heard = pair(rng, delay_s=rng.uniform(-0.09, 0.09), snr_db=snr_db, band_hz=band_hz)
        a, b = prepare_round(heard, RATE_HZ, max_delay_s=0.1)
        evidence = delay_evidence(a, b, max_delay_s=0.1)
        found = screen_pairs((a, b), [(0, 1)], max_delay_s=0.1)
        if evidence.significance < 0.001:
            assert found.worth[0]
            both += abs(found.peak_delay_s[0] - evidence.peak_delay_s) < 0.001
    assert both >= 3


def test_noise_is_flagged_no_more_often_than_stated() -> None:
    rng = np.random.default_rng(77)
    pairs = np.arange(60).reshape(30, 2)  # no recording twice: independent trials
    chance = np.concatenate(
        [
            screen_pairs(
                prepare_round(rng.normal(size=(60, 8000)), 2000.0, max_delay_s=0.1), pairs, max_delay_s=0.1
            ).significance
            for _ in range(8)
        ]
    )
    assert np.mean(chance < 0.1) <= 0.1 + 2 * np.sqrt(0.1 * 0.9 / chance.size)
    assert np.mean(chance < 0.01) <= 0.02
    assert np.mean(chance < 0.5) > 0.1  # and the number means something


def test_threshold_is_the_users(prepared: tuple[PreparedRecording, ...], screened: Screening) -> None:
    all_of_them = screen_pairs(prepared, ALL, max_delay_s=0.1, worth_below=1.1)
    assert all_of_them.worth.all()
    np.testing.assert_array_equal(screened.worth, screened.significance < 0.1)


@pytest.mark.parametrize(
    ("pairs", "max_delay_s", "said"),
    [
        ([(0, 0)], 0.1, r"row 0.*recordings 0 and 0"),
        ([(0, 1), (2, 6)], 0.1, r"row 1.*recordings 2 and 6 of 6"),
        ([(0, -1)], 0.1, "recordings 0 and -1"),
        ([], 0.1, "pairs"),
        ([(0.0, 1.0)], 0.1, "float64"),
        ([(0, 1)], 0.0, "longest delay"),
        ([(0, 1)], np.nan, "longest delay"),
        ([(0, 1)], [0.1, 0.1], "2 values for 1 pairs"),
        ([(0, 1)], 1.5, "record at least three times"),
    ],
)
def test_refuses_what_cannot_be(
    prepared: tuple[PreparedRecording, ...], pairs: list[tuple[int, int]], max_delay_s: float, said: str
) -> None:
    with pytest.raises(DelayError, match=said):
        screen_pairs(prepared, pairs, max_delay_s=max_delay_s)
    with pytest.raises(DelayError, match=said):
        screen_stretches([prepared], pairs, max_delay_s=max_delay_s)


def test_refuses_no_threads_and_unlike_stretches(prepared: tuple[PreparedRecording, ...]) -> None:
    with pytest.raises(DelayError, match="0 threads"):
        screen_pairs(prepared, ALL, max_delay_s=0.1, threads=0)
    with pytest.raises(DelayError, match="no stretch"):
        screen_stretches([], ALL, max_delay_s=0.1)
    short = prepare_round(five_hear_it(3, seconds=3.0), RATE_HZ, max_delay_s=0.1)
    with pytest.raises(DelayError, match="stretch 1"):
        screen_stretches([prepared, short], ALL, max_delay_s=0.1)
