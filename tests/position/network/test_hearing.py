"""What a pair hears: peaks with odds, what lasts, and a floor."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.position.network.hearing import (
    HEIGHT_POWER,
    MOST_EVIDENCE,
    REPETITION,
    BlurredRatio,
    PairHearing,
    weight_of_pairs,
    wrong_share,
)

GRID = np.arange(-0.1, 0.1, 1e-4)


def peaks(*at: tuple[float, float]) -> np.ndarray:
    """Row of evidence with narrow peaks (delay, height) over -1."""
    row = np.full(GRID.size, -1.0)
    for delay_s, height in at:
        row = np.maximum(row, height - 0.5 * ((GRID - delay_s) / 2e-4) ** 2)
    return row


def heard(*rows: np.ndarray, a: int = 0, b: int = 1) -> PairHearing:
    return PairHearing(a, b, GRID, np.stack(rows), np.ones(len(rows)), 2e-3, 1e-4)


def at(row: np.ndarray, delay_s: float) -> float:
    return float(row[int(np.argmin(np.abs(GRID - delay_s)))])


def test_a_second_peak_is_possible_and_less_likely() -> None:
    weighed = heard(peaks((0.02, 400.0), (-0.03, 200.0))).log_weighed
    first, second = at(weighed, 0.02), at(weighed, -0.03)
    # half the evidence: one in twenty
    assert second - first == pytest.approx(np.log(0.5**HEIGHT_POWER), abs=0.05)
    assert second - first == pytest.approx(np.log(1 / 20), abs=0.2)
    assert first <= MOST_EVIDENCE


def test_noise_is_no_second_peak() -> None:
    weighed = heard(peaks((0.02, 400.0), (-0.03, 6.0))).log_weighed
    assert at(weighed, -0.03) < at(weighed, 0.02) - 100


def test_what_is_heard_in_one_round_only_does_not_last() -> None:
    leak, usage = (0.02, 60.0), (-0.05, 800.0)
    hearing = heard(peaks(leak, usage), peaks(leak))
    assert hearing.best_s == pytest.approx(0.02, abs=2e-4)
    assert at(hearing.lasting, -0.05) < 5.0


def test_a_leak_under_usage_in_one_round_is_not_lost() -> None:
    leak, usage = (0.02, 60.0), (-0.05, 800.0)
    weighed = heard(peaks(usage), peaks(leak)).log_weighed
    assert at(weighed, 0.02) > 0.5


def test_silent_pairs_are_mostly_wrong_and_loud_clear_ones_hardly() -> None:
    assert wrong_share(heard(peaks())) > 0.9
    assert wrong_share(heard(peaks((0.02, 900.0)))) < 0.1
    echoes = tuple((-0.08 + 0.01 * k, 700.0) for k in range(8))
    assert wrong_share(heard(peaks((0.02, 900.0), *echoes))) > 0.2


def test_pairs_of_one_source_count_less_the_more_there_are() -> None:
    loud = peaks((0.02, 5000.0))
    pairs = [heard(loud, a=a, b=b) for a in range(6) for b in range(a)]
    assert weight_of_pairs(pairs) == pytest.approx(REPETITION / 6, rel=0.05)
    assert weight_of_pairs(pairs[:1]) == pytest.approx(1.0, abs=0.02)


@settings(deadline=None, max_examples=30)
@given(wrong=st.floats(0.05, 0.95), sd_ms=st.floats(0.05, 5.0))
def test_one_pair_never_rules_a_place_out(wrong: float, sd_ms: float) -> None:
    row = heard(peaks((0.02, 400.0))).log_weighed
    curve = BlurredRatio(GRID, row, wrong=wrong, largest_sd_s=5e-3)
    delays = np.linspace(-0.09, 0.09, 50)
    values = curve.log_at(delays, np.full(50, sd_ms / 1000))
    assert (values >= curve.log_of(np.array(wrong * curve.otherwise_share)) - 1e-3).all()


@settings(deadline=None, max_examples=30)
@given(floor=st.floats(-9.0, 0.0), wrong=st.floats(0.5, 0.95))
def test_a_pair_that_hears_nothing_says_next_to_nothing_against_a_place(floor: float, wrong: float) -> None:
    # where a leak is too quiet for the pair, silence is as likely with it as without
    silent = np.full(GRID.size, floor)
    curve = BlurredRatio(GRID, silent, wrong=wrong, largest_sd_s=5e-3)
    values = curve.log_at(np.linspace(-0.09, 0.09, 20), np.full(20, 1e-3))
    assert (values >= np.log(wrong) - 1e-3).all()
    assert (values <= 1e-3).all()


def test_blur_is_that_of_a_gaussian() -> None:
    row = -0.5 * ((GRID - 0.01) / 1e-3) ** 2
    curve = BlurredRatio(GRID, row, wrong=0.0, largest_sd_s=4e-3)
    delays = np.array([0.004, 0.01, 0.013])
    sd = 2e-3
    # a Gaussian blurred by a Gaussian, by hand
    width = np.hypot(1e-3, sd)
    expected = np.log(1e-3 / width) - 0.5 * ((delays - 0.01) / width) ** 2
    # rows are kept for two widths an octave, and read off between them
    assert curve.log_at(delays, np.full(3, sd)) == pytest.approx(expected, abs=0.25)


def test_a_blurred_curve_is_kept_until_a_wider_blur_is_asked_for() -> None:
    hearing = heard(peaks((0.02, 400.0), (-0.03, 150.0)))
    narrow = hearing.blurred(alone=False, largest_sd_s=1e-3)
    assert hearing.blurred(alone=False, largest_sd_s=5e-4) is narrow
    wide = hearing.blurred(alone=False, largest_sd_s=1e-2)
    assert wide is not narrow
    assert hearing.blurred(alone=False, largest_sd_s=1e-3) is wide
    assert hearing.blurred(alone=True, largest_sd_s=1e-3) is not wide
    silent = heard(peaks())
    assert silent.blurred(alone=False, largest_sd_s=1e-3) is not silent.blurred(
        alone=False, largest_sd_s=1e-3
    )
    assert replace(hearing, believed=0.2).blurred(alone=False, largest_sd_s=1e-3) is not wide


@settings(deadline=None, max_examples=30)
@given(sd_ms=st.floats(0.01, 1.0), times=st.floats(1.0, 50.0))
def test_a_curve_for_wider_blurs_says_the_same(sd_ms: float, times: float) -> None:
    row = heard(peaks((0.02, 400.0), (-0.03, 150.0))).log_weighed
    one, wider = (BlurredRatio(GRID, row, wrong=0.3, largest_sd_s=1e-3 * k) for k in (1.0, times))
    delays = np.linspace(-0.1, 0.1, 301)
    sd_s = np.full(301, sd_ms / 1000)
    assert wider.share_at(delays, sd_s) == pytest.approx(one.share_at(delays, sd_s), rel=1e-3)
    assert wider.share_at(delays, sd_s).max() <= wider.most_share * (1 + 1e-6)
    assert one.largest_sd_s >= 1e-3
