"""Whole rehearsals: a plain leak is found, a hopeless one is not, and each outcome has its cause."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from netcorr.errors import CancelledError, PlanError
from netcorr.feedback import NoFeedback
from netcorr.network import PipeNetwork
from netcorr.rehearsal import NightSettings, PlannedSite, RehearsalSettings, place_at, rehearse
from netcorr.rehearsal.run import sites_in_reach
from netcorr.simulation import SimulatedRound

H = {name: PlannedSite(name, f"L{name[1]}") for name in ("H0", "H1", "H2", "H3", "H4", "V9")}
PAIR = (H["H0"], H["H1"])
LOUD = RehearsalSettings(night=NightSettings(loudness_db=20.0, rounds=1, duration_s=6.0, noise_spread_db=1.0))


def test_a_loud_leak_between_two_sites_is_found(network: PipeNetwork) -> None:
    kept: dict[int, int] = {}

    def keep(number: int, rounds: list[SimulatedRound]) -> None:
        kept[number] = len(rounds)

    answer = rehearse(network, PAIR, [place_at(network, "M1:85")], settings=LOUD, keep=keep)
    [one] = answer.leaks
    assert one.told.outcome == "found"
    assert one.told.error_m < 5.0
    assert one.between_sites
    assert one.heard_db > 5.0
    assert one.nearest_m == pytest.approx((35.0, 65.0), abs=0.1)
    assert one.fix is not None, "of one leak the whole answer is kept"
    assert kept == {1: 1}


def test_a_leak_that_nobody_hears_is_not_found(network: PipeNetwork) -> None:
    quiet = replace(LOUD, night=replace(LOUD.night, loudness_db=-30.0))
    leaks = [place_at(network, "M1:85"), place_at(network, "M1:95")]
    answer = rehearse(network, PAIR, leaks, settings=quiet)
    assert all(one.told.outcome in ("not heard", "beyond a sensor", "wrong place") for one in answer.leaks)
    assert all(one.told.outcome != "found" for one in answer.leaks)
    assert all(one.fix is None for one in answer.leaks)


def test_out_of_reach_is_said_without_a_simulation(network: PipeNetwork) -> None:
    near = replace(LOUD, reach_m=60.0)
    answer = rehearse(network, PAIR, [place_at(network, "M2:100")], settings=near)
    [one] = answer.leaks
    assert one.told.outcome == "out of reach"
    assert one.told.words == "no site within 60 m along open mains"
    assert math.isnan(one.heard_db)


def test_sites_that_share_no_path_give_no_answer_but_no_crash(network: PipeNetwork) -> None:
    # all sites hear the leak, but two rows with one fitting say nothing about a path
    twice = (PlannedSite("H1", "L1"), PlannedSite("H1", "L2"), PlannedSite("H0", "L3", setup="other"))
    answer = rehearse(network, twice, [place_at(network, "M1:85")], settings=LOUD)
    [one] = answer.leaks
    assert one.told.outcome == "no answer"
    assert "where logger L1 stands too" in one.told.words


def test_the_night_with_the_nearest_second_site_counts(network: PipeNetwork) -> None:
    sites = [
        PlannedSite("H0", "L1", setup="Monday"),
        PlannedSite("H3", "L2", setup="Monday"),
        PlannedSite("H1", "L1", setup="Tuesday"),
        PlannedSite("H2", "L2", setup="Tuesday"),
    ]
    near = sites_in_reach(network, sites, place_at(network, "M1:170"), settings=LOUD)
    assert [site.fitting for site, _ in near] == ["H1", "H2"]


def test_only_the_nearest_sites_take_part(network: PipeNetwork) -> None:
    sites = [H[name] for name in ("H0", "H1", "H2", "H3", "H4")]
    near = sites_in_reach(network, sites, place_at(network, "M1:170"), settings=replace(LOUD, most_sites=3))
    assert [site.fitting for site, _ in near] == ["H1", "H2", "H0"]


def test_sites_at_closed_mains_are_left_out_and_said(network: PipeNetwork) -> None:
    graph = network.graph.copy()
    for *edge, _ in [*graph.edges(network.node_of("H4"), keys=True, data=True)]:
        graph.edges[tuple(edge)]["is_open"] = False
    closed = replace(network, graph=graph)
    with pytest.raises(PlanError, match=r"1 that can hear anything .*no open main at them: H4"):
        rehearse(closed, (H["H0"], H["H4"]), [place_at(closed, "M1:85")], settings=LOUD)
    far = replace(LOUD, reach_m=1.0)
    answer = rehearse(closed, (*PAIR, H["H4"]), [place_at(closed, "M1:85")], settings=far)
    assert answer.notes == ("left out, no open main at them: H4",)
    assert [site.fitting for site in answer.sites] == ["H0", "H1"]


def test_nothing_to_do_is_an_error(network: PipeNetwork) -> None:
    with pytest.raises(PlanError, match="none"):
        rehearse(network, PAIR, [], settings=LOUD)
    with pytest.raises(PlanError, match="1 that can hear"):
        rehearse(network, PAIR[:1], [place_at(network, "M1:85")], settings=LOUD)


def test_it_can_be_stopped(network: PipeNetwork) -> None:
    class Stop(NoFeedback):
        cancelled = True

    with pytest.raises(CancelledError):
        rehearse(network, PAIR, [place_at(network, "M1:85")], settings=LOUD, feedback=Stop())


@pytest.mark.parametrize(
    "wrong",
    [{"within_m": 0.0}, {"least_probability": 2.0}, {"reach_m": -1.0}, {"most_sites": 1}, {"seed": -1}],
)
def test_settings_that_cannot_be(wrong: dict[str, float]) -> None:
    with pytest.raises(PlanError, match="rehearsal"):
        RehearsalSettings(**wrong)  # type: ignore[arg-type]
