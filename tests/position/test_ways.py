"""A leak that is heard by several ways: its likelihood, its pattern, and what an echo must not become."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.position import LocateSettings, PathTimes, pair_posterior
from netcorr.position.echoes import PathEchoes
from netcorr.position.posterior import BlurredLikelihood
from netcorr.position.ways import SeenEvidence, likelihood_by_ways, log_pattern_fit

Maker = Callable[..., Any]
SETTINGS = LocateSettings()
SPEED = 1250.0
TEE_M = 70.0


@pytest.fixture(scope="module")
def times(make_times: Maker) -> PathTimes:
    made: PathTimes = make_times(100.0)
    return made


def echoes_at_tee(times: PathTimes, *, strength: float) -> PathEchoes:
    """A mirror at 70 m: a leak nearer A sends A an echo from there, one nearer B sends it to B."""
    x = times.position_m
    detour_s = 2 * np.abs(TEE_M - x) / SPEED
    echo_s = times.delay_s + np.where(x < TEE_M, -detour_s, detour_s)
    return PathEchoes(
        np.stack([times.delay_s, echo_s]), np.stack([np.ones(x.size), np.full(x.size, strength)])
    )


def no_echoes(times: PathTimes) -> PathEchoes:
    return PathEchoes(times.delay_s[None, :], np.ones((1, times.position_m.size)))


def at(times: PathTimes, values: np.ndarray, x_m: float) -> float:
    return float(np.interp(x_m, times.position_m, values))


def evidence(
    make_evidence: Maker, times: PathTimes, leak_m: float, *, direct: float, echo: float
) -> list[Any]:
    """Two rounds with a peak at the direct delay and one at the echo's."""
    ways = echoes_at_tee(times, strength=1.0).delay_s
    return [make_evidence(times, {at(times, ways[0], leak_m): direct, at(times, ways[1], leak_m): echo})] * 2


def best_m(posterior: Any) -> float:
    return float(posterior.position_m[np.argmax(posterior.density_per_m)])


def test_the_direct_way_alone_changes_nothing(times: PathTimes, make_evidence: Maker) -> None:
    rounds = [make_evidence(times, {0.02: 20.0})] * 2
    plain = pair_posterior(times, rounds, settings=SETTINGS)
    with_ways = pair_posterior(times, rounds, settings=SETTINGS, echoes=no_echoes(times))
    assert with_ways.density_per_m == pytest.approx(plain.density_per_m)
    assert with_ways.between == plain.between


def test_half_as_strong_is_seldom_the_strongest() -> None:
    # direct waves say nothing; half of the places are reached by an echo of the delay that is seen
    grid_s = np.linspace(-0.05, 0.05, 2001)
    log_evidence = -0.5 * ((grid_s - 0.03) / 1e-3) ** 2
    seen = SeenEvidence(grid_s, np.zeros(grid_s.size), sd_s=np.full(400, 1e-4))
    blurred = BlurredLikelihood(grid_s, np.exp(log_evidence), largest_sd_s=2e-3)
    direct_s = np.linspace(0.031, -0.03, 400)
    ways = np.stack([direct_s, np.full(400, 0.03)])
    found = [
        likelihood_by_ways(blurred, PathEchoes(ways, np.array([[1.0] * 400, [strength] * 400])), seen=seen)
        for strength in (0.5, 1.0, 2.0)
    ]
    by_echo = [float(one[-1]) for one in found]
    shares = [1 / (1 + 2**4.5), 0.5, 1 / (1 + 2**-4.5)]
    assert by_echo[0] / by_echo[2] == pytest.approx(shares[0] / shares[2], rel=0.02)
    assert by_echo[1] / by_echo[2] == pytest.approx(shares[1] / shares[2], rel=0.02)


def test_an_echo_is_not_a_second_leak(times: PathTimes, make_evidence: Maker) -> None:
    rounds = evidence(make_evidence, times, 80.0, direct=40.0, echo=40.0)
    echo_m = float(
        np.interp(
            -at(times, echoes_at_tee(times, strength=1.0).delay_s[1], 80.0), -times.delay_s, times.position_m
        )
    )
    informed = pair_posterior(times, rounds, settings=SETTINGS, echoes=echoes_at_tee(times, strength=0.9))
    x, mass = times.position_m, informed.density_per_m * np.gradient(times.position_m)
    plain = pair_posterior(times, rounds, settings=SETTINGS)
    there = np.abs(x - echo_m) < 3
    assert (plain.density_per_m * np.gradient(x))[there].sum() > 0.4
    assert mass[there].sum() < 0.15
    assert mass[np.abs(x - 80) < 3].sum() > 0.8


@given(leak_m=st.floats(5.0, 95.0), strength=st.floats(0.5, 1.5))
@settings(max_examples=20, deadline=None)
def test_the_pattern_fits_best_where_the_leak_is(
    times: PathTimes, make_evidence: Maker, leak_m: float, strength: float
) -> None:
    ways = echoes_at_tee(times, strength=strength)
    rounds = evidence(make_evidence, times, leak_m, direct=60.0, echo=60.0 * strength**2)
    seen = SeenEvidence(rounds[0].delay_s, rounds[0].log_likelihood, sd_s=times.sd_s(clock_sd_s=1e-4))
    fit = log_pattern_fit(ways, seen=seen)
    assert fit.shape == times.position_m.shape
    assert (fit <= 0).all()
    assert at(times, fit, leak_m) > fit.max() - 1.0


def test_silence_fits_every_place_alike(times: PathTimes) -> None:
    grid_s = np.linspace(-0.1, 0.1, 801)
    seen = SeenEvidence(grid_s, np.full(801, -3.0), sd_s=times.sd_s(clock_sd_s=1e-4))
    fit = log_pattern_fit(echoes_at_tee(times, strength=1.0), seen=seen)
    assert (fit == 0).all()


def test_probabilities_still_sum_to_one(times: PathTimes, make_evidence: Maker) -> None:
    for leak_m in (10.0, 69.0, 90.0):
        rounds = evidence(make_evidence, times, leak_m, direct=20.0, echo=25.0)
        told = pair_posterior(times, rounds, settings=SETTINGS, echoes=echoes_at_tee(times, strength=1.2))
        assert told.between + told.beyond_a + told.beyond_b + told.none == pytest.approx(1)
        assert np.trapezoid(told.density_per_m, told.position_m) == pytest.approx(1)


@pytest.mark.parametrize("strength", [2.0, 1.0])
def test_an_echo_twice_the_direct_wave_does_not_win_with_certainty(
    times: PathTimes, make_evidence: Maker, strength: float
) -> None:
    # weak evidence goes with the square of the amplitude: four times as much for the echo
    rounds = evidence(make_evidence, times, 85.0, direct=15.0, echo=60.0)
    told = pair_posterior(times, rounds, settings=SETTINGS, echoes=echoes_at_tee(times, strength=strength))

    def mass(at_m: float) -> float:
        near = np.abs(times.position_m - at_m) < 4
        return told.between * float(np.trapezoid(told.density_per_m[near], times.position_m[near]))

    # the echo comes from the tee wherever the leak is, so a peak there may mean any of these places
    assert mass(TEE_M) < (0.3 if strength == 2 else 0.8)
    assert mass(85.0) > (0.05 if strength == 2 else 0.005)
    # without the map it is a sure leak at the tee
    blind = pair_posterior(times, rounds, settings=SETTINGS)
    near = np.abs(times.position_m - TEE_M) < 4
    assert float(np.trapezoid(blind.density_per_m[near], times.position_m[near])) > 0.99
