"""Whole surveys: leaks that wave physics simulates, found on the map; pairs that cannot be compared."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from netcorr.errors import CancelledError, NoPathError, PathError, PositionError
from netcorr.network import PipeNetwork
from netcorr.position import LocateSettings, PairFix, SurveyFix, locate_survey
from netcorr.position.fix import LeftOut
from netcorr.recordings import SurveyRecordings
from netcorr.rehearsal.hand_over import as_recordings
from netcorr.simulation import (
    Burst,
    Conditions,
    LeakSource,
    SensorSetup,
    SimulatedRound,
    draw_speeds,
    leak_between,
    pair_of_sensors,
    place_on_pipe,
    random_street,
    simulate_survey,
)

Maker = Callable[..., Any]

#: Common practice calls a hit within 3 feet a good one.
GOOD_HIT_M = 0.9
#: Iron street with stated speeds: V1 at 0, V2 at 120 m, a side street at 80 m; mains go on out of reach.
MAINS = {"M1": [(-300, 0), (70, 0)], "M2": [(70, 0), (420, 0)], "S1": [(80, 0), (80, 250)]}
FITTINGS = {"V1": (0, 0), "V2": (120, 0), "H3": (80, 60), "V4": (120, 0.05)}


@dataclass(frozen=True)
class Night:
    """One simulated survey on the iron street."""

    leak: tuple[str, float] | None  # main, distance into it [m]
    snr_db: float = 0.0
    rounds: int = 2
    duration_s: float = 6.0
    sensors: tuple[str, ...] = ("V1", "V2")
    leads_m: tuple[float, ...] = (0.0, 0.0, 0.0)
    polarities: tuple[int, ...] = (1, 1, 1)
    burst_db: float | None = None


def usage(network: PipeNetwork, level_db: float) -> Burst:
    """Somebody drawing water in the side street for most of the first round."""
    place = place_on_pipe(network, "S1", into_m=100)
    return Burst(place, at_s=0.5, length_s=5.0, level_db=level_db, round_number=1)


@functools.cache
def simulated(network: PipeNetwork, night: Night) -> tuple[SimulatedRound, ...]:
    sensors = [
        SensorSetup(logger=f"L{fitting[1:]}", fitting=fitting, lead_m=lead_m, polarity=polarity)
        for fitting, lead_m, polarity in zip(night.sensors, night.leads_m, night.polarities, strict=False)
    ]
    bursts = () if night.burst_db is None else (usage(network, night.burst_db),)
    return simulate_survey(
        network,
        sensors=sensors,
        leak=LeakSource(place_on_pipe(network, night.leak[0], into_m=night.leak[1])) if night.leak else None,
        conditions=Conditions(snr_db=night.snr_db, duration_s=night.duration_s, bursts=bursts),
        rng=np.random.default_rng(20260301),
        rounds=range(1, night.rounds + 1),
    )


def located(network: PipeNetwork, night: Night, **changes: Any) -> SurveyFix:
    recordings = as_recordings(simulated(network, night), clock_sd_s=1e-4)
    return locate_survey(network, recordings, settings=LocateSettings(**changes))


@pytest.fixture(scope="module")
def street(make_network: Maker) -> PipeNetwork:
    made: PipeNetwork = make_network(MAINS, FITTINGS, speed_m_s=1250.0)
    return made


def only_pair(fix: SurveyFix) -> PairFix:
    (pair,) = fix.pairs
    return pair


def test_leak_between_two_valves(street: PipeNetwork) -> None:
    fix = located(street, Night(leak=("M1", 345)))
    (one,) = fix.candidates
    assert one.from_a_m == pytest.approx(45, abs=GOOD_HIT_M)
    assert one.low_m < 45 < one.high_m
    assert one.probability > 0.9
    assert one.rounds_used == 2
    assert one.point.x - 350_000 == pytest.approx(one.from_a_m, abs=0.01)
    assert fix.notes == ()
    assert fix.rejected == ()
    assert [evidence.round_number for evidence in only_pair(fix).evidence] == [1, 2]


def test_leak_beyond_a_sensor_is_not_put_between(street: PipeNetwork) -> None:
    fix = located(street, Night(leak=("M1", 260)))  # 40 m before V1
    assert only_pair(fix).outcome == "at or beyond A"
    first = fix.candidates[0]
    assert not first.in_bracket
    assert first.probability > 0.9
    # the answer is a set of pipes, and the leak lies on one of them
    leak = street.graph.nodes[street.node_of("V1")]
    (branch,) = first.branches
    assert any(line.distance(first.point) < 1e-3 for line in branch.lines)
    assert min(line.bounds[0] for line in branch.lines) < leak["x"] - 40


def test_no_leak_is_told(street: PipeNetwork) -> None:
    fix = located(street, Night(leak=None))
    assert only_pair(fix).outcome == "no leak heard"
    assert fix.candidates == ()


def test_faint_leak_over_three_rounds(street: PipeNetwork) -> None:
    # a tenth of the power of the ambient noise at the quieter sensor
    fix = located(street, Night(leak=("M1", 345), snr_db=-10, rounds=3, duration_s=10))
    assert fix.candidates[0].from_a_m == pytest.approx(45, abs=GOOD_HIT_M)
    assert fix.candidates[0].probability > 0.9


def test_sensor_mounted_the_other_way_round_changes_nothing(street: PipeNetwork) -> None:
    night = Night(leak=("M1", 345))
    upright, reverse = (located(street, one) for one in (night, replace(night, polarities=(1, -1, 1))))
    assert [e.polarity for e in only_pair(upright).evidence] == [1, 1]
    assert [e.polarity for e in only_pair(reverse).evidence] == [-1, -1]
    assert reverse.candidates[0].from_a_m == pytest.approx(upright.candidates[0].from_a_m, abs=0.05)
    assert reverse.candidates[0].low_m == pytest.approx(upright.candidates[0].low_m, abs=0.1)
    assert any("opposite polarity" in note for note in only_pair(reverse).notes)


def test_leads_of_hydrants_are_part_of_the_way(street: PipeNetwork) -> None:
    night = Night(leak=("M1", 345), leads_m=(2.0, 0.5))
    fix = located(street, night)
    assert fix.candidates[0].from_a_m == pytest.approx(45, abs=GOOD_HIT_M)
    assert only_pair(fix).travel_time_s == pytest.approx(122.5 / 1250)
    forgotten = [
        replace(
            one, recordings=tuple(replace(r, sensor=replace(r.sensor, lead_m=0.0)) for r in one.recordings)
        )
        for one in simulated(street, night)
    ]
    wrong = locate_survey(street, as_recordings(forgotten, clock_sd_s=1e-4)).candidates[0]
    # half of the difference of the leads
    assert wrong.from_a_m - fix.candidates[0].from_a_m == pytest.approx(0.75, abs=0.1)


def test_three_loggers_are_three_pairs_and_tell_a_side_pipe_from_the_main(street: PipeNetwork) -> None:
    fix = located(street, Night(leak=("S1", 25), sensors=("V1", "V2", "H3")))
    assert [(p.logger_a, p.logger_b) for p in fix.pairs] == [("L1", "L2"), ("L1", "L3"), ("L2", "L3")]
    # tee rule: Thornton, Sturm and Kunkel (2008), Fig. 16.11: the pair on the main hears it at the tee
    main, side_1, side_2 = (float(p.position_m[np.argmax(p.density_per_m)]) for p in fix.pairs)
    assert main == pytest.approx(80, abs=GOOD_HIT_M)
    assert side_1 == pytest.approx(105, abs=GOOD_HIT_M)
    assert side_2 == pytest.approx(65, abs=GOOD_HIT_M)
    # all three together say that it is on the side pipe
    best = fix.candidates[0]
    assert best.pipe_id == "S1"
    assert best.from_a_m == pytest.approx({"V1": 105, "V2": 65}[best.sensor_a], abs=GOOD_HIT_M)
    assert best.probability > 0.9
    assert [one.rank for one in fix.candidates] == list(range(1, len(fix.candidates) + 1))
    probabilities = [one.probability for one in fix.candidates]
    assert probabilities == sorted(probabilities, reverse=True)
    assert len({one.candidate_id for one in fix.candidates}) == len(fix.candidates)


@pytest.mark.parametrize(("sensors", "looked"), [(("V1", "V2"), True), (("V1", "V2", "H3"), False)])
def test_what_is_left_beside_the_first_is_worked_out_for_a_pair_alone(
    street: PipeNetwork, sensors: tuple[str, ...], looked: bool
) -> None:
    # of several loggers a second leak is weighed on the map: nobody would look at it
    fix = located(street, Night(leak=("M1", 340.0), sensors=sensors))
    [evidence, *_] = next(pair for pair in fix.pairs if pair.outcome == "between").evidence
    assert (evidence.beside is not None) == looked


@pytest.mark.parametrize("burst_db", [10.0, 20.0])
def test_usage_in_one_round_is_not_a_strong_leak(street: PipeNetwork, burst_db: float) -> None:
    fix = located(street, Night(leak=None, burst_db=burst_db))
    assert all(one.probability < 0.5 for one in fix.candidates)
    assert only_pair(fix).probability_between < 0.5


@pytest.mark.parametrize("burst_db", [10.0, 20.0])
def test_usage_in_the_only_round_is_not_strong_and_says_why(street: PipeNetwork, burst_db: float) -> None:
    once = located(street, Night(leak=None, burst_db=burst_db, rounds=1))
    # heard once, usage looks like a leak: it stays below what is called strong, and says why
    assert once.candidates[0].probability < 0.9
    assert "one round only" in once.candidates[0].note


@pytest.mark.parametrize(("main", "into_m", "from_a_m"), [("M1", 345, 45), ("M2", 20, 90)])
def test_iron_with_plastic_between(make_network: Maker, main: str, into_m: float, from_a_m: float) -> None:
    mains = {"M1": [(-300, 0), (70, 0)], "M2": [(70, 0), (110, 0)], "M3": [(110, 0), (420, 0)]}
    plastic = {"material": "pvc", "diameter_mm": 160.0, "wave_speed_m_s": 480.0}
    network = make_network(
        mains, {"V1": (0, 0), "V2": (120, 0)}, speed_m_s=1250.0, attributes={"M2": plastic}
    )
    fix = located(network, Night(leak=(main, into_m)))
    one = fix.candidates[0]
    assert one.from_a_m == pytest.approx(from_a_m, abs=GOOD_HIT_M)
    assert one.pipe_id == main
    # the plastic carries high frequencies faster, which is taken out and said
    assert any("the speed changes with frequency" in note for note in only_pair(fix).notes)
    assert one.low_m < from_a_m < one.high_m


@pytest.mark.parametrize("seed", [7, 11])
def test_speeds_from_tables_keep_the_leak_inside_the_stretch(seed: int) -> None:
    # the true speeds differ from the tables by 3 % of a material and 1 % of a main
    rng = np.random.default_rng(seed)
    scenario = random_street(rng, material_mix="metal", length_range_m=(60, 150))
    leak = leak_between(scenario, rng, margin_m=15)
    rounds = simulate_survey(
        scenario.network,
        sensors=pair_of_sensors(scenario, rng, clock_sd_s=1e-4),
        leak=leak.source,
        conditions=Conditions(duration_s=6.0),
        rng=rng,
        speeds=draw_speeds(scenario.network, rng, common_sd=0.03, pipe_sd=0.01),
    )
    fix = locate_survey(scenario.network, as_recordings(rounds, clock_sd_s=1e-4))
    (one,) = [candidate for candidate in fix.candidates if candidate.in_bracket]
    assert one.low_m < leak.from_a_m < one.high_m
    assert any("3 °C" in note for note in only_pair(fix).notes)


def with_rounds(recordings: SurveyRecordings, *members: Sequence[int]) -> SurveyRecordings:
    """Keep some recordings of each round."""
    rounds = tuple(
        replace(one, recordings=tuple(one.recordings[i] for i in keep), samples=one.samples[list(keep)])
        for one, keep in zip(recordings.rounds, members, strict=True)
    )
    return replace(recordings, rounds=rounds)


def test_pair_uses_the_rounds_in_which_both_recorded(street: PipeNetwork) -> None:
    night = Night(leak=("S1", 25), sensors=("V1", "V2", "H3"))
    recordings = with_rounds(as_recordings(simulated(street, night)), (0, 1), (0, 2))
    fix = locate_survey(street, recordings)
    assert {(p.logger_a, p.logger_b): len(p.evidence) for p in fix.pairs} == {
        ("L1", "L2"): 1,
        ("L1", "L3"): 1,
    }
    assert any("clock_sd_ms is not in the table" in note for note in fix.notes)


def test_no_round_in_common_is_refused(street: PipeNetwork) -> None:
    night = Night(leak=("S1", 25), sensors=("V1", "V2", "H3"))
    recordings = with_rounds(as_recordings(simulated(street, night)), (0,), (1,))
    with pytest.raises(PositionError, match="no round in which two loggers within reach"):
        locate_survey(street, recordings)


def test_pairs_out_of_reach_are_noted_and_the_others_located(street: PipeNetwork) -> None:
    night = Night(leak=("S1", 25), sensors=("V1", "V2", "H3"))
    fix = located(street, night, reach_m=125.0)
    assert [(p.logger_a, p.logger_b) for p in fix.pairs] == [("L1", "L2"), ("L2", "L3")]
    (note,) = fix.notes
    assert note == "L1 and L3 were not compared: 140 m apart along the main, reach is 125 m"


def test_pairs_left_out_by_screening_are_named(street: PipeNetwork, monkeypatch: pytest.MonkeyPatch) -> None:
    def all_but_one(planned: Sequence[Any], prepared: Any) -> tuple[Any, Any, str]:
        last = planned[-1]
        left_out = LeftOut(last.a.logger, last.b.logger, last.a.fitting, last.b.fitting, "nothing in common")
        return list(planned[:-1]), (left_out,), "1 of 3 pairs were left out"

    monkeypatch.setattr("netcorr.position.survey.worth_comparing", all_but_one)
    fix = located(street, Night(leak=("S1", 25), sensors=("V1", "V2", "H3")))
    assert [(p.logger_a, p.logger_b) for p in fix.pairs] == [("L1", "L2"), ("L1", "L3")]
    assert [(one.sensor_a, one.sensor_b) for one in fix.left_out] == [("V2", "H3")]
    assert "1 of 3 pairs were left out" in fix.notes


def test_only_pair_out_of_reach_is_refused(street: PipeNetwork) -> None:
    with pytest.raises(PositionError, match=r"no two loggers to compare \(L1 and L2 .* reach is 50 m\)"):
        located(street, Night(leak=("M1", 345)), reach_m=50.0)


@pytest.fixture(scope="module")
def islands(make_network: Maker) -> PipeNetwork:
    mains = MAINS | {"X1": [(0, 500), (200, 500)]}
    made: PipeNetwork = make_network(mains, FITTINGS | {"V5": (100, 500)}, speed_m_s=1250.0)
    return made


def at_fittings(recordings: SurveyRecordings, *fittings: str) -> SurveyRecordings:
    """The same sounds as if recorded elsewhere."""
    rounds = tuple(
        replace(
            one,
            recordings=tuple(
                replace(r, deployment=replace(r.deployment, fitting=fitting))
                for r, fitting in zip(one.recordings, fittings, strict=True)
            ),
        )
        for one in recordings.rounds
    )
    return replace(recordings, rounds=rounds)


def test_loggers_on_pipes_that_do_not_meet(islands: PipeNetwork, street: PipeNetwork) -> None:
    three = as_recordings(simulated(street, Night(leak=("S1", 25), sensors=("V1", "V2", "H3"))))
    fix = locate_survey(islands, at_fittings(three, "V1", "V2", "V5"))
    assert [(p.logger_a, p.logger_b) for p in fix.pairs] == [("L1", "L2")]
    apart = [note for note in fix.notes if "were not compared" in note]
    assert [note[:9] for note in apart] == ["L1 and L3", "L2 and L3"]
    two = as_recordings(simulated(street, Night(leak=("M1", 345))))
    with pytest.raises(NoPathError, match=r"V1.*V5"):
        locate_survey(islands, at_fittings(two, "V1", "V5"))


def test_two_fittings_at_one_place_do_not_stop_the_others(street: PipeNetwork) -> None:
    three = as_recordings(simulated(street, Night(leak=("S1", 25), sensors=("V1", "V2", "H3"))))
    fix = locate_survey(street, at_fittings(three, "V1", "V2", "V4"))
    assert [(p.logger_a, p.logger_b) for p in fix.pairs] == [("L1", "L2"), ("L1", "L3")]
    assert any("L2 and L3 were not compared" in note and "same place" in note for note in fix.notes)
    two = as_recordings(simulated(street, Night(leak=("M1", 345))))
    with pytest.raises(PathError, match="same place"):
        locate_survey(street, at_fittings(two, "V2", "V4"))


class Told:
    """Feedback that remembers, and asks to stop from a given fraction on."""

    def __init__(self, stop_at: float = 2.0) -> None:
        self.stop_at, self.fractions = stop_at, [0.0]

    def progress(self, fraction: float, message: str = "") -> None:
        self.fractions.append(fraction)

    def message(self, text: str) -> None:
        raise AssertionError(text)

    @property
    def cancelled(self) -> bool:
        return self.fractions[-1] >= self.stop_at


def test_progress_rises_to_one(street: PipeNetwork) -> None:
    told = Told()
    locate_survey(street, as_recordings(simulated(street, Night(leak=("M1", 345)))), feedback=told)
    assert told.fractions == sorted(told.fractions)
    assert told.fractions[-1] == 1.0


@pytest.mark.parametrize("stop_at", [0.0, 0.5])
def test_cancelled(street: PipeNetwork, stop_at: float) -> None:
    told = Told(stop_at)
    with pytest.raises(CancelledError):
        locate_survey(street, as_recordings(simulated(street, Night(leak=("M1", 345)))), feedback=told)
    assert stop_at <= told.fractions[-1] < 1
