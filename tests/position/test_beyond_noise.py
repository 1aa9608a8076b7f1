"""Clocks and speeds from usage beyond the loggers, on recordings of the network solver."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from netcorr.network import PipeNetwork
from netcorr.position import LocateSettings, locate_survey
from netcorr.position.beyond_noise import learn_from_beyond
from netcorr.position.first_look import PreparedRounds, clock_drifts
from netcorr.position.planned import compare_planned, plan_pairs
from netcorr.position.sites import find_sites
from netcorr.position.taught import Taught
from netcorr.recordings import SurveyRecordings
from netcorr.rehearsal.hand_over import as_recordings
from netcorr.simulation import (
    Burst,
    Conditions,
    LeakSource,
    OutsideSource,
    SensorSetup,
    TrueSpeeds,
    place_on_pipe,
    simulate_survey,
)

Maker = Callable[..., Any]
TRUE_SCALE = 0.97
#: Clocks minus true time, which the table knows to 2 ms only. [s]
CLOCKS_S, CLOCK_SD_S = (0.0012, -0.0021, 0.0017), 0.002
LEAK_FROM_V1_M = 35.0
MAINS = {
    "M1": [(-250, 0), (0, 0)],
    "M2": [(0, 0), (90, 0)],
    "M3": [(90, 0), (170, 0)],
    "M4": [(170, 0), (450, 0)],
}
FITTINGS = {"V1": (0, 0), "V2": (90, 0), "V3": (170, 0)}


@pytest.fixture(scope="module")
def street(make_network: Maker) -> PipeNetwork:
    attributes = {name: {"material": "ductile_iron", "year": 1985.0} for name in MAINS}
    made: PipeNetwork = make_network(MAINS, FITTINGS, attributes=attributes)
    return made


def recorded(
    network: PipeNetwork, *, usage: str = "steady", rounds: tuple[int, ...] = (1,)
) -> SurveyRecordings:
    """A leak, and usage beyond either end: all the time, in bursts of a second in round 1, or none."""
    ends = (("M1", 100.0), ("M4", 180.0))
    steady = tuple(OutsideSource(place_on_pipe(network, main, into_m=x), 0.0) for main, x in ends)
    bursts = tuple(
        Burst(
            place_on_pipe(network, main, into_m=x),
            at_s=at_s + 2.0 * k,
            length_s=1.0,
            level_db=10.0,
            round_number=1,
        )
        for k, (main, x) in enumerate(ends)
        for at_s in (0.5, 5.0)
    )
    made = simulate_survey(
        network,
        sensors=[SensorSetup(f"L{k}", f"V{k}", clock_error_s=CLOCKS_S[k - 1]) for k in (1, 2, 3)],
        leak=LeakSource(place_on_pipe(network, "M2", into_m=LEAK_FROM_V1_M)),
        conditions=Conditions(
            snr_db=0.0,
            duration_s=10.0,
            outside=steady if usage == "steady" else (),
            bursts=bursts if usage == "bursts" else (),
        ),
        speeds=TrueSpeeds(by_material={"ductile_iron": TRUE_SCALE}),
        rng=np.random.default_rng(5),
        rounds=rounds,
    )
    return as_recordings(made, clock_sd_s=CLOCK_SD_S)


def taught_by(network: PipeNetwork, recordings: SurveyRecordings) -> Taught:
    settings = LocateSettings()
    sites = find_sites(network, recordings.rounds, settings=settings)
    planned, _ = plan_pairs(network, sites, settings=settings)
    longest_s = max(pair.times.longest_delay_s for pair in planned)
    spectra = PreparedRounds(recordings.rounds, longest_s, None)
    drifts = clock_drifts(planned, spectra)
    compared = {
        (pair.a.logger, pair.b.logger): [
            compare_planned(pair, spectra.of(one), one=one, drifts=drifts, settings=settings)
            for one in recordings.rounds
        ]
        for pair in planned
    }
    return learn_from_beyond(network, sites, planned, compared, settings=settings)


@pytest.mark.parametrize("usage", ["steady", "bursts"])
def test_clocks_within_a_fifth_of_a_millisecond_and_speeds_within_a_percent(
    street: PipeNetwork, usage: str
) -> None:
    taught = taught_by(street, recorded(street, usage=usage))
    for a, b in ((1, 2), (2, 3), (1, 3)):
        offset_s, sd_s = taught.clocks.between[f"L{a}", f"L{b}"]
        assert offset_s == pytest.approx(CLOCKS_S[b - 1] - CLOCKS_S[a - 1], abs=2e-4)
        assert sd_s < 4e-4
    # the speed of a main that was measured, against that of the tables
    for main in ("M2", "M3"):
        speed = taught.settings.main_speeds[main]
        assert speed.speed_m_s == pytest.approx(TRUE_SCALE * _table_m_s(street), rel=0.01)
    [scale] = taught.scales
    assert abs(scale.scale - TRUE_SCALE) < 2.5 * scale.scale_sd
    assert scale.source == "noise from beyond the loggers of one survey"
    assert "hear noise from beyond both" in taught.notes[0]
    assert any("the clock of L2 is" in note and "slow" in note for note in taught.notes)


def _table_m_s(network: PipeNetwork) -> float:
    settings = LocateSettings()
    sites = find_sites(network, recorded(network, usage="none").rounds, settings=settings)
    planned, _ = plan_pairs(network, sites, settings=settings)
    return planned[0].speeds[0].speed_m_s


def test_without_noise_from_beyond_nothing_is_taught(street: PipeNetwork) -> None:
    taught = taught_by(street, recorded(street, usage="none"))
    assert (taught.settings, taught.notes, taught.scales) == (LocateSettings(), (), ())
    assert not taught.clocks.between


def test_the_answer_is_the_better_for_it(street: PipeNetwork, monkeypatch: pytest.MonkeyPatch) -> None:
    recordings = recorded(street, usage="bursts", rounds=(1, 2))
    after = locate_survey(street, recordings)
    assert any("noise from beyond both" in note for note in after.notes)
    [scale] = after.speeds
    assert scale.material == "ductile_iron"
    monkeypatch.setattr(
        "netcorr.position.survey.learn_from_beyond", lambda *_, settings, **__: Taught(settings)
    )
    before = locate_survey(street, recordings)
    (now,), (then,) = ([one for one in fix.candidates if one.in_bracket][:1] for fix in (after, before))
    assert now.point.x - 350_000 == pytest.approx(LEAK_FROM_V1_M, abs=0.9)
    assert now.high_m - now.low_m < 0.4 * (then.high_m - then.low_m)
