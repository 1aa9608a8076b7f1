"""A night that the locator is not told of: nothing is as on the map, and all of it comes from the seed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from netcorr.errors import PlanError
from netcorr.network import PipeNetwork
from netcorr.rehearsal import NightSettings, PlannedSite, place_at, simulate_night
from netcorr.rehearsal.night import true_speeds
from netcorr.simulation import SimulatedRound
from netcorr.speed import pipe_wave_speed

SITES = (PlannedSite("H0", "L0", 0.8), PlannedSite("H1", "L1"), PlannedSite("H3", "L3"))
SHORT = NightSettings(duration_s=2.0, rounds=1, noise_spread_db=0.0)


def night(
    network: PipeNetwork, *, seed: int = 1, at: str = "M1:60", settings: NightSettings = SHORT
) -> SimulatedRound:
    leak = place_at(network, at)
    rng = np.random.default_rng([seed, 1])
    return simulate_night(network, SITES, leak, settings=settings, rng=rng)[0]


def test_the_same_seed_gives_the_same_samples(network: PipeNetwork) -> None:
    one, again, other = night(network), night(network), night(network, seed=2)
    for a, b, c in zip(one.recordings, again.recordings, other.recordings, strict=True):
        np.testing.assert_array_equal(a.samples, b.samples)
        assert not np.array_equal(a.samples, c.samples)


def test_a_louder_leak_is_louder_everywhere_by_as_much(network: PipeNetwork) -> None:
    quiet = night(network)
    loud = night(network, settings=replace(SHORT, loudness_db=SHORT.loudness_db + 12))
    for a, b in zip(quiet.recordings, loud.recordings, strict=True):
        assert b.leak_snr_db - a.leak_snr_db == pytest.approx(12.0, abs=1e-6)


def test_the_leak_is_as_loud_as_said_and_fades_with_distance(network: PipeNetwork) -> None:
    # 10 m from H0, 90 m from H1, 290 m from H3: with each tee and metre less of it
    heard = [item.leak_snr_db for item in night(network, at="M1:60").recordings]
    assert heard[0] == pytest.approx(SHORT.loudness_db, abs=4.0)
    assert heard[0] > heard[1] > heard[2]


def test_leads_are_told_as_planned_though_they_are_not_so(network: PipeNetwork) -> None:
    assert [item.sensor.lead_m for item in night(network).recordings] == [0.8, 0.0, 0.0]


def test_the_map_is_not_touched(network: PipeNetwork) -> None:
    before = {edge: dict(network.edge(*edge)) for edge in network.graph.edges(keys=True)}
    night(network)
    assert all(network.edge(*edge) == data for edge, data in before.items())


def test_true_speeds_have_the_spread_that_the_tables_state(network: PipeNetwork) -> None:
    drawn = [
        true_speeds(network, rng=np.random.default_rng(k)).factor(material="grey_iron", pipe_id="M1")
        for k in range(600)
    ]
    speed = pipe_wave_speed("grey_iron", 150.0, year=1930.0)
    wanted = np.hypot(speed.common_sd_m_s, speed.pipe_sd_m_s) / speed.speed_m_s
    # the standard deviation of a standard deviation from 600 draws is 3 %
    assert np.std(np.log(drawn)) == pytest.approx(wanted, rel=0.12)


def test_a_night_without_a_leak_has_none(network: PipeNetwork) -> None:
    rounds = simulate_night(network, SITES, None, settings=SHORT, rng=np.random.default_rng(1))
    assert all(item.leak_snr_db == -np.inf for item in rounds[0].recordings)


def test_pipes_of_unknown_material_are_like_most_others(street: Callable[..., PipeNetwork]) -> None:
    unknown = street(material=None, diameter_mm=float("nan"))
    heard = night(unknown)
    assert all(np.isfinite(item.samples).all() for item in heard.recordings)


@pytest.mark.parametrize(
    "wrong",
    [
        {"loudness_db": float("nan")},
        {"rounds": 0},
        {"duration_s": 1.0},
        {"clock_sd_s": -1.0},
        {"noise_spread_db": -1.0},
    ],
)
def test_nights_that_cannot_be(wrong: dict[str, float]) -> None:
    with pytest.raises(PlanError, match="night to rehearse"):
        NightSettings(**wrong)  # type: ignore[arg-type]
