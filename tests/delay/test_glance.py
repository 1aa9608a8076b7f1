"""A glance says what a full look says, nearly so where little is heard, and never misses what is loud."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.special import logsumexp

from netcorr.delay.band_tables import CARRYING_SHARES, DELAYS_AT_ONCE, band_log_likelihood
from netcorr.delay.glance import LITTLE_NATS, NEAR_LARGEST_NATS, at_a_glance, in_full_where_loud

#: Three sub-bands and all bands that they form.
ENDS = np.array([[0, 1, 2, 0, 1, 0], [1, 2, 3, 2, 3, 3]])
ALONE = np.array([0, 1, 2])
EACH = np.array([60.0, 150.0, 320.0])
BINS = np.concatenate([[0.0], np.cumsum(EACH)])
OF_BANDS = BINS[ENDS[1]] - BINS[ENDS[0]]


def sums_of(r: NDArray[np.float64]) -> NDArray[np.float64]:
    """Running sums of sub-bands whose correlograms are `r`, shape (3, m)."""
    return np.vstack([np.zeros(r.shape[1]), np.cumsum(r * EACH[:, None], axis=0)])


def one_coherence(r: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean over the bands, one by one."""
    sums = sums_of(r)
    by_band = [
        band_log_likelihood((sums[last] - sums[first]) / count, count)
        for (first, last), count in zip(ENDS.T, OF_BANDS, strict=True)
    ]
    return np.asarray(logsumexp(by_band, axis=0) - np.log(len(by_band)))


def own_coherences(r: NDArray[np.float64]) -> NDArray[np.float64]:
    """Each sub-band carries the source or does not."""
    own = np.array([band_log_likelihood(row, count) for row, count in zip(r, EACH, strict=True)])
    by_share = [np.logaddexp(np.log(1 - s), np.log(s) + own).sum(axis=0) for s in CARRYING_SHARES]
    return np.asarray(logsumexp(by_share, axis=0) - np.log(CARRYING_SHARES.size))


def in_full(r: NDArray[np.float64]) -> NDArray[np.float64]:
    """Both pictures averaged."""
    return np.asarray(np.logaddexp(one_coherence(r), own_coherences(r)) - np.log(2))


def noise(seed: int, delays: int = 400) -> NDArray[np.float64]:
    """Correlograms without a source."""
    scatter = np.random.default_rng(seed).normal(size=(3, delays))
    return np.asarray(np.clip(scatter / np.sqrt(2 * EACH)[:, None], -1, 1))


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 2**31))
def test_what_noise_shows_is_known_to_a_hundredth(seed: int) -> None:
    r = noise(seed)
    both = at_a_glance(sums_of(r), ENDS, OF_BANDS, alone=ALONE)
    for found, expected in zip(both, (in_full(r), in_full(-r)), strict=True):
        little = expected < LITTLE_NATS
        assert little.mean() > 0.9
        np.testing.assert_allclose(found[little], expected[little], atol=0.02)
        assert abs((found - expected)[little].mean()) < 1e-3


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 2**31), st.lists(st.floats(-1.0, 1.0), min_size=3, max_size=3))
def test_what_is_loud_is_never_missed(seed: int, r: list[float]) -> None:
    # from next to nothing to thousands of nats, where the tables end
    at = noise(seed, delays=20)
    at[:, 7] = r
    for found, expected in zip(
        at_a_glance(sums_of(at), ENDS, OF_BANDS, alone=ALONE), (in_full(at), in_full(-at)), strict=True
    ):
        assert not np.isnan(found).any()
        assert (found[expected > LITTLE_NATS + 0.05] > LITTLE_NATS).all()
        assert (found[expected < LITTLE_NATS - 0.05] < LITTLE_NATS).all()


def test_without_sub_bands_of_their_own_it_is_the_mean_over_bands() -> None:
    r = noise(5)
    found = at_a_glance(sums_of(r), ENDS, OF_BANDS)
    little = (one_coherence(r) < LITTLE_NATS) & (one_coherence(-r) < LITTLE_NATS)
    np.testing.assert_allclose(found[0][little], one_coherence(r)[little], atol=0.02)
    np.testing.assert_allclose(found[1][little], one_coherence(-r)[little], atol=0.02)
    assert np.abs(found[0] - at_a_glance(sums_of(r), ENDS, OF_BANDS, alone=ALONE)[0]).max() > 0.05


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 2**31))
def test_exchanging_the_polarities_exchanges_the_rows(seed: int) -> None:
    sums = sums_of(noise(seed))
    found, other = (at_a_glance(one, ENDS, OF_BANDS, alone=ALONE) for one in (sums, -sums))
    np.testing.assert_allclose(found, other[::-1], atol=0.02)


@pytest.mark.parametrize("delays", [1, DELAYS_AT_ONCE - 1, DELAYS_AT_ONCE, 2 * DELAYS_AT_ONCE + 3])
def test_each_delay_is_judged_by_itself(delays: int) -> None:
    sums = sums_of(noise(6, delays=delays))
    whole = at_a_glance(sums, ENDS, OF_BANDS, alone=ALONE)
    assert whole.shape == (2, delays)
    some = np.unique(np.linspace(0, delays - 1, 7).astype(int))
    part = at_a_glance(sums[:, some], ENDS, OF_BANDS, alone=ALONE)
    np.testing.assert_allclose(whole[:, some], part, atol=1e-5)


@given(st.lists(st.floats(-3.0, 50.0), min_size=1, max_size=40))
def test_in_full_is_asked_for_where_it_is_loud_and_near_the_largest(rough: list[float]) -> None:
    asked: list[int] = []

    def full(some: NDArray[np.int64]) -> NDArray[np.float64]:
        asked.extend(some.tolist())
        return np.full(some.size, 1000.0)

    given_row = np.array(rough)
    found = in_full_where_loud(given_row, full)
    loud = [k for k, value in enumerate(rough) if value > min(LITTLE_NATS, max(rough) - NEAR_LARGEST_NATS)]
    assert asked == loud
    assert int(np.argmax(given_row)) in loud
    assert (found[loud] == 1000.0).all()
    others = np.setdiff1d(np.arange(given_row.size), loud)
    assert (found[others] == given_row[others]).all()
    assert given_row.tolist() == rough
