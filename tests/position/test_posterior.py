"""Four hypotheses weighed: cases worked by hand, limits, and the laws that any weighing must obey."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from netcorr.delay import DelayEvidence
from netcorr.errors import PositionError
from netcorr.position import (
    LocateSettings,
    PairPosterior,
    PathTimes,
    highest_density_stretches,
    pair_posterior,
    path_times,
)
from netcorr.position.posterior import PASSING_BEYOND, BlurredLikelihood

Maker = Callable[..., Any]
few = settings(max_examples=20, deadline=None)
SETTINGS = LocateSettings()
PASSING = SETTINGS.passing_share
COVERING = PASSING * SETTINGS.covering_share
heights = st.floats(3.0, 60.0)
shares = st.floats(0.0, 1.0)


def probabilities(posterior: PairPosterior) -> tuple[float, float, float, float]:
    return posterior.between, posterior.beyond_a, posterior.beyond_b, posterior.none


def best_m(posterior: PairPosterior) -> float:
    return float(posterior.position_m[np.argmax(posterior.density_per_m)])


def width_m(posterior: PairPosterior, *, level: float = 0.95) -> float:
    stretches = highest_density_stretches(posterior.position_m, posterior.density_per_m, level=level)
    return sum(one.high_m - one.low_m for one in stretches)


def differs_by(posterior: PairPosterior, expected: NDArray[np.float64]) -> float:
    """Largest difference between two densities, as a share of the peak."""
    expected = expected / np.trapezoid(expected, posterior.position_m)
    return float(np.abs(posterior.density_per_m - expected).max() / expected.max())


def delay_of(times: PathTimes, at_m: float) -> float:
    return float(np.interp(at_m, times.position_m, times.delay_s))


def mirrored(evidence: DelayEvidence) -> DelayEvidence:
    """What the same recordings say when A and B change places."""
    return replace(
        evidence,
        delay_s=-evidence.delay_s[::-1],
        log_likelihood=evidence.log_likelihood[::-1],
        peak_delay_s=-evidence.peak_delay_s,
    )


@pytest.fixture(scope="module")
def times(make_times: Maker) -> PathTimes:
    made: PathTimes = make_times(100.0, common=0.02, pipe=0.01)
    return made


def test_leak_between_heard_twice(times: PathTimes, make_evidence: Maker) -> None:
    delay_s = delay_of(times, 30.0)
    posterior = pair_posterior(times, [make_evidence(times, {delay_s: 20.0})] * 2, settings=SETTINGS)
    assert posterior.between > 0.99
    assert best_m(posterior) == pytest.approx(30.0, abs=0.1)


def test_source_at_either_sensor(times: PathTimes, make_evidence: Maker) -> None:
    for end, name in ((0, "beyond_a"), (-1, "beyond_b")):
        evidence = [make_evidence(times, {float(times.delay_s[end]): 20.0})] * 2
        posterior = pair_posterior(times, evidence, settings=SETTINGS)
        assert getattr(posterior, name) == max(probabilities(posterior)) > 0.6
        # a leak in the last metres of the path cannot be told from it
        assert posterior.between == pytest.approx(1 - getattr(posterior, name), abs=0.01)


@pytest.mark.parametrize(("end", "sign", "name"), [(0, 1, "beyond_a"), (-1, -1, "beyond_b")])
def test_source_in_a_long_lead_is_beyond_its_sensor(
    make_path: Maker, make_speed: Maker, make_evidence: Maker, end: int, sign: int, name: str
) -> None:
    path = make_path([100.0], lead_a_m=3.0, lead_b_m=3.0)
    times = path_times(path, [make_speed(1250.0)], settings=SETTINGS, clock_sd_s=5e-5)
    delay_s = float(times.delay_s[end]) + sign * 2 * times.lead_a_s
    assert abs(delay_s) == pytest.approx(times.travel_time_s)
    evidence = [make_evidence(times, {delay_s: 20.0})] * 2
    assert getattr(pair_posterior(times, evidence, settings=SETTINGS), name) > 0.99


def test_nothing_heard(times: PathTimes, make_evidence: Maker) -> None:
    once, twice = (
        pair_posterior(times, [make_evidence(times, {}, floor=-4.0)] * rounds, settings=SETTINGS)
        for rounds in (1, 2)
    )
    assert twice.none > once.none > 0.7
    assert twice.none > 0.9


@pytest.mark.parametrize("rounds", [1, 2, 3])
def test_evidence_of_nothing_leaves_the_priors(times: PathTimes, make_evidence: Maker, rounds: int) -> None:
    posterior = pair_posterior(times, [make_evidence(times, {}, floor=0.0)] * rounds, settings=SETTINGS)
    assert probabilities(posterior) == pytest.approx((0.4, 0.15, 0.15, 0.3))
    assert posterior.density_per_m == pytest.approx(np.full(times.position_m.size, 1 / 100), rel=1e-6)
    assert posterior.learnt_nats == pytest.approx(0, abs=1e-9)


@given(at=shares, height=st.floats(0.0, 60.0), floor=st.floats(-8.0, 0.0))
@few
def test_what_is_learnt_is_never_less_than_nothing(
    times: PathTimes, make_evidence: Maker, at: float, height: float, floor: float
) -> None:
    evidence = make_evidence(times, {delay_of(times, 100 * at): height}, floor=floor)
    assert pair_posterior(times, [evidence], settings=SETTINGS).learnt_nats >= 0


def test_what_is_learnt_of_the_place_alone_counts(times: PathTimes, make_evidence: Maker) -> None:
    # by hand: all of the density in a tenth of the path is log(10) nats, for the share that lies between
    delay_s = delay_of(times, 50.0)
    sharp, dull = (
        pair_posterior(times, [make_evidence(times, {delay_s: 30.0}, sd_s=sd_s)] * 2, settings=SETTINGS)
        for sd_s in (2e-4, 2e-3)
    )
    assert sharp.learnt_nats - dull.learnt_nats == pytest.approx(
        np.log(width_m(dull) / width_m(sharp)), abs=0.15
    )


def test_single_round_is_capped_however_loud(times: PathTimes, make_evidence: Maker) -> None:
    delay_s = delay_of(times, 40.0)
    loud, louder = (make_evidence(times, {delay_s: height}, floor=-20.0) for height in (30.0, 300.0))
    one, other = (pair_posterior(times, [evidence], settings=SETTINGS) for evidence in (loud, louder))
    assert other.between == pytest.approx(one.between, rel=1e-6)
    # by hand: per unit of likelihood along the path, a leak that lasts has 1, usage on a branch its share
    usage = 1 - PASSING_BEYOND
    leak = SETTINGS.prior_between * (1 - COVERING + COVERING * usage)
    none = (1 - SETTINGS.prior_between - SETTINGS.prior_beyond) * PASSING * usage
    assert one.between / one.none == pytest.approx(leak / none, rel=0.02)
    assert one.between < 0.95


def test_single_clear_round_gives_the_area_of_two(times: PathTimes, make_evidence: Maker) -> None:
    evidence = make_evidence(times, {delay_of(times, 40.0): 30.0}, floor=-4.0)
    one, two = (pair_posterior(times, [evidence] * n, settings=SETTINGS) for n in (1, 2))
    # the doubt whether it lasts is in the probability, not in the place
    assert width_m(one) == pytest.approx(width_m(two), rel=0.15)


def test_usage_in_one_round_does_not_convince(times: PathTimes, make_evidence: Maker) -> None:
    usage = make_evidence(times, {delay_of(times, 70.0): 40.0})
    silent = make_evidence(times, {}, floor=-4.0)
    once = pair_posterior(times, [usage, silent], settings=SETTINGS)
    assert once.between < 0.5
    never_again = pair_posterior(times, [usage, silent, silent], settings=SETTINGS)
    assert never_again.between < 0.05
    assert never_again.none > once.none > pair_posterior(times, [usage] * 2, settings=SETTINGS).none


def test_what_was_clear_once_and_is_then_missing_counts_as_passing(
    times: PathTimes, make_evidence: Maker
) -> None:
    # the second round says nothing at all, which a source as clear as in the first would not allow
    clear, nothing = make_evidence(times, {delay_of(times, 70.0): 60.0}), make_evidence(times, {}, floor=0.0)
    alone = pair_posterior(times, [clear], settings=SETTINGS)
    missing = pair_posterior(times, [clear, nothing], settings=SETTINGS)
    assert missing.between < 0.6 < 0.9 < alone.between
    # a faint one may well be missed
    faint = make_evidence(times, {delay_of(times, 70.0): 8.0})
    assert pair_posterior(times, [faint, nothing], settings=SETTINGS).between > 0.5


def test_leak_is_found_beside_usage_of_each_round(times: PathTimes, make_evidence: Maker) -> None:
    leak_s = delay_of(times, 30.0)
    # usage as loud as the leak, elsewhere in each round: what tells is that the leak is there again
    equal = [make_evidence(times, {leak_s: 20.0, delay_of(times, u): 20.0}) for u in (55.0, 80.0, 68.0)]
    posterior = pair_posterior(times, equal, settings=SETTINGS)
    assert best_m(posterior) == pytest.approx(30, abs=0.2)
    assert posterior.between > 0.95


def test_two_leaks_share_the_density(times: PathTimes, make_evidence: Maker) -> None:
    peaks = {delay_of(times, 25.0): 20.0, delay_of(times, 75.0): 20.0}
    posterior = pair_posterior(times, [make_evidence(times, peaks)] * 2, settings=SETTINGS)
    found = highest_density_stretches(posterior.position_m, posterior.density_per_m, level=0.95)
    assert sorted(one.best_m for one in found) == pytest.approx([25, 75], abs=0.2)
    assert [one.mass for one in found] == pytest.approx([0.475, 0.475], abs=0.02)


def test_spread_is_the_sum_of_squares_of_its_parts(make_times: Maker, make_evidence: Maker) -> None:
    # evidence 0.2 ms, clocks 0.3 ms, speeds 2 % of the delay, lengths and model as set
    times = make_times(100.0, speed_m_s=1250.0, clock_sd_s=3e-4, common=0.02)
    for at_m in (20.0, 50.0):
        evidence = make_evidence(times, {delay_of(times, at_m): 30.0}, sd_s=2e-4, step_s=2.5e-5, floor=-40.0)
        posterior = pair_posterior(times, [evidence], settings=SETTINGS)
        parts_m = (
            1250 / 2 * 2e-4,
            1250 / 2 * 3e-4,
            0.02 * np.abs(50 - times.position_m),
            np.hypot(0.3, 0.003 * 100) / 2,
            0.1,
        )
        sd_m = np.sqrt(sum(part**2 for part in parts_m))
        assert differs_by(posterior, stats.norm.pdf(times.position_m, at_m, sd_m)) < 0.03


def test_rounds_average_what_is_new_in_each_and_not_what_stays(
    make_times: Maker, make_evidence: Maker, exact: Maker
) -> None:
    setting = exact(clock_jitter_share=0.6)
    times = make_times(100.0, clock_sd_s=1e-3, settings=setting)
    evidence = make_evidence(times, {0.0: 30.0}, sd_s=2e-4, step_s=5e-5, floor=-40.0)
    for rounds in (1, 4, 9):
        posterior = pair_posterior(times, [evidence] * rounds, settings=setting)
        # 0.6 and 0.8 of the clock's 1 ms; the first and the evidence of 0.2 ms average
        sd_s = np.hypot(8e-4, np.hypot(6e-4, 2e-4) / np.sqrt(rounds))
        assert differs_by(posterior, stats.norm.pdf(times.position_m, 50, 1250 / 2 * sd_s)) < 0.03


def test_rounds_with_grids_of_their_own(times: PathTimes, make_evidence: Maker) -> None:
    delay_s = delay_of(times, 61.8)
    same = [make_evidence(times, {delay_s: 15.0})] * 2
    other = [same[0], make_evidence(times, {delay_s: 15.0}, step_s=1.3e-4)]
    one, two = (pair_posterior(times, rounds, settings=SETTINGS) for rounds in (same, other))
    assert best_m(two) == pytest.approx(best_m(one), abs=0.06)
    assert probabilities(two) == pytest.approx(probabilities(one), abs=0.01)


def test_many_rounds_of_a_source_far_beyond_do_not_underflow(
    make_path: Maker, make_speed: Maker, make_evidence: Maker
) -> None:
    path = make_path([30.0], lead_a_m=40.0)  # a service of its own
    times = path_times(path, [make_speed(1250.0)], settings=SETTINGS, clock_sd_s=1e-5)
    delay_s = float(times.delay_s[0]) + 2 * times.lead_a_s
    evidence = make_evidence(times, {delay_s: 300.0}, floor=-50.0)
    posterior = pair_posterior(times, [evidence] * 150, settings=SETTINGS)
    assert posterior.beyond_a == pytest.approx(1)
    assert np.trapezoid(posterior.density_per_m, posterior.position_m) == pytest.approx(1)


def test_many_silent_rounds_are_silence(times: PathTimes, make_evidence: Maker) -> None:
    posterior = pair_posterior(times, [make_evidence(times, {}, floor=-30.0)] * 150, settings=SETTINGS)
    assert posterior.none == pytest.approx(1)


def test_evidence_must_reach_both_ends(times: PathTimes, make_evidence: Maker) -> None:
    with pytest.raises(PositionError, match="no round with evidence"):
        pair_posterior(times, [], settings=SETTINGS)
    wide = make_evidence(times, {0.0: 10.0})
    middle = slice(wide.delay_s.size // 4, -(wide.delay_s.size // 4))
    narrow = replace(wide, delay_s=wide.delay_s[middle], log_likelihood=wide.log_likelihood[middle])
    with pytest.raises(PositionError, match=r"pair L1 - L2: delays from .*search from -0\.0800 to 0\.0800 s"):
        pair_posterior(times, [wide, narrow], settings=SETTINGS)


@given(at=shares, other=shares, height=heights, floor=st.floats(-8.0, 0.0), rounds=st.integers(1, 4))
@few
def test_probabilities_sum_to_one_and_density_integrates_to_one(
    times: PathTimes, make_evidence: Maker, at: float, other: float, height: float, floor: float, rounds: int
) -> None:
    peaks = {delay_of(times, 100 * at): height, delay_of(times, 100 * other): height / 2}
    posterior = pair_posterior(times, [make_evidence(times, peaks, floor=floor)] * rounds, settings=SETTINGS)
    assert sum(probabilities(posterior)) == pytest.approx(1)
    assert min(probabilities(posterior)) >= 0
    assert (posterior.density_per_m >= 0).all()
    assert np.trapezoid(posterior.density_per_m, posterior.position_m) == pytest.approx(1)


@given(at=shares, height=heights, lead_m=st.floats(0.0, 3.0), share=st.floats(0.2, 0.8))
@few
def test_swapping_the_sensors_mirrors_the_answer(
    make_path: Maker,
    make_speed: Maker,
    make_evidence: Maker,
    at: float,
    height: float,
    lead_m: float,
    share: float,
) -> None:
    path = make_path([90 * share, 90 * (1 - share)], lead_a_m=lead_m)
    speeds = [make_speed(1250.0, common=0.02, pipe=0.01), make_speed(480.0, common=0.05, group="pvc")]
    times = path_times(path, speeds, settings=SETTINGS, clock_sd_s=1e-4)
    back = path_times(path.reversed(), speeds[::-1], settings=SETTINGS, clock_sd_s=1e-4)
    rounds = [make_evidence(times, {delay_of(times, 90 * at): h}) for h in (height, height / 2)]
    here = pair_posterior(times, rounds, settings=SETTINGS)
    there = pair_posterior(back, [mirrored(one) for one in rounds], settings=SETTINGS)
    between, beyond_a, beyond_b, none = probabilities(there)
    assert (between, beyond_b, beyond_a, none) == pytest.approx(probabilities(here), abs=2e-3)
    # where two pipes meet, the point belongs to the one nearer B
    left = np.cumsum(here.density_per_m) / here.density_per_m.sum()
    right = np.cumsum(there.density_per_m[::-1]) / there.density_per_m.sum()
    assert right == pytest.approx(left, abs=2e-3)


@given(at=shares, tops=st.lists(heights, min_size=2, max_size=5), seed=st.integers(0, 1000))
@few
def test_order_of_the_rounds_does_not_matter(
    times: PathTimes, make_evidence: Maker, at: float, tops: list[float], seed: int
) -> None:
    rng = np.random.default_rng(seed)
    rounds = [
        make_evidence(times, {delay_of(times, 100 * at): top, float(rng.uniform(-0.07, 0.07)): 8.0})
        for top in tops
    ]
    mixed = [rounds[i] for i in rng.permutation(len(rounds))]
    one, other = (pair_posterior(times, some, settings=SETTINGS) for some in (rounds, mixed))
    assert probabilities(other) == pytest.approx(probabilities(one))
    assert other.density_per_m == pytest.approx(one.density_per_m, rel=1e-6, abs=1e-12)


@given(
    at=st.floats(0.2, 0.8),
    height=st.floats(15.0, 60.0),
    clocks_s=st.tuples(st.floats(0.0, 3e-3), st.floats(0.0, 3e-3)),
    rounds=st.integers(1, 3),
)
@few
def test_worse_clocks_never_narrow_the_area(
    make_times: Maker,
    make_evidence: Maker,
    at: float,
    height: float,
    clocks_s: tuple[float, float],
    rounds: int,
) -> None:
    widths = []
    wide = make_times(100.0, common=0.02, clock_sd_s=3e-3)
    evidence = make_evidence(wide, {delay_of(wide, 100 * at): height})
    for clock_sd_s in sorted(clocks_s):
        times = make_times(100.0, common=0.02, clock_sd_s=clock_sd_s)
        widths.append(width_m(pair_posterior(times, [evidence] * rounds, settings=SETTINGS)))
    assert widths[1] >= widths[0] - 0.11  # a point of the path on either side


@given(at=st.floats(0.1, 0.9), height=heights, rounds=st.integers(1, 5))
@few
def test_another_round_of_the_same_tightens(
    times: PathTimes, make_evidence: Maker, at: float, height: float, rounds: int
) -> None:
    evidence = make_evidence(times, {delay_of(times, 100 * at): height})
    fewer, more = (pair_posterior(times, [evidence] * n, settings=SETTINGS) for n in (rounds, rounds + 1))
    assert width_m(more) <= width_m(fewer) + 0.11


@given(at=st.floats(0.1, 0.9), height=heights)
@few
def test_louder_is_more_probable(times: PathTimes, make_evidence: Maker, at: float, height: float) -> None:
    delay_s = delay_of(times, 100 * at)
    quiet, loud = (
        pair_posterior(times, [make_evidence(times, {delay_s: h})] * 2, settings=SETTINGS)
        for h in (height, height + 2)
    )
    assert loud.none <= quiet.none + 1e-12
    assert loud.between >= quiet.between - 1e-9


@pytest.mark.parametrize("sd_s", [2e-5, 7e-5, 3.3e-4, 1e-3])
def test_blurred_gaussian_is_a_wider_gaussian(sd_s: float) -> None:
    grid_s = np.linspace(-0.02, 0.02, 1601)
    own_s = 1e-4
    peak = np.exp(-0.5 * (grid_s / own_s) ** 2)
    blurred = BlurredLikelihood(grid_s, peak, largest_sd_s=1e-3)
    at_s = np.linspace(-2e-3, 2e-3, 101)
    expected = own_s * np.sqrt(2 * np.pi) * stats.norm.pdf(at_s, scale=np.hypot(own_s, sd_s))
    # widths lie on a ladder of cube roots of 2, read off along a straight line between two rungs
    error = np.abs(blurred.at(at_s, np.full(101, sd_s)) - expected)
    assert error.max() < 0.02 * expected.max()


def test_no_blur_below_the_grid_and_none_beyond_the_largest() -> None:
    grid_s = np.linspace(-0.01, 0.01, 201)
    peak = np.exp(-0.5 * (grid_s / 1e-3) ** 2)
    blurred = BlurredLikelihood(grid_s, peak, largest_sd_s=5e-4)
    places = np.array([0.0, 1e-3])
    assert blurred.at(places, np.zeros(2)) == pytest.approx(np.exp([0, -0.5]), rel=0.01)
    # outside the grid the last value holds
    assert blurred.at(np.array([5.0]), np.zeros(1)) == pytest.approx(peak[-1])
