"""Rounds with a known noise: told from those to search, and what they hand on to them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from netcorr.errors import NetworkError, PositionError
from netcorr.feedback import NoFeedback
from netcorr.network import PipeNetwork
from netcorr.position import LocateSettings, locate_survey, path_speeds
from netcorr.position.known_rounds import learn_from_known, split_rounds
from netcorr.position.planned import KnownClocks, plan_pairs
from netcorr.position.sites import Site, find_sites
from netcorr.position.taught import Taught
from netcorr.recordings import SurveyRecordings
from netcorr.recordings.recording import Round
from netcorr.rehearsal.hand_over import as_recordings
from netcorr.simulation import (
    Conditions,
    LeakSource,
    SensorSetup,
    TrueSpeeds,
    place_on_pipe,
    simulate_survey,
)
from netcorr.speed import Calibration, SpeedScale

Maker = Callable[..., Any]
#: Pipes carry the noise 3 % more slowly than the tables say; the clock of L3 is 1.5 ms fast.
TRUE_SCALE, FAST_S = 0.97, 0.0015
MAINS = {
    "M1": [(-200, 0), (0, 0)],
    "M2": [(0, 0), (90, 0)],
    "M3": [(90, 0), (170, 0)],
    "M4": [(170, 0), (500, 0)],
}
FITTINGS = {"H1": (-40, 0), "V1": (0, 0), "V2": (90, 0), "V3": (170, 0), "V4": (90, 0.05)}


@pytest.fixture(scope="module")
def street(make_network: Maker) -> PipeNetwork:
    attributes = {name: {"material": "ductile_iron", "year": 1985.0} for name in MAINS}
    made: PipeNetwork = make_network(MAINS, FITTINGS, attributes=attributes)
    return made


@pytest.fixture(scope="module")
def recorded(street: PipeNetwork) -> SurveyRecordings:
    """One round of a tap at H1, two of a leak 25 m from V1."""
    rounds = [
        one
        for main, into_m, numbers in (("M1", 160.0, (1,)), ("M2", 25.0, (2, 3)))
        for one in simulate_survey(
            street,
            sensors=[
                SensorSetup(f"L{k}", f"V{k}", clock_error_s=FAST_S if k == 3 else 0.0) for k in (1, 2, 3)
            ],
            leak=LeakSource(place_on_pipe(street, main, into_m=into_m)),
            conditions=Conditions(snr_db=6.0, duration_s=6.0),
            speeds=TrueSpeeds(by_material={"ductile_iron": TRUE_SCALE}),
            rng=np.random.default_rng(11),
            rounds=numbers,
        )
    ]
    return as_recordings(rounds, clock_sd_s=0.001)


def with_noise(one: Round, *fittings: str | None) -> Round:
    """The round with known noises in its rows, in turn."""
    recordings = tuple(
        replace(recording, deployment=replace(recording.deployment, known_noise=fittings[k % len(fittings)]))
        for k, recording in enumerate(one.recordings)
    )
    return replace(one, recordings=recordings)


def survey(recorded: SurveyRecordings, fitting: str) -> SurveyRecordings:
    first, *others = recorded.rounds
    return replace(recorded, rounds=(with_noise(first, fitting), *others))


def taught_by(street: PipeNetwork, recordings: SurveyRecordings, settings: LocateSettings) -> Taught:
    sites = find_sites(street, recordings.rounds, settings=settings)
    _, known = split_rounds(street, recordings.rounds)
    return learn_from_known(street, sites, known, settings=settings, feedback=NoFeedback())


def test_rounds_are_told_apart(street: PipeNetwork, recorded: SurveyRecordings) -> None:
    searched, known = split_rounds(street, survey(recorded, "H1").rounds)
    assert [one.number for one in searched] == [2, 3]
    assert [(one.number, fitting) for one, fitting in known] == [(1, "H1")]
    assert split_rounds(street, recorded.rounds) == (recorded.rounds, ())


def test_one_row_is_enough(street: PipeNetwork, recorded: SurveyRecordings) -> None:
    one = with_noise(recorded.rounds[0], None, "H1")
    _, [(_, fitting)] = split_rounds(street, [one])
    assert fitting == "H1"


def test_two_noises_at_once_are_refused(street: PipeNetwork, recorded: SurveyRecordings) -> None:
    one = with_noise(recorded.rounds[0], "H1", "V4")
    with pytest.raises(PositionError, match=r"round 1, column known_noise: H1 and V4.*one noise at a time"):
        split_rounds(street, [one])


def test_a_fitting_that_is_not_there_is_refused(street: PipeNetwork, recorded: SurveyRecordings) -> None:
    with pytest.raises(NetworkError, match="fitting H9: no fitting has this id"):
        split_rounds(street, [with_noise(recorded.rounds[0], "H9")])


def test_without_a_known_noise_nothing_changes(street: PipeNetwork, recorded: SurveyRecordings) -> None:
    settings = LocateSettings()
    taught = taught_by(street, recorded, settings)
    assert (taught.settings, taught.scales, taught.notes) == (settings, (), ())


def test_speed_and_clock_of_a_survey(street: PipeNetwork, recorded: SurveyRecordings) -> None:
    taught = taught_by(street, survey(recorded, "H1"), LocateSettings())
    [scale] = taught.scales
    assert scale.scale == pytest.approx(TRUE_SCALE, abs=2.5 * scale.scale_sd)
    assert scale.source == "a known noise at H1"
    assert not scale.same_day  # the next survey has other water
    assert taught.settings.calibration is not None
    assert taught.settings.calibration.scales[0].same_day
    offset_s, sd_s = taught.clocks.between["L2", "L3"]
    assert offset_s == pytest.approx(FAST_S, abs=2.5 * sd_s)
    assert sd_s < 0.001 * 2**0.5  # as stated: beside what is learned of it, each round has its own


def test_mains_are_known_better_than_their_material(street: PipeNetwork, recorded: SurveyRecordings) -> None:
    sure = replace(recorded, rounds=tuple(_with_clocks(one, 5e-5) for one in recorded.rounds))
    before = LocateSettings()
    taught = taught_by(street, survey(sure, "H1"), before)
    assert "M2" in taught.settings.main_speeds
    sites = find_sites(street, sure.rounds, settings=before)
    [pair, *_] = plan_pairs(street, sites, settings=taught.settings)[0]
    [table] = path_speeds(pair.path, settings=before)
    [speed] = pair.speeds
    assert speed.speed_m_s == pytest.approx(TRUE_SCALE * table.speed_m_s, rel=0.01)
    assert speed.common_sd_m_s == 0.0
    assert speed.pipe_sd_m_s < 0.5 * np.hypot(table.common_sd_m_s, table.pipe_sd_m_s)


def _with_clocks(one: Round, sd_s: float) -> Round:
    """Clocks as the table should have them: L3 put right, all of them good."""
    recordings = tuple(
        replace(recording, deployment=replace(recording.deployment, clock_sd_s=sd_s))
        for recording in one.recordings
        if recording.logger != "L3"
    )
    kept = [k for k, recording in enumerate(one.recordings) if recording.logger != "L3"]
    return replace(one, recordings=recordings, samples=one.samples[kept])


def test_the_answer_of_the_survey_is_the_better_for_it(
    street: PipeNetwork, recorded: SurveyRecordings
) -> None:
    fix = locate_survey(street, survey(recorded, "H1"))
    best = fix.candidates[0]
    assert best.point.x - 350_000 == pytest.approx(25.0, abs=1.0)
    assert {evidence.round_number for pair in fix.pairs for evidence in pair.evidence} == {2, 3}
    assert any("round 1 holds a known noise at H1" in note for note in fix.notes)
    assert any(scale.material == "ductile_iron" for scale in fix.speeds)


def test_a_wrong_fitting_is_said_and_changes_nothing(street: PipeNetwork, recorded: SurveyRecordings) -> None:
    settings = LocateSettings()
    taught = taught_by(street, survey(recorded, "V4"), settings)
    assert taught.settings == settings
    assert not taught.clocks.between
    [note] = taught.notes
    assert "hear it as from there, which is too few" in note


def test_an_earlier_calibration_is_the_prior(street: PipeNetwork, recorded: SurveyRecordings) -> None:
    known = SpeedScale("ductile_iron", scale=0.971, scale_sd=0.004, surveys=3, source="finds")
    other = SpeedScale("pvc", scale=1.1, scale_sd=0.02, surveys=2)
    settings = LocateSettings(calibration=Calibration((known, other), source="speeds.toml"))
    taught = taught_by(street, survey(recorded, "H1"), settings)
    assert taught.settings.calibration is not None
    scale = taught.settings.calibration.scale_of("ductile_iron")
    assert scale is not None
    assert scale.scale == pytest.approx(0.971, abs=0.006)
    assert taught.settings.calibration.scale_of("pvc") == other


def test_clocks_are_never_known_worse_than_stated() -> None:
    a, b = Site("A", "V1", 0.0, 3e-4), Site("B", "V2", 0.0, 4e-4)
    assert KnownClocks().of(a, b) == (0.0, pytest.approx(5e-4))
    assert KnownClocks({("A", "B"): (1e-4, 2e-4)}).of(a, b) == (1e-4, 2e-4)
    assert KnownClocks({("A", "B"): (1e-4, 9e-4)}).of(a, b) == (1e-4, pytest.approx(5e-4))
