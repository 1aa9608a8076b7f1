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
    MOST_RAISED,
    SECOND_ODDS,
    SILENCE,
    UNFORESEEN,
    candidate_probability,
    reliable,
    reliable_density,
    reliable_hypotheses,
    second_probability,
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
    heard = np.subtract.outer(four(before)[:3], four(before)[:3]) > 1e-9
    assert (np.subtract.outer(four(after)[:3], four(after)[:3])[heard] > 0).all()
    rising = np.argsort(before.density_per_m, kind="stable")
    assert (np.diff(after.density_per_m[rising]) >= 0).all()


@given(st.lists(st.floats(1e-6, 1.0), min_size=4, max_size=4))
@few
def test_silence_gains_odds_and_what_was_heard_keeps_its_shares(weights: list[float]) -> None:
    before = (1 - UNFORESEEN) * np.array(weights) / sum(weights) + UNFORESEEN / 4
    after = reliable_hypotheses(np.array(weights) / sum(weights))
    assert after[3] / (1 - after[3]) == pytest.approx(SILENCE * before[3] / (1 - before[3]))
    assert after[:3] / after[:3].sum() == pytest.approx(before[:3] / before[:3].sum())


def test_many_surveys_are_put_right_at_once() -> None:
    model = np.random.default_rng(2).dirichlet([0.3] * 4, size=(5, 2))
    together = reliable_hypotheses(model)
    assert together.shape == model.shape
    assert together[3, 1] == pytest.approx(reliable_hypotheses(model[3, 1]))


def test_nothing_is_certain_and_nothing_impossible() -> None:
    sure = reliable(posterior([1.0, 0.0, 0.0, 0.0]))
    sum_of_weights = 1 + (SILENCE - 1) * UNFORESEEN / 4
    assert sure.between == pytest.approx((1 - 0.75 * UNFORESEEN) / sum_of_weights)
    assert sure.none == pytest.approx(SILENCE * UNFORESEEN / 4 / sum_of_weights)


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0))
@few
def test_what_is_stated_of_a_candidate_rises(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert 0 <= candidate_probability(low) <= candidate_probability(high) <= 1


@given(st.lists(st.floats(1e-6, 1.0), min_size=2, max_size=6))
@few
def test_places_that_exclude_each_other_come_to_one_at_most(weights: list[float]) -> None:
    stated = [candidate_probability(weight / sum(weights)) for weight in weights]
    assert sum(stated) <= 1 + 1e-9


@given(st.floats(0.0, 1.0), st.floats(0.05, 1.0))
@few
def test_an_area_is_not_stated_higher_than_it_is_to_hold(probability: float, level: float) -> None:
    assert candidate_probability(probability, level) <= max(probability, level)
    assert candidate_probability(probability) <= max(probability, MOST_RAISED)


def test_what_is_likely_is_stated_higher_and_what_is_faint_lower() -> None:
    assert (candidate_probability(0.0), candidate_probability(0.5), candidate_probability(1.0)) == (0, 0.5, 1)
    assert 0.05 < candidate_probability(0.1) < 0.1
    assert 0.15 < candidate_probability(0.25) < 0.25
    assert 0.8 < candidate_probability(0.8) < 0.9
    assert candidate_probability(0.95) == pytest.approx(0.95)


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0))
@few
def test_what_is_stated_of_a_second_leak_rises(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert low <= second_probability(low) <= second_probability(high) <= 1


@given(st.floats(0.01, 0.99))
@few
def test_a_second_leak_has_its_odds_raised(probability: float) -> None:
    stated = second_probability(probability)
    assert stated / (1 - stated) == pytest.approx(SECOND_ODDS * probability / (1 - probability))


def test_a_normal_density_changes_by_the_root_of_the_power() -> None:
    density = reliable_density(X, stats.norm.pdf(X, 50, 2))
    assert density == pytest.approx(stats.norm.pdf(X, 50, 2 / np.sqrt(DENSITY_POWER)), rel=1e-6, abs=1e-12)


def test_an_even_density_stays_even() -> None:
    assert reliable_density(X, np.full(X.size, 0.01)) == pytest.approx(np.full(X.size, 0.01))


def test_a_density_of_very_small_numbers_does_not_vanish() -> None:
    tiny = stats.norm.pdf(X, 30, 1) * 1e-290
    assert np.trapezoid(reliable_density(X, tiny), X) == pytest.approx(1)
