"""Intervals against an independent library, and their coverage by counting."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest, quantile_test

from netcorr.errors import VerificationError
from netcorr.verification import median, wilson


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_wilson_is_that_of_scipy(case: tuple[int, int]) -> None:
    found, count = case
    ours = wilson(found, count)
    theirs = binomtest(found, count).proportion_ci(0.95, method="wilson")
    assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high), abs=1e-12)
    assert ours.low <= ours.value <= ours.high


@given(st.lists(st.floats(0, 50), min_size=1, max_size=60))
def test_median_is_that_of_numpy_and_its_interval_that_of_scipy(values: list[float]) -> None:
    ours = median(values)
    assert ours.value == pytest.approx(np.median(values), rel=1e-12, abs=1e-12)
    theirs = quantile_test(values, p=0.5).confidence_interval(0.95)
    assert ours.low == (0.0 if math.isnan(theirs.low) else theirs.low)
    assert ours.high == (math.inf if math.isnan(theirs.high) else theirs.high)
    assert ours == median(values[::-1])


@pytest.mark.parametrize("n", [3, 6, 9, 25])
def test_the_interval_holds_the_median_as_often_as_it_says(n: int) -> None:
    rng = np.random.default_rng(n)
    truth = math.log(2)  # of the exponential distribution
    held = [
        one.low <= truth <= one.high for one in (median(list(rng.exponential(size=n))) for _ in range(2000))
    ]
    assert np.mean(held) >= 0.94  # 0.95 less three standard errors


def test_without_data_nothing_is_said() -> None:
    share, middle = wilson(0, 0), median([])
    assert (share.low, share.high, share.count) == (0.0, 1.0, 0)
    assert math.isnan(share.value)
    assert math.isnan(middle.value)
    assert (middle.low, middle.high) == (0.0, math.inf)
    assert share.is_few


def test_few_and_many() -> None:
    assert wilson(9, 9).is_few
    assert not wilson(9, 10).is_few


@pytest.mark.parametrize("case", [(3, 2), (-1, 2), (1, 0)])
def test_more_successes_than_trials_are_refused(case: tuple[int, int]) -> None:
    with pytest.raises(VerificationError, match="no more successes than trials"):
        wilson(*case)
