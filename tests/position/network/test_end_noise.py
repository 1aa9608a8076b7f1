"""Noise from beyond both loggers: travel time and clocks by hand, and what is not taken for it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from netcorr.delay import DelayEvidence
from netcorr.position import PathTimes
from netcorr.position.network.end_noise import EndNoise, agreeing, as_delays, end_noise
from netcorr.position.network.linear import learn

Maker = Callable[..., Any]
#: 100 m of pipe at 1250 m/s of which 3 % are in doubt: 80 ms, give or take 2.4.
TRAVEL_S = 0.080
CLOCK_SD_S = 0.002


@pytest.fixture(scope="module")
def times(make_times: Maker) -> PathTimes:
    made: PathTimes = make_times(100.0, clock_sd_s=CLOCK_SD_S, common=0.03)
    return made


def heard(make_evidence: Maker, times: PathTimes, peaks: dict[float, float]) -> DelayEvidence:
    made: DelayEvidence = make_evidence(times, peaks, floor=-1.0, sd_s=1e-4)
    return made


def looked_for(evidence: DelayEvidence, times: PathTimes, clock_sd_s: float = CLOCK_SD_S) -> EndNoise | None:
    return end_noise(evidence, times, clock_sd_s=clock_sd_s, drift_sd_s=0.0)


@pytest.mark.parametrize(("longer_s", "offset_s"), [(0.0, 0.0), (0.003, 0.0015), (-0.002, -0.004)])
def test_half_the_difference_and_the_mean(
    make_evidence: Maker, times: PathTimes, longer_s: float, offset_s: float
) -> None:
    travel_s = TRAVEL_S + longer_s
    evidence = heard(make_evidence, times, {offset_s + travel_s: 200.0, offset_s - travel_s: 90.0})
    found = looked_for(evidence, times)
    assert found is not None
    assert found.longer_s == pytest.approx(longer_s, abs=5e-5)
    assert found.offset_s == pytest.approx(offset_s, abs=5e-5)
    assert 0 < found.standard_error_s < 3e-4


def test_a_louder_leak_between_does_not_hide_it(make_evidence: Maker, times: PathTimes) -> None:
    evidence = heard(make_evidence, times, {0.0213: 300.0, 0.0805: 150.0, -0.0795: 120.0})
    found = looked_for(evidence, times)
    assert found is not None
    assert found.offset_s == pytest.approx(0.0005, abs=5e-5)


def test_the_higher_peaks_win_over_the_nearer_ones(make_evidence: Maker, times: PathTimes) -> None:
    # 4 ms before the true one lies a ripple of it, nearer to what was foretold
    evidence = heard(make_evidence, times, {0.0845: 300.0, 0.0805: 90.0, -0.0845: 280.0})
    found = looked_for(evidence, times)
    assert found is not None
    assert found.longer_s == pytest.approx(0.0045, abs=5e-5)


@pytest.mark.parametrize(
    "peaks",
    [
        {0.080: 300.0},  # from beyond one only
        {0.080: 300.0, -0.080: 15.0},  # the other is not clear
        {0.030: 300.0, -0.030: 200.0},  # two sources between
        {0.080: 300.0, -0.062: 200.0},  # a leak inside B: neither travel time nor clocks agree
        {},
    ],
)
def test_what_is_no_noise_from_beyond_both(
    make_evidence: Maker, times: PathTimes, peaks: dict[float, float]
) -> None:
    assert looked_for(heard(make_evidence, times, peaks), times) is None


def test_good_clocks_refuse_a_leak_just_inside(make_evidence: Maker, times: PathTimes) -> None:
    # a leak 3 m from A: 4.8 ms less than from beyond it; the clocks would be off by 2.4 ms
    evidence = heard(make_evidence, times, {0.0752: 300.0, -0.080: 200.0})
    assert looked_for(evidence, times, clock_sd_s=1.4e-4) is None


def test_a_travel_time_that_is_not_known_says_nothing(make_evidence: Maker, make_times: Maker) -> None:
    vague = make_times(100.0, common=0.15)
    assert looked_for(heard(make_evidence, vague, {0.08: 300.0, -0.08: 200.0}), vague) is None


def noise(a: str, b: str, offset_s: float, longer_s: float) -> EndNoise:
    return EndNoise(a, b, 1, offset_s=offset_s, longer_s=longer_s, standard_error_s=5e-5)


PRIOR: dict[Any, float] = {
    ("group", 0): 0.03,
    **{("clock", name): 0.002 for name in "ABCD"},
    **{("jitter", 1, name): 1e-9 for name in "ABCD"},
    **{("lead", name): 1e-5 for name in "ABCD"},
    **{("length", a, b): 1e-4 for a in "ABCD" for b in "ABCD" if a < b},
}


def test_clocks_of_all_are_solved_together_with_the_speed() -> None:
    clocks = {"A": 0.0, "B": 0.0015, "C": -0.001, "D": 0.0004}
    pairs = [
        as_delays(
            noise(a, b, clocks[b] - clocks[a], 0.02 * TRAVEL_S), {("group", 0): TRAVEL_S}, drift_sd_s=0.0
        )
        for a, b in (("A", "B"), ("B", "C"), ("C", "D"))
    ]
    learnt = learn(PRIOR, [one for pair in agreeing(pairs, PRIOR) for one in pair])
    for a, b in (("A", "B"), ("A", "C"), ("B", "D")):
        offset_s, sd_s = learnt.of({("clock", b): 1.0, ("clock", a): -1.0})
        assert offset_s == pytest.approx(clocks[b] - clocks[a], abs=2e-5)
        assert sd_s < 2e-4
    slower, sd = learnt.of({("group", 0): 1.0})
    assert slower == pytest.approx(0.02, abs=0.001)
    assert sd < 0.0015


def test_a_pair_that_does_not_close_the_loop_is_left_out() -> None:
    pairs = [
        as_delays(noise(a, b, offset_s, 0.0), {("group", 0): TRAVEL_S}, drift_sd_s=0.0)
        for a, b, offset_s in (
            ("A", "B", 0.001),
            ("B", "C", 0.001),
            ("A", "C", 0.002),
            ("C", "D", 0.0),
            ("A", "D", 0.002),
            ("B", "D", 0.004),
        )
    ]
    kept = agreeing(pairs, PRIOR)
    assert kept == [pair for pair in pairs if pair is not pairs[-1]]


def test_two_rounds_are_two_measurements() -> None:
    one = noise("A", "B", 0.001, 0.0)
    first, second = (as_delays(replace(one, round_number=n), {}, drift_sd_s=1e-4) for n in (1, 2))
    assert ("jitter", 1, "B") in first[1].parts
    assert ("jitter", 2, "B") in second[1].parts
    assert first[1].noise_sd_s > first[0].noise_sd_s
