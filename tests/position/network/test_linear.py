"""Weighted least squares with a prior, against formulas worked by hand and scipy's least squares."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize

from netcorr.position.network.linear import Measured, learn, usual_misfit

sds = st.floats(1e-3, 10.0)
values = st.floats(-5.0, 5.0)


@given(prior=sds, noise=sds, excess=values)
def test_one_unknown_is_the_weighted_mean(prior: float, noise: float, excess: float) -> None:
    found = learn({"speed": prior}, [Measured(excess, noise, {"speed": 1.0})])
    mean, sd = found.of({"speed": 1.0})
    # two Gaussians of one value: inverse variances add
    assert mean == pytest.approx(excess / noise**2 / (1 / prior**2 + 1 / noise**2))
    assert sd == pytest.approx(1 / math.sqrt(1 / prior**2 + 1 / noise**2))
    assert found.misfit == pytest.approx(excess**2 / (prior**2 + noise**2))


@given(
    priors=st.lists(sds, min_size=3, max_size=3),
    rows=st.lists(
        st.tuples(values, sds, st.tuples(values, values, values)),
        min_size=1,
        max_size=6,
    ),
)
def test_as_least_squares_of_delays_and_prior_together(
    priors: list[float], rows: list[tuple[float, float, tuple[float, float, float]]]
) -> None:
    names = ("a", "b", "c")
    found = learn(
        dict(zip(names, priors, strict=True)),
        [Measured(excess, noise, dict(zip(names, parts, strict=True))) for excess, noise, parts in rows],
    )
    design = np.array([np.array(parts) / noise for _, noise, parts in rows])
    wanted = np.array([excess / noise for excess, noise, _ in rows])
    together = np.vstack([design, np.diag(1 / np.array(priors))])
    best = optimize.lsq_linear(together, np.concatenate([wanted, np.zeros(3)])).x
    assert found.mean == pytest.approx(best, rel=1e-4, abs=1e-5)
    assert np.linalg.inv(together.T @ together) == pytest.approx(found.covariance, rel=1e-4, abs=1e-6)


def test_nothing_is_learnt_from_nothing() -> None:
    found = learn({"speed": 0.02, "clock": 1e-4}, [])
    assert found.of({"speed": 1.0, "clock": 0.0}) == (0.0, 0.02)
    assert found.misfit == 0.0


def test_a_sum_is_known_better_than_its_parts() -> None:
    # one delay along one main: its own error and that of its material stay in doubt, their sum does not
    found = learn({"group": 0.03, "main": 0.02}, [Measured(0.05, 1e-4, {"group": 1.0, "main": 1.0})])
    total, total_sd = found.of({"group": 1.0, "main": 1.0})
    assert (total, total_sd) == (pytest.approx(0.05, abs=1e-5), pytest.approx(1e-4, rel=0.01))
    # 0.05 is shared by variance, 9 to 4; each keeps the deviation of 0.03 * 0.02 / hypot(0.03, 0.02)
    for name, share in (("group", 9 / 13), ("main", 4 / 13)):
        mean, sd = found.of({name: 1.0})
        assert mean == pytest.approx(0.05 * share, rel=1e-3)
        assert sd == pytest.approx(0.03 * 0.02 / math.hypot(0.03, 0.02), rel=1e-3)


def test_what_is_no_unknown_is_refused() -> None:
    with pytest.raises(KeyError):
        learn({"speed": 0.02}, [Measured(0.001, 1e-4, {"clock": 1.0})])


def test_misfit_of_chance() -> None:
    # quantiles of chi-squared at 95 %, as in any table: 3.841 of 1, 18.307 of 10
    assert usual_misfit(1) == pytest.approx(3.841, abs=1e-3)
    assert usual_misfit(10) == pytest.approx(1.8307, abs=1e-4)
