"""The smallest part of a path with a given probability, against scipy and by the laws it must obey."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import ndimage, stats

from netcorr.position import Stretch, highest_density_stretches

Real = NDArray[np.float64]
few = settings(max_examples=40, deadline=None)
seeds = st.integers(0, 100_000)
levels = st.floats(0.3, 0.999)
X = np.linspace(0.0, 100.0, 2001)


def normalised(x: Real, shape: Real) -> Real:
    return np.asarray(shape / np.trapezoid(shape, x))


def humps(seed: int) -> Real:
    """Density of one to four humps over a floor, which slopes so that no two heights are the same."""
    rng = np.random.default_rng(seed)
    shape = 10 ** rng.uniform(-8, -2) * (1 + X / 1000)
    for _ in range(rng.integers(1, 5)):
        shape += rng.uniform(0.1, 1) * stats.norm.pdf(X, rng.uniform(-5, 105), rng.uniform(0.2, 8))
    return normalised(X, shape)


def chosen(stretches: tuple[Stretch, ...]) -> NDArray[np.bool_]:
    inside = np.zeros(X.size, dtype=bool)
    for one in stretches:
        inside |= (one.low_m <= X) & (one.high_m >= X)
    return inside


def test_normal_density_gives_its_own_interval() -> None:
    density = stats.norm.pdf(X, 40, 1.5)
    for level in (0.5, 0.9, 0.95, 0.99):
        (one,) = highest_density_stretches(X, density, level=level)
        low_m, high_m = stats.norm.interval(level, 40, 1.5)
        assert (one.low_m, one.high_m) == pytest.approx((low_m, high_m), abs=0.05)
        assert one.best_m == pytest.approx(40)
        assert one.mass == pytest.approx(level, abs=0.02)


def test_spread_is_that_of_the_cut_normal() -> None:
    (one,) = highest_density_stretches(X, stats.norm.pdf(X, 40, 1.5), level=0.95)
    assert one.sd_m == pytest.approx(stats.truncnorm.std(-1.96, 1.96, scale=1.5), rel=0.02)


def test_skew_density_agrees_with_equal_heights_at_both_ends() -> None:
    # the smallest interval of a density with one hump has the same density at both ends
    gamma = stats.gamma(3, scale=4)
    (one,) = highest_density_stretches(X, normalised(X, gamma.pdf(X)), level=0.95)
    assert gamma.pdf(one.low_m) == pytest.approx(gamma.pdf(one.high_m), rel=0.02)
    assert gamma.cdf(one.high_m) - gamma.cdf(one.low_m) == pytest.approx(0.95, abs=0.003)


def test_two_humps_are_two_stretches_the_heavier_first() -> None:
    density = 0.3 * stats.norm.pdf(X, 20, 1) + 0.7 * stats.norm.pdf(X, 70, 1)
    first, second = highest_density_stretches(X, density, level=0.95)
    assert (first.best_m, second.best_m) == pytest.approx((70, 20))
    assert (first.mass, second.mass) == pytest.approx((0.7 * 0.97, 0.3 * 0.93), abs=0.03)


def test_humps_half_a_metre_apart_are_one_stretch() -> None:
    shape = np.where((abs(X - 50) <= 2) & (abs(X - 50) > 0.2), 1.0, 0.0)
    (one,) = highest_density_stretches(X, normalised(X, shape), level=0.999)
    assert (one.low_m, one.high_m) == pytest.approx((48, 52), abs=0.06)


def test_density_against_an_end_stays_on_the_path() -> None:
    (one,) = highest_density_stretches(X, normalised(X, np.exp(-X)), level=0.95)
    assert one.low_m == 0
    assert one.best_m == 0
    assert one.high_m == pytest.approx(3.0, abs=0.06)
    (last,) = highest_density_stretches(X, normalised(X, np.exp(X - 100)), level=0.95)
    assert last.high_m == 100


def test_all_in_one_point_is_a_stretch_with_two_ends() -> None:
    shape = np.zeros(X.size)
    shape[700] = 1.0
    (one,) = highest_density_stretches(X, shape, level=0.95)
    assert one.low_m < one.best_m < one.high_m
    assert one.high_m - one.low_m == pytest.approx(0.05)
    assert one.mass == pytest.approx(1)
    assert one.sd_m == pytest.approx(0.05 / np.sqrt(12))  # of an even spread over the one step


def test_level_so_high_that_rounding_matters_takes_everything() -> None:
    density = np.full(X.size, 0.01)
    (one,) = highest_density_stretches(X, density, level=1 - 1e-16)
    assert (one.low_m, one.high_m) == (0, 100)


@given(seed=seeds, level=levels)
@few
def test_region_holds_its_level_and_nothing_outside_is_denser(seed: int, level: float) -> None:
    density = humps(seed)
    stretches = highest_density_stretches(X, density, level=level)
    assert sum(one.mass for one in stretches) >= level - 1e-12
    inside = chosen(stretches)
    falling = np.sort(density)[::-1]
    least = falling[np.searchsorted(np.cumsum(falling) / falling.sum(), level)]
    assert inside[density > least].all()
    # what is less dense was taken in to join two stretches less than half a metre apart
    runs, _ = ndimage.label(inside & (density < least))
    assert np.bincount(runs)[1:].max(initial=0) < 10
    assert all(one.low_m <= one.best_m <= one.high_m for one in stretches)
    assert all(one.sd_m <= (one.high_m - one.low_m) / 2 + 0.05 for one in stretches)
    masses = [one.mass for one in stretches]
    assert masses == sorted(masses, reverse=True)


@given(seed=seeds, levels=st.tuples(levels, levels))
@few
def test_region_of_a_higher_level_covers_that_of_a_lower(seed: int, levels: tuple[float, float]) -> None:
    density = humps(seed)
    low, high = (chosen(highest_density_stretches(X, density, level=level)) for level in sorted(levels))
    assert (high | ~low).all()


@given(seed=seeds, level=levels)
@few
def test_region_of_the_mirrored_density_is_mirrored(seed: int, level: float) -> None:
    density = humps(seed)
    there = chosen(highest_density_stretches(X, density, level=level))
    back = chosen(highest_density_stretches(X, density[::-1], level=level))[::-1]
    # of equal heights one is taken: a point, with the gap of less than half a metre that it may close
    assert np.count_nonzero(there != back) <= 11


@example(seed=25, shift_m=1.0, level=0.3)
@given(seed=seeds, shift_m=st.floats(-1e4, 1e4), level=levels)
@few
def test_region_moves_with_the_origin(seed: int, shift_m: float, level: float) -> None:
    density = humps(seed)
    here = highest_density_stretches(X, density, level=level)
    there = highest_density_stretches(X + shift_m, density, level=level)
    assert [one.mass for one in there] == pytest.approx([one.mass for one in here])
    assert [one.low_m - shift_m for one in there] == pytest.approx([one.low_m for one in here], abs=1e-6)


def test_ripples_of_an_even_floor_are_no_stretches_of_their_own() -> None:
    # 3 % of the probability lies evenly along the path, rippled: 99 % must not pick the crests of it
    ripple = 1 + 0.3 * np.sin(2 * np.pi * X / 3)
    density = normalised(X, 0.97 * stats.norm.pdf(X, 40, 0.5) + 0.03 / 100 * ripple)
    assert len(highest_density_stretches(X, density, level=0.99)) > 10
    (one,) = highest_density_stretches(X, density, level=0.99, sure_level=0.95)
    assert (one.low_m, one.high_m) == pytest.approx((38.4, 41.6), abs=0.4)
    assert one.mass == pytest.approx(0.97, abs=0.01)


def test_a_level_below_the_sure_one_is_held_in_full() -> None:
    density = normalised(X, 0.6 * stats.norm.pdf(X, 40, 0.5) + 0.4 / 100)
    plain, sure = (
        highest_density_stretches(X, density, level=0.9, sure_level=given) for given in (None, 0.95)
    )
    assert plain == sure


@given(seed=seeds, levels=st.tuples(levels, levels))
@few
def test_region_with_a_sure_level_lies_between_that_one_and_the_plain_one(
    seed: int, levels: tuple[float, float]
) -> None:
    density = humps(seed)
    sure_level, level = sorted(levels)
    cut = chosen(highest_density_stretches(X, density, level=level, sure_level=sure_level))
    low, high = (chosen(highest_density_stretches(X, density, level=one)) for one in (sure_level, level))
    assert (cut | ~low).all()
    assert (high | ~cut).all()
