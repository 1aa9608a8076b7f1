"""Tables of the likelihood of a band: against its closed form and its limits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate
from scipy.special import logsumexp

from netcorr.delay.band_tables import (
    DELAYS_AT_ONCE,
    band_log_likelihood,
    band_sums,
    few_at_once,
    log_mean,
    log_mean_of_bands,
)


@pytest.mark.parametrize("bins", [30.0, 160.0, 900.0])
@pytest.mark.parametrize("r", [-0.2, 0.0, 0.1, 0.35, 0.8])
def test_table_agrees_with_the_integral(bins: float, r: float) -> None:
    # adaptive quadrature over ln g, instead of the grid of 80 values
    low, high = np.log(0.01), np.log(0.985)
    peak = max(bins * (np.log1p(-(g**2)) - 2 * np.log1p(-g * r)) for g in np.geomspace(0.01, 0.985, 500))

    def integrand(log_g: float) -> float:
        g = np.exp(log_g)
        return float(np.exp(bins * (np.log1p(-(g**2)) - 2 * np.log1p(-g * r)) - peak))

    value, _ = integrate.quad(integrand, low, high, limit=200)
    expected = peak + np.log(value / (high - low))
    found = band_log_likelihood(np.array([r]), bins)[0]
    assert found == pytest.approx(expected, abs=0.15 + 0.01 * abs(expected))


def test_likelihood_rises_with_the_correlogram() -> None:
    values = band_log_likelihood(np.linspace(0, 0.99, 200), 300.0)
    assert (np.diff(values) > 0).all()
    assert values[0] < 0 < values[-1]


def test_a_mean_of_likelihoods_leaves_what_it_is_given() -> None:
    rows = np.random.default_rng(1).normal(size=(7, 5)) * 300
    before = rows.copy()
    averaged = log_mean(rows)
    assert (rows == before).all()
    assert averaged == pytest.approx(logsumexp(rows, axis=0) - np.log(7))


def test_what_a_table_is_asked_for_is_left_as_it_was() -> None:
    r = np.linspace(-1.2, 1.2, 97)
    before = r.copy()
    found = band_log_likelihood(r, 250.0)
    assert (r == before).all()
    # beyond what a correlogram can be it is that of the end
    assert found[-1] == found[r >= 1][0]
    assert found[0] == found[r <= -1][-1]


@pytest.mark.parametrize("delays", [1, DELAYS_AT_ONCE, 3 * DELAYS_AT_ONCE + 5])
def test_parts_are_all_delays_in_their_order(delays: int) -> None:
    parts = few_at_once(delays)
    assert np.concatenate([np.arange(delays)[part] for part in parts]).tolist() == list(range(delays))
    assert all(0 < part.stop - part.start <= DELAYS_AT_ONCE for part in parts)


@pytest.mark.parametrize("delays", [1, DELAYS_AT_ONCE + 3])
def test_sums_over_bands_are_differences_of_running_ones(delays: int) -> None:
    sums = np.cumsum(np.random.default_rng(3).normal(size=(5, delays)), axis=0)
    before, ends = sums.copy(), np.array([[0, 1, 0], [1, 4, 3]])
    found = np.empty((3, delays))
    for some, of_bands in band_sums(sums, ends):
        found[:, some] = of_bands
        of_bands[:] = np.nan  # the room is used again, what is asked for is not touched
    assert found == pytest.approx(sums[ends[1]] - sums[ends[0]], abs=1e-4)
    assert (sums == before).all()


def test_many_bands_are_averaged_one_by_one() -> None:
    rows = np.random.default_rng(2).normal(size=(3, 50)) * 4
    sums = np.vstack([np.zeros(50), np.cumsum(rows, axis=0)])
    ends, bins = np.array([[0, 1, 0], [1, 3, 3]]), np.array([90.0, 200.0, 290.0])
    found = log_mean_of_bands(sums, ends, bins, polarity=-1)
    each = [
        band_log_likelihood(-(sums[last] - sums[first]) / count, count)
        for (first, last), count in zip(ends.T, bins, strict=True)
    ]
    assert found == pytest.approx(logsumexp(each, axis=0) - np.log(3), abs=1e-3)
