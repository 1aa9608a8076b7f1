"""A second leak between the sensors is told beside the first; an echo that the map explains is none."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.delay import DelayEvidence
from netcorr.delay.evidence import BesideEvidence
from netcorr.network import PipeNetwork
from netcorr.position import LocateSettings, PairFix, PathTimes, locate_survey, pair_posterior
from netcorr.position.echoes import PathEchoes
from netcorr.position.fix import BESIDE_NOTE
from netcorr.position.second import SecondSource, second_source
from netcorr.rehearsal.hand_over import as_recordings
from netcorr.simulation import (
    Conditions,
    LeakSource,
    OutsideSource,
    SensorSetup,
    place_on_pipe,
    simulate_survey,
)

Maker = Callable[..., Any]
SETTINGS = LocateSettings()


@pytest.fixture(scope="module")
def times(make_times: Maker) -> PathTimes:
    made: PathTimes = make_times(100.0)
    return made


def delay_of(times: PathTimes, at_m: float) -> float:
    return float(np.interp(at_m, times.position_m, times.delay_s))


def plain(times: PathTimes) -> PathEchoes:
    return PathEchoes(times.delay_s[None, :], np.ones((1, times.position_m.size)))


def with_echo(times: PathTimes, detour_s: float, strength: float) -> PathEchoes:
    """Every place has one echo more at B."""
    return PathEchoes(
        np.stack([times.delay_s, times.delay_s + detour_s]),
        np.stack([np.ones(times.position_m.size), np.full(times.position_m.size, strength)]),
    )


@pytest.fixture(scope="module")
def heard(times: PathTimes, make_evidence: Maker) -> Maker:
    """A round with a first source, and what is left of it: places from A with evidence, and a strength."""

    def made(
        first_m: float,
        left: dict[float, float],
        *,
        strength: float = 0.8,
        repeated: float = 0.05,
        number: int = 1,
    ) -> DelayEvidence:
        one: DelayEvidence = make_evidence(times, {delay_of(times, first_m): 80.0}, round_number=number)
        peaks = {delay_of(times, at_m): height for at_m, height in left.items()}
        beside = make_evidence(times, peaks)
        shape = sum(
            (strength * np.exp(-0.5 * ((one.delay_s - at_s) / 5e-4) ** 2) for at_s in peaks),
            np.zeros(one.delay_s.size),
        )
        again = np.full(one.delay_s.size, repeated)
        return replace(one, beside=BesideEvidence(one.peak_delay_s, beside.log_likelihood, shape, again))

    return made


def look(times: PathTimes, rounds: list[DelayEvidence], echoes: PathEchoes) -> SecondSource | None:
    first = pair_posterior(times, rounds, settings=SETTINGS)
    return second_source(first, times, rounds, echoes=echoes, settings=SETTINGS)


def told(second: SecondSource | None) -> float:
    return 0.0 if second is None else second.probability


def best_m(times: PathTimes, second: SecondSource | None) -> float:
    assert second is not None
    return float(times.position_m[np.argmax(second.density_per_m)])


def test_what_both_rounds_have_left_is_a_second_leak(times: PathTimes, heard: Maker) -> None:
    second = look(times, [heard(30.0, {75.0: 25.0})] * 2, plain(times))
    assert told(second) > 0.9
    assert best_m(times, second) == pytest.approx(75.0, abs=0.2)
    assert second is not None
    assert np.trapezoid(second.density_per_m, times.position_m) == pytest.approx(1)


def test_what_one_round_has_left_may_be_usage(times: PathTimes, heard: Maker) -> None:
    assert told(look(times, [heard(30.0, {75.0: 25.0}), heard(30.0, {})], plain(times))) < 0.3
    # a single round cannot tell at all
    assert look(times, [heard(30.0, {75.0: 25.0})], plain(times)) is None


def test_an_echo_that_the_map_explains_is_no_leak(times: PathTimes, heard: Maker) -> None:
    rounds = [heard(30.0, {75.0: 25.0})] * 2
    detour_s = delay_of(times, 75.0) - delay_of(times, 30.0)
    assert told(look(times, rounds, with_echo(times, detour_s, 0.8))) < 0.1
    # one elsewhere explains nothing of it
    assert told(look(times, rounds, with_echo(times, -detour_s / 3, 0.4))) > 0.8


def test_what_is_faint_beside_the_first_may_be_an_echo_that_the_map_does_not_show(
    times: PathTimes, heard: Maker
) -> None:
    loud, faint = (
        told(look(times, [heard(30.0, {75.0: 25.0}, strength=s)] * 2, plain(times))) for s in (0.8, 0.1)
    )
    assert faint < 0.05 < 0.9 < loud


def test_an_echo_turned_over_is_no_leak(times: PathTimes, heard: Maker) -> None:
    # a second leak reaches both sensors with the same sign as the first
    assert told(look(times, [heard(30.0, {75.0: 25.0}, strength=-0.8)] * 2, plain(times))) < 0.05


def test_without_a_first_there_is_no_second(times: PathTimes, heard: Maker, make_evidence: Maker) -> None:
    silent = [make_evidence(times, {}, floor=-4.0)] * 2
    assert look(times, silent, plain(times)) is None
    # nor beside a noise from beyond a sensor
    assert look(times, [heard(0.0, {75.0: 25.0})] * 2, plain(times)) is None


def test_a_round_that_hears_another_source_louder_counts_for_the_others(
    times: PathTimes, heard: Maker
) -> None:
    # in the second round the first is not the loudest: what it hears best is the second
    rounds = [heard(30.0, {75.0: 25.0}), heard(30.0, {75.0: 25.0}), heard(75.0, {30.0: 40.0})]
    first = pair_posterior(times, rounds[:2], settings=SETTINGS)
    second = second_source(first, times, rounds, echoes=plain(times), settings=SETTINGS)
    assert told(second) > 0.9
    assert best_m(times, second) == pytest.approx(75.0, abs=0.2)


def test_what_a_recording_repeats_is_an_echo(times: PathTimes, heard: Maker) -> None:
    own, echo = (
        told(look(times, [heard(30.0, {75.0: 60.0}, strength=0.4, repeated=r)] * 2, plain(times)))
        for r in (0.04, 0.4)
    )
    assert echo < 0.2 < 0.8 < own


def test_of_several_peaks_the_one_that_is_not_repeated_is_the_leak(times: PathTimes, heard: Maker) -> None:
    # the echo at 60 m is the louder one
    one = heard(30.0, {60.0: 80.0, 85.0: 40.0}, strength=0.5)
    at_echo = np.abs(one.delay_s - delay_of(times, 60.0)) < 2e-3
    beside = replace(one.beside, repeated=np.where(at_echo, 0.5, 0.05))
    second = look(times, [replace(one, beside=beside)] * 2, plain(times))
    assert told(second) > 0.8
    assert best_m(times, second) == pytest.approx(85.0, abs=0.2)


def test_rounds_none_of_which_has_the_first_do_not_tell(times: PathTimes, heard: Maker) -> None:
    first = pair_posterior(times, [heard(30.0, {})] * 2, settings=SETTINGS)
    others = [heard(60.0, {75.0: 25.0})] * 2
    assert second_source(first, times, others, echoes=plain(times), settings=SETTINGS) is None


@given(first_m=st.floats(10.0, 40.0), second_m=st.floats(55.0, 92.0), strength=st.floats(0.5, 1.0))
@settings(max_examples=15, deadline=None)
def test_it_lies_where_it_is_and_the_order_of_rounds_does_not_matter(
    times: PathTimes, heard: Maker, first_m: float, second_m: float, strength: float
) -> None:
    rounds = [
        heard(first_m, {second_m: height}, strength=strength, number=n)
        for n, height in enumerate((18.0, 25.0, 30.0), 1)
    ]
    one, other = (look(times, order, plain(times)) for order in (rounds, rounds[::-1]))
    assert best_m(times, one) == pytest.approx(second_m, abs=0.2)
    assert told(one) == pytest.approx(told(other))


#: Iron street with stated speeds: V1 at 0, V2 at 120 m; a side main of twice the bore at 80 m.
MAINS = {"M1": [(-300, 0), (80, 0)], "M2": [(80, 0), (420, 0)]}
BRANCH = {"S1": [(80, 0), (80, 300)]}
FITTINGS = {"V1": (0, 0), "V2": (120, 0)}


@functools.cache
def located(network: PipeNetwork, leak_m: float, second_m: float | None) -> PairFix:
    """Leaks on M1, metres from V1, simulated by the wave solver and located."""
    other = (
        ()
        if second_m is None
        else (OutsideSource(place_on_pipe(network, "M1", into_m=300 + second_m), level_db=6.0),)
    )
    rounds = simulate_survey(
        network,
        sensors=[SensorSetup(logger="L1", fitting="V1"), SensorSetup(logger="L2", fitting="V2")],
        leak=LeakSource(place_on_pipe(network, "M1", into_m=300 + leak_m)),
        conditions=Conditions(snr_db=3.0, duration_s=6.0, outside=other),
        rng=np.random.default_rng(20260302),
    )
    (pair,) = locate_survey(network, as_recordings(rounds, clock_sd_s=1e-4)).pairs
    return pair


def test_two_simulated_leaks_are_two_candidates(make_network: Maker) -> None:
    pair = located(make_network(MAINS, FITTINGS, speed_m_s=1250.0), 25.0, 70.0)
    inside = [one for one in pair.candidates if one.in_bracket and one.probability > 0.5]
    assert sorted(one.from_a_m for one in inside) == pytest.approx([25.0, 70.0], abs=0.9)
    assert sum(BESIDE_NOTE in one.note for one in inside) == 1


def test_one_simulated_leak_with_a_strong_echo_is_one_candidate(make_network: Maker) -> None:
    network = make_network(
        MAINS | BRANCH, FITTINGS, speed_m_s=1250.0, attributes={"S1": {"diameter_mm": 300.0}}
    )
    pair = located(network, 40.0, None)
    # the tee throws back more than half of the pressure, so a second delay is there to be seen
    assert max(float(one.beside.log_likelihood.max()) for one in pair.evidence if one.beside) > 20
    (only,) = [one for one in pair.candidates if one.in_bracket and one.probability > 0.3]
    assert only.from_a_m == pytest.approx(40.0, abs=0.9)


def test_one_simulated_leak_on_a_plain_main_is_one_candidate(make_network: Maker) -> None:
    pair = located(make_network(MAINS, FITTINGS, speed_m_s=1250.0), 25.0, None)
    (only,) = pair.candidates
    assert only.from_a_m == pytest.approx(25.0, abs=0.9)
    assert BESIDE_NOTE not in only.note
