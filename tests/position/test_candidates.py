"""What a posterior becomes on the map: points, stretches, side pipes and words."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.delay import DelayEvidence
from netcorr.network import PipeNetwork
from netcorr.path import CorrelationPath, correlation_path
from netcorr.position import Candidate, LocateSettings, PairPosterior, PathTimes, pair_posterior, path_times
from netcorr.position.candidates import error_budget, find_candidates, ranked

Maker = Callable[..., Any]
few = settings(max_examples=15, deadline=None)
SETTINGS = LocateSettings()

#: 110 m of main from V1 to V2 with a branch of 40 m at 60 m, 50 m of main before V1 and 30 m behind V2.
MAINS = {"M1": [(-50, 0), (60, 0)], "M2": [(60, 0), (140, 0)], "S1": [(60, 0), (60, 40)]}
FITTINGS = {"V1": (0, 0), "V2": (110, 0)}


@pytest.fixture(scope="module")
def network(make_network: Maker) -> PipeNetwork:
    made: PipeNetwork = make_network(MAINS, FITTINGS, speed_m_s=1250.0)
    return made


@pytest.fixture(scope="module")
def path(network: PipeNetwork) -> CorrelationPath:
    return correlation_path(network, "V1", fitting_b="V2")


@pytest.fixture(scope="module")
def times(path: CorrelationPath, make_speed: Maker) -> PathTimes:
    speeds = [make_speed(1250.0, common=0.01) for _ in path.segments]
    return path_times(path, speeds, settings=SETTINGS, clock_sd_s=1e-4)


def delay_of(times: PathTimes, at_m: float) -> float:
    return float(np.interp(at_m, times.position_m, times.delay_s))


def candidates_of(
    evidence: Sequence[DelayEvidence],
    times: PathTimes,
    path: CorrelationPath,
    network: PipeNetwork,
    setting: LocateSettings = SETTINGS,
) -> tuple[Candidate, ...]:
    posterior = pair_posterior(times, evidence, settings=setting)
    return find_candidates(posterior, times, path=path, network=network, evidence=evidence, settings=setting)


class Finder:
    """Candidates of a leak heard at some places of the street, the same in every round."""

    def __init__(
        self, make_evidence: Maker, times: PathTimes, path: CorrelationPath, network: PipeNetwork
    ) -> None:
        self.evidence_of, self.times, self.path, self.network = make_evidence, times, path, network

    def evidence(self, peaks_at_m: Mapping[float, float], **more: Any) -> DelayEvidence:
        peaks = {delay_of(self.times, at_m): height for at_m, height in peaks_at_m.items()}
        made: DelayEvidence = self.evidence_of(self.times, peaks, **more)
        return made

    def find(
        self, peaks_at_m: Mapping[float, float], *, rounds: int = 2, **more: Any
    ) -> tuple[Candidate, ...]:
        return candidates_of(
            [self.evidence(peaks_at_m, **more)] * rounds, self.times, self.path, self.network
        )


@pytest.fixture(scope="module")
def street(make_evidence: Maker, times: PathTimes, path: CorrelationPath, network: PipeNetwork) -> Finder:
    return Finder(make_evidence, times, path, network)


def test_one_leak_between(street: Finder) -> None:
    (one,) = street.find({30.0: 25.0})
    assert one.outcome == "between"
    assert one.in_bracket
    assert one.rank == 1
    assert 0.94 < one.probability < 0.97  # the stretch holds 95 %
    assert (one.sensor_a, one.sensor_b) == ("V1", "V2")
    assert one.from_a_m == pytest.approx(30, abs=0.1)
    assert one.from_a_m + one.from_b_m == pytest.approx(110)
    assert one.low_m < 30 < one.high_m
    # the spread of a normal density cut at 95 % is 0.87 of the whole, the stretch 3.92
    assert one.high_m - one.low_m == pytest.approx(3.92 / 0.87 * one.sd_m, rel=0.05)
    assert one.delay_s == pytest.approx(50 / 1250, abs=2e-4)
    assert (one.pipe_id, one.material, one.diameter_mm, one.speed_m_s) == ("M1", "grey_iron", 150.0, 1250.0)
    assert one.rounds_used == 2
    assert uuid.UUID(one.candidate_id).version == 5  # the same answer has the same name


def test_point_and_stretch_lie_where_the_numbers_say(street: Finder) -> None:
    (one,) = street.find({30.0: 25.0})
    # drawn metres are metres of pipe here, and V1 is drawn at (350000, 5205000)
    assert one.point.x - 350_000 == pytest.approx(one.from_a_m, abs=0.01)
    assert one.point.y == pytest.approx(5_205_000)
    assert len(one.stretches) == len(one.stretch_m) == 1
    (stretch,) = one.stretches
    assert one.stretch_m == ((one.low_m, one.high_m),)
    assert stretch.length == pytest.approx(one.high_m - one.low_m, abs=0.01)
    assert stretch.coords[0][0] - 350_000 == pytest.approx(one.low_m, abs=0.01)
    assert shapely.dwithin(stretch, one.point, 1e-6)


def test_main_under_the_point(street: Finder) -> None:
    (one,) = street.find({85.0: 25.0})
    assert one.pipe_id == "M2"


def test_side_pipe_is_listed_when_its_tee_lies_in_the_stretch(street: Finder) -> None:
    (at_tee,) = street.find({60.0: 25.0})
    (branch,) = at_tee.branches
    assert branch.from_a_m == pytest.approx(60, abs=0.01)
    assert branch.pipe_ids == ("S1",)
    assert sum(line.length for line in branch.lines) == pytest.approx(40)
    assert "a tee lies inside the stretch at 60.0 m from A" in at_tee.note
    assert "S1" in at_tee.note
    (elsewhere,) = street.find({30.0: 25.0})
    assert elsewhere.branches == ()
    assert "tee" not in elsewhere.note


def test_many_side_pipes_are_not_all_named(
    make_network: Maker, make_speed: Maker, make_evidence: Maker
) -> None:
    sides = {f"S{i}": [(60, 7.0 * i), (60, 7.0 * i + 7)] for i in range(6)}
    network = make_network({"M1": MAINS["M1"], "M2": MAINS["M2"]} | sides, FITTINGS, speed_m_s=1250.0)
    path = correlation_path(network, "V1", fitting_b="V2")
    times = path_times(path, [make_speed(1250.0)] * len(path.segments), settings=SETTINGS, clock_sd_s=1e-4)
    (one,) = Finder(make_evidence, times, path, network).find({60.0: 25.0})
    assert one.branches[0].pipe_ids == tuple(sides)
    assert "(S0, S1, S2, S3 ...)" in one.note


@pytest.mark.parametrize(
    ("at_m", "outcome", "sensor", "beyond_m"),
    [(0.0, "at or beyond A", "V1", 50.0), (110.0, "at or beyond B", "V2", 30.0)],
)
def test_source_at_a_sensor_has_the_pipes_beyond_it(
    street: Finder, at_m: float, outcome: str, sensor: str, beyond_m: float
) -> None:
    first = street.find({at_m: 25.0})[0]
    assert first.outcome == outcome
    assert not first.in_bracket
    assert first.from_a_m == first.low_m == first.high_m == pytest.approx(at_m)
    assert first.from_b_m == pytest.approx(110 - at_m)
    assert first.stretches == first.stretch_m == ()
    (branch,) = first.branches
    assert sum(line.length for line in branch.lines) == pytest.approx(beyond_m, abs=0.01)
    assert first.point.x - 350_000 == pytest.approx(at_m, abs=0.01)
    assert f"at or beyond {sensor}" in first.note
    assert "do not dig between the sensors" in first.note
    assert first.rounds_used == 2
    assert first.sd_m > 0


def test_nothing_beyond_a_dead_end_but_the_sensor_itself(
    make_network: Maker, make_speed: Maker, make_evidence: Maker
) -> None:
    network = make_network({"M1": [(0, 0), (100, 0)]}, {"V1": (0, 0), "V2": (100, 0)}, speed_m_s=1250.0)
    path = correlation_path(network, "V1", fitting_b="V2")
    times = path_times(path, [make_speed(1250.0)], settings=SETTINGS, clock_sd_s=1e-4)
    first = Finder(make_evidence, times, path, network).find({0.0: 25.0})[0]
    assert first.outcome == "at or beyond A"
    assert first.branches == ()


def test_two_leaks_are_two_candidates(street: Finder) -> None:
    first, second = street.find({20.0: 25.0, 90.0: 24.6})
    assert (first.rank, second.rank) == (1, 2)
    assert first.probability > second.probability > 0.05
    assert first.from_a_m == pytest.approx(20, abs=0.2)
    assert second.from_a_m == pytest.approx(90, abs=0.2)
    assert first.candidate_id != second.candidate_id
    # each is stated for itself: the lesser one a little below its share, the other a little above
    assert 0.8 < first.probability + second.probability < 0.95


def test_silence_gives_no_candidate(street: Finder) -> None:
    assert street.find({}) == ()
    assert street.find({}, floor=0.0) == ()


def test_posterior_spread_over_the_path_is_not_listed(street: Finder, times: PathTimes) -> None:
    x = times.position_m
    for wide, listed in ((3.0, True), (60.0, False)):
        density = np.exp(-0.5 * ((x - 55) / wide) ** 2)
        density /= np.trapezoid(density, x)
        posterior = PairPosterior(x, density, 0.99, 0.0, 0.0, 0.01)
        found = find_candidates(
            posterior,
            times,
            path=street.path,
            network=street.network,
            evidence=[street.evidence({55.0: 20.0})],
            settings=SETTINGS,
        )
        assert bool(found) is listed


def test_faint_candidates_are_left_out(street: Finder) -> None:
    peaks = {20.0: 25.0, 90.0: 24.0}
    both = [street.evidence(peaks)] * 2
    args = (street.times, street.path, street.network)
    assert len(candidates_of(both, *args, LocateSettings(least_probability=0.001))) == 2
    (one,) = candidates_of(both, *args, LocateSettings(least_probability=0.2))
    assert one.from_a_m == pytest.approx(20, abs=0.2)


def test_higher_level_widens_the_stretch(street: Finder) -> None:
    evidence = [street.evidence({30.0: 25.0})] * 2
    args = (street.times, street.path, street.network)
    (narrow,), (wide,) = (candidates_of(evidence, *args, LocateSettings(level=p)) for p in (0.68, 0.95))
    assert wide.low_m < narrow.low_m < narrow.high_m < wide.high_m
    # one and two standard deviations of a normal density
    assert (wide.high_m - wide.low_m) / (narrow.high_m - narrow.low_m) == pytest.approx(1.96, rel=0.1)
    assert wide.probability > narrow.probability
    # nothing is stated higher than its area is to hold, but for the grain of the grid
    assert narrow.probability == pytest.approx(0.68, abs=0.03)


@pytest.mark.parametrize("rounds", [1, 2])
def test_a_very_high_level_does_not_shatter_the_area(street: Finder, rounds: int) -> None:
    # what a single round leaves open (usage?) lies evenly on the path, with the ripples of the evidence
    loud = street.evidence({30.0: 25.0})
    ripple = 0.7 * np.sin(loud.delay_s * 2 * np.pi / 3e-3)
    evidence = [replace(loud, log_likelihood=np.logaddexp(loud.log_likelihood, ripple))] * rounds
    args = (street.times, street.path, street.network)
    high, higher = (candidates_of(evidence, *args, LocateSettings(level=p)) for p in (0.95, 0.99))
    assert len(high) == len(higher) == 1
    assert higher[0].low_m <= high[0].low_m < high[0].high_m <= higher[0].high_m
    assert higher[0].high_m - higher[0].low_m < 2 * (high[0].high_m - high[0].low_m)


def test_rounds_that_carry_the_evidence_are_counted(street: Finder) -> None:
    loud = street.evidence({30.0: 25.0})
    elsewhere = street.evidence({90.0: 1.5}, round_number=3)
    posterior = pair_posterior(street.times, [loud], settings=SETTINGS)
    (one,) = find_candidates(
        posterior,
        street.times,
        path=street.path,
        network=street.network,
        evidence=[loud, loud, elsewhere],
        settings=SETTINGS,
    )
    assert one.rounds_used == 2
    assert "heard in 2 of 3 rounds" in one.note


def test_single_round_says_so(street: Finder) -> None:
    (one,) = street.find({30.0: 40.0}, rounds=1)
    assert "one round only" in one.note
    assert "record again" in one.note
    (two,) = street.find({30.0: 40.0}, rounds=2)
    assert two.note == ""
    assert one.probability < 0.93 < two.probability


def test_ranks_follow_the_probability(street: Finder) -> None:
    found = street.find({20.0: 25.0, 90.0: 24.6})
    assert [one.rank for one in ranked(found[::-1])] == [1, 2]
    assert ranked(found[::-1])[0].candidate_id == found[0].candidate_id
    assert ranked([]) == ()


def test_budget_is_the_spread_taken_apart(street: Finder, make_speed: Maker) -> None:
    evidence = [street.evidence({30.0: 25.0}, sd_s=1e-4)] * 4
    posterior = pair_posterior(street.times, evidence, settings=SETTINGS)
    budget = error_budget(posterior, street.times, evidence=evidence)
    assert budget.clock_m == pytest.approx(625 * 1e-4)
    assert budget.delay_m == pytest.approx(625 * 1e-4 / 2)  # four rounds
    assert budget.speed_m == pytest.approx(0.01 * (55 - 30), rel=0.02)
    assert budget.length_m == pytest.approx(np.hypot(0.3, 0.003 * 110) / 2)
    assert budget.model_m == pytest.approx(0.1)
    parts = (budget.clock_m, budget.delay_m, budget.speed_m, budget.length_m, budget.model_m)
    (one,) = find_candidates(
        posterior,
        street.times,
        path=street.path,
        network=street.network,
        evidence=evidence,
        settings=SETTINGS,
    )
    # 95 % of a normal density, cut at both ends, has 0.87 of its spread
    assert one.sd_m == pytest.approx(0.87 * np.linalg.norm(parts), rel=0.1)


@given(east_m=st.floats(-20_000, 20_000), north_m=st.floats(-20_000, 20_000), at_m=st.floats(15, 95))
@few
def test_moving_the_map_moves_the_point_and_nothing_else(
    make_network: Maker,
    make_speed: Maker,
    make_evidence: Maker,
    street: Finder,
    east_m: float,
    north_m: float,
    at_m: float,
) -> None:
    corner = (350_000 + east_m, 5_205_000 + north_m)
    network = make_network(MAINS, FITTINGS, speed_m_s=1250.0, corner=corner)
    path = correlation_path(network, "V1", fitting_b="V2")
    speeds = [make_speed(1250.0, common=0.01) for _ in path.segments]
    moved = Finder(make_evidence, path_times(path, speeds, settings=SETTINGS, clock_sd_s=1e-4), path, network)
    (here,), (there,) = street.find({at_m: 25.0}), moved.find({at_m: 25.0})
    assert there.from_a_m == pytest.approx(here.from_a_m, abs=0.051)
    assert there.probability == pytest.approx(here.probability, abs=0.01)
    assert there.point.x - here.point.x == pytest.approx(east_m, abs=0.06)
    assert there.point.y - here.point.y == pytest.approx(north_m, abs=0.06)
    assert [b.pipe_ids for b in there.branches] == [b.pipe_ids for b in here.branches]
