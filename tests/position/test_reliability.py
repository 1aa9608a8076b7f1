"""What simulated surveys taught changes how much is stated, and neither an order nor a place."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from netcorr.position import PairPosterior
from netcorr.position.reliability import (
    DENSITY_POWER,
    UNFORESEEN,
    candidate_probability,
    reliable,
    reliable_density,
)

X = np.linspace(0.0, 100.0, 2001)
few = settings(max_examples=40, deadline=None)


def posterior(weights: list[float], seed: int = 1) -> PairPosterior:
    rng = np.random.default_rng(seed)
    shape = 1e-6 + sum(
        rng.uniform(0.1, 1) * stats.norm.pdf(X, rng.uniform(0, 100), rng.uniform(0.2, 8)) for _ in range(3)
    )
    p = np.array(weights) / sum(weights)
    return PairPosterior(X, shape / np.trapezoid(shape, X), *(float(one) for one in p))


def four(one: PairPosterior) -> list[float]:
    return [one.between, one.beyond_a, one.beyond_b, one.none]


@given(st.lists(st.floats(1e-6, 1.0), min_size=4, max_size=4), st.integers(0, 1000))
@few
def test_sums_orders_and_places_stay(weights: list[float], seed: int) -> None:
    before = posterior(weights, seed)
    after = reliable(before)
    assert sum(four(after)) == pytest.approx(1)
    assert np.trapezoid(after.density_per_m, X) == pytest.approx(1)
    higher = np.subtract.outer(four(before), four(before)) > 1e-9
    assert (np.subtract.outer(four(after), four(after))[higher] > 0).all()
    rising = np.argsort(before.density_per_m, kind="stable")
    assert (np.diff(after.density_per_m[rising]) >= 0).all()
    assert np.abs(np.subtract(four(after), four(before))).max() <= UNFORESEEN


def test_nothing_is_certain_and_nothing_impossible() -> None:
    sure = reliable(posterior([1.0, 0.0, 0.0, 0.0]))
    assert sure.between == pytest.approx(1 - 0.75 * UNFORESEEN)
    assert sure.none == pytest.approx(UNFORESEEN / 4)


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0))
@few
def test_what_is_stated_of_a_candidate_rises_and_is_no_larger(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert 0 <= candidate_probability(low) <= candidate_probability(high) <= high


def test_what_is_sure_stays_and_what_is_faint_becomes_fainter() -> None:
    assert candidate_probability(1.0) == 1
    assert candidate_probability(0.95) == pytest.approx(0.95, abs=0.005)
    # 94 candidates of 0.08 in simulated surveys were right in 3 of 100, 41 of 0.24 in 7 of 100
    assert 0.03 <= candidate_probability(0.08) <= 0.05
    assert candidate_probability(0.24) < 0.17


def test_a_normal_density_changes_by_the_root_of_the_power() -> None:
    density = reliable_density(X, stats.norm.pdf(X, 50, 2))
    assert density == pytest.approx(stats.norm.pdf(X, 50, 2 / np.sqrt(DENSITY_POWER)), rel=1e-6, abs=1e-12)


def test_an_even_density_stays_even() -> None:
    assert reliable_density(X, np.full(X.size, 0.01)) == pytest.approx(np.full(X.size, 0.01))


def test_a_density_of_very_small_numbers_does_not_vanish() -> None:
    tiny = stats.norm.pdf(X, 30, 1) * 1e-290
    assert np.trapezoid(reliable_density(X, tiny), X) == pytest.approx(1)
