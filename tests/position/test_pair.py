"""One pair: speeds from the map, the four answers, and what is said about them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from netcorr.errors import PositionError, SpeedError
from netcorr.network import PipeNetwork
from netcorr.path import CorrelationPath, correlation_path
from netcorr.position import LocateSettings, PairFix, PathTimes, locate_pair, path_speeds, path_times
from netcorr.position.pair import NO_PLACE, NOTHING_LEARNT
from netcorr.speed import pipe_wave_speed
from netcorr.speed.wave_speed import WaveSpeed

Maker = Callable[..., Any]
SETTINGS = LocateSettings()
MAINS = {"M1": [(-50, 0), (60, 0)], "M2": [(60, 0), (140, 0)]}
FITTINGS = {"V1": (0, 0), "V2": (110, 0)}


@pytest.fixture(scope="module")
def network(make_network: Maker) -> PipeNetwork:
    made: PipeNetwork = make_network(MAINS, FITTINGS)
    return made


@pytest.fixture(scope="module")
def path(network: PipeNetwork) -> CorrelationPath:
    return correlation_path(network, "V1", fitting_b="V2")


@pytest.fixture(scope="module")
def speeds(path: CorrelationPath) -> tuple[WaveSpeed, ...]:
    return path_speeds(path, settings=SETTINGS)


@pytest.fixture(scope="module")
def times(path: CorrelationPath, speeds: tuple[WaveSpeed, ...]) -> PathTimes:
    return path_times(path, speeds, settings=SETTINGS, clock_sd_s=1e-4)


@pytest.fixture(scope="module")
def locate(
    network: PipeNetwork,
    path: CorrelationPath,
    speeds: tuple[WaveSpeed, ...],
    times: PathTimes,
    make_evidence: Maker,
) -> Callable[..., PairFix]:
    def of(*peaks_of_rounds: dict[float, float], on: CorrelationPath = path, **more: Any) -> PairFix:
        rounds = [
            make_evidence(times, peaks, round_number=n, **more) for n, peaks in enumerate(peaks_of_rounds, 1)
        ]
        return locate_pair(on, rounds, times=times, speeds=speeds, network=network, settings=SETTINGS)

    return of


def at(times: PathTimes, place_m: float) -> float:
    return float(np.interp(place_m, times.position_m, times.delay_s))


def test_speed_of_every_segment_is_that_of_its_pipe(
    path: CorrelationPath, speeds: tuple[WaveSpeed, ...]
) -> None:
    assert [segment.pipe_id for segment in path.segments] == ["M1", "M2"]
    expected = pipe_wave_speed("grey_iron", 150.0, year=1950.0, temperature_c=10.0, temperature_sd_c=3.0)
    assert [speed.speed_m_s for speed in speeds] == [expected.speed_m_s] * 2
    assert speeds[0].group == speeds[1].group


def test_what_the_map_assumed_is_said_and_widens_the_spread(path: CorrelationPath) -> None:
    said = "material grey_iron from 3 of 4 neighbours"
    guessed = replace(
        path, segments=(replace(path.segments[0], assumed=said, could_be=None), *path.segments[1:])
    )
    sure, unsure = (path_speeds(one, settings=SETTINGS)[0] for one in (path, guessed))
    assert unsure.speed_m_s == sure.speed_m_s
    assert unsure.pipe_sd_m_s == pytest.approx(math.hypot(sure.pipe_sd_m_s, 0.08 * sure.speed_m_s))
    assert unsure.assumptions[0].startswith(f"{said}: so its speed may be off by ")
    assert unsure.assumptions[1:] == sure.assumptions
    measured = replace(guessed, segments=tuple(replace(s, wave_speed_m_s=1200.0) for s in guessed.segments))
    assert not any(said in text for text in path_speeds(measured, settings=SETTINGS)[0].assumptions)


def test_measured_speed_is_used_as_it_is(make_network: Maker) -> None:
    network = make_network(MAINS, FITTINGS, attributes={"M2": {"wave_speed_m_s": 1111.0}})
    found = path_speeds(correlation_path(network, "V1", fitting_b="V2"), settings=SETTINGS)
    assert found[1].speed_m_s == 1111.0
    assert found[0].speed_m_s != 1111.0
    assert found[0].group != found[1].group


def test_warmer_water_is_faster(path: CorrelationPath) -> None:
    cold, warm = (path_speeds(path, settings=LocateSettings(temperature_c=c))[0] for c in (5.0, 20.0))
    # open water: 1426.2 and 1482.3 m/s (Marczak 1997); the wall of iron takes some of the difference
    assert 1.02 < warm.speed_m_s / cold.speed_m_s < 1482.3 / 1426.2


def test_pipe_without_material_is_named(make_network: Maker) -> None:
    unknown = {"material": None, "material_text": "XYZ"}
    network = make_network(MAINS, FITTINGS, attributes={"M2": unknown})
    path = correlation_path(network, "V1", fitting_b="V2")
    with pytest.raises(SpeedError, match=r"town\.gpkg, pipe M2 \(material on the map: 'XYZ'\)"):
        path_speeds(path, settings=SETTINGS, source=network.source)


def test_pipe_without_diameter_is_named(make_network: Maker) -> None:
    network = make_network(MAINS, FITTINGS, attributes={"M1": {"diameter_mm": math.nan}})
    path = correlation_path(network, "V1", fitting_b="V2")
    with pytest.raises(SpeedError, match=r"the map, pipe M1"):
        path_speeds(path, settings=SETTINGS)


def test_leak_between(locate: Callable[..., PairFix], times: PathTimes) -> None:
    fix = locate({at(times, 40.0): 25.0}, {at(times, 40.0): 25.0})
    assert fix.outcome == "between"
    assert fix.probability_between > 0.98
    assert [one.outcome for one in fix.candidates] == ["between"]
    assert fix.candidates[0].from_a_m == pytest.approx(40, abs=0.2)
    assert (fix.logger_a, fix.logger_b) == ("L1", "L2")
    assert fix.travel_time_s == pytest.approx(110 / fix.speeds[0].speed_m_s)
    assert len(fix.evidence) == 2
    assert fix.position_m.shape == fix.density_per_m.shape
    assert fix.budget is not None
    assert NO_PLACE not in fix.notes


@pytest.mark.parametrize(("end", "outcome"), [(0, "at or beyond A"), (-1, "at or beyond B")])
def test_source_beyond(locate: Callable[..., PairFix], times: PathTimes, end: int, outcome: str) -> None:
    peak = {float(times.delay_s[end]): 25.0}
    fix = locate(peak, peak)
    assert fix.outcome == outcome
    assert fix.candidates[0].outcome == outcome


def test_silence(locate: Callable[..., PairFix]) -> None:
    fix = locate({}, {}, floor=-4.0)
    assert fix.outcome == "no leak heard"
    assert fix.probability_none > 0.9
    assert fix.candidates == ()
    assert fix.notes == tuple(note for note in fix.notes if note != NO_PLACE)


def test_recordings_that_say_nothing_teach_nothing(locate: Callable[..., PairFix]) -> None:
    fix = locate({}, {}, floor=0.0)
    assert fix.outcome == "nothing learnt"
    # what stands there is what was assumed before, and no place follows from it
    assert fix.probability_between == pytest.approx(SETTINGS.prior_between, abs=0.01)
    assert fix.candidates == ()
    assert NOTHING_LEARNT in fix.notes
    # a little that speaks against a leak is something
    silence = locate({}, {}, floor=-0.5)
    assert silence.outcome == "no leak heard"
    assert NOTHING_LEARNT not in silence.notes


def test_probabilities_are_those_of_four_answers(locate: Callable[..., PairFix], times: PathTimes) -> None:
    for peaks in ({at(times, 2.0): 12.0}, {at(times, 70.0): 6.0}):
        fix = locate(peaks, peaks)
        four = {
            "between": fix.probability_between,
            "at or beyond A": fix.probability_beyond_a,
            "at or beyond B": fix.probability_beyond_b,
            "no leak heard": fix.probability_none,
        }
        assert sum(four.values()) == pytest.approx(1)
        assert max(four, key=lambda name: four[name]) == fix.outcome
        assert sum(one.probability for one in fix.candidates) <= 1 - fix.probability_none + 1e-9


def test_place_that_cannot_be_named_is_said(
    network: PipeNetwork, path: CorrelationPath, speeds: tuple[WaveSpeed, ...], make_evidence: Maker
) -> None:
    # clocks to 40 ms: a leak is heard, anywhere on 110 m
    times = path_times(path, speeds, settings=SETTINGS, clock_sd_s=0.04)
    evidence = [make_evidence(times, {0.0: 25.0}, step_s=5e-4, sd_s=1e-3)] * 2
    fix = locate_pair(path, evidence, times=times, speeds=speeds, network=network, settings=SETTINGS)
    assert fix.probability_between > 0.5
    assert not any(one.in_bracket for one in fix.candidates)
    assert NO_PLACE in fix.notes


def test_assumptions_are_noted_once_for_each_pipe(locate: Callable[..., PairFix]) -> None:
    fix = locate({}, {})
    assumed = [note for note in fix.notes if note.startswith(("M1: ", "M2: "))]
    assert len(assumed) == len(set(assumed)) == sum(len(speed.assumptions) for speed in fix.speeds)
    assert any("10 ± 3" in note for note in assumed)  # the water that was assumed


def test_notes_of_the_evidence_name_their_round(locate: Callable[..., PairFix]) -> None:
    fix = locate({}, {}, notes=("hum was removed",))
    assert {"round 1: hum was removed", "round 2: hum was removed"} <= set(fix.notes)


def test_second_way_is_noted(locate: Callable[..., PairFix], path: CorrelationPath) -> None:
    fix = locate({}, {}, on=replace(path, second_length_m=118.0))
    assert any(
        "a second way of 118 m joins the sensors beside the one of 110 m" in note for note in fix.notes
    )
    assert not any("second way" in note for note in locate({}, {}).notes)


def test_rounds_that_disagree_are_noted(locate: Callable[..., PairFix], times: PathTimes) -> None:
    one, other = at(times, 40.0), at(times, 80.0)
    fix = locate({one: 25.0}, {other: 25.0})
    note = f"the rounds disagree: their strongest delays are {one * 1000:+.2f} ms, {other * 1000:+.2f} ms"
    assert note in fix.notes
    agree = [locate({one: 25.0}, {one + 1e-5: 25.0}), locate({one: 25.0}), locate({one: 25.0}, {})]
    faint = locate({one: 25.0}, {other: 25.0}, significance=0.3)
    assert not any("disagree" in note for fix in (*agree, faint) for note in fix.notes)


def test_swapping_the_sensors_gives_the_same_place(
    network: PipeNetwork, make_evidence: Maker, locate: Callable[..., PairFix], times: PathTimes
) -> None:
    back = correlation_path(network, "V2", fitting_b="V1")
    speeds = path_speeds(back, settings=SETTINGS)
    back_times = path_times(back, speeds, settings=SETTINGS, clock_sd_s=1e-4)
    evidence = [make_evidence(back_times, {-at(times, 40.0): 25.0})] * 2
    turned = locate_pair(
        back, evidence, times=back_times, speeds=speeds, network=network, settings=SETTINGS
    ).candidates[0]
    here = locate({at(times, 40.0): 25.0}, {at(times, 40.0): 25.0}).candidates[0]
    assert (turned.from_b_m, turned.from_a_m) == pytest.approx((here.from_a_m, here.from_b_m), abs=0.06)
    assert turned.point.distance(here.point) < 0.06
    assert turned.probability == pytest.approx(here.probability, abs=0.005)
    assert turned.pipe_id == here.pipe_id


def test_no_evidence_is_refused(
    network: PipeNetwork, path: CorrelationPath, speeds: tuple[WaveSpeed, ...], times: PathTimes
) -> None:
    with pytest.raises(PositionError, match="no round with evidence"):
        locate_pair(path, [], times=times, speeds=speeds, network=network, settings=SETTINGS)
