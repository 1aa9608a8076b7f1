"""Timetables: what must hold of every one, whatever the setups."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from netcorr.errors import PlanError
from netcorr.layers import read_network_layers
from netcorr.network import build_network
from netcorr.planning import CandidateSites
from netcorr.planning.candidates import candidate_sites
from netcorr.planning.streets import Streets
from netcorr.planning.timetable import STEP_S, Pace, Timetable, make_timetable

TOWN = Path(__file__).parents[2] / "sample_network" / "town.gpkg"
START = datetime(2026, 3, 1, 23, 0, tzinfo=ZoneInfo("Europe/Lisbon"))
NAMES = [f"L{k}" for k in range(1, 9)]


@pytest.fixture(scope="module")
def town() -> tuple[Streets, CandidateSites]:
    network = build_network(read_network_layers(TOWN))
    return Streets(network), candidate_sites(network)


def judge(table: Timetable, setups: list[np.ndarray], sites: CandidateSites, streets: Streets) -> None:
    """Walk through the stops: one crew, each logger in one place, time for everything."""
    pace = table.pace
    assert sorted(one.given for one in table.setups) == list(range(len(setups)))
    standing: dict[str, int] = {}
    crew: tuple[int, datetime] | None = None
    for one, following in pairwise([*table.setups, None]):
        assert one is not None
        night_start, night_end = pace.night(one.night)
        for stop in one.of("stays"):
            assert standing[stop.logger] == stop.site
        for stop in one.of("place"):
            assert stop.logger not in standing
            standing[stop.logger] = stop.site
        assert sorted(standing.values()) == sorted(setups[one.given].tolist())
        assert one.loggers == standing | {}
        work = [stop for stop in one.stops if stop.action != "stays"]
        for stop in work:
            if crew is not None and stop.from_site >= 0:
                assert stop.from_site == crew[0]
                [[way_m]] = streets.apart_m(sites.node[[stop.from_site]], sites.node[[stop.site]])
                assert stop.way_m == pytest.approx(way_m)
                walk_s = (stop.arrive - crew[1]).total_seconds()
                assert walk_s >= way_m / pace.speed_m_s - 1e-3
            else:
                assert stop.arrive >= night_start
            assert (stop.done - stop.arrive).total_seconds() == pytest.approx(pace.handling_s)
            crew = (stop.site, stop.done)
            if stop.action == "pick up":
                assert stop.arrive >= one.recordings[-1] + timedelta(seconds=pace.record_s)
                assert standing.pop(stop.logger) == stop.site
            assert night_start <= stop.done <= night_end
        placed = one.of("place")
        if placed:
            assert (one.recordings[0] - placed[-1].done).total_seconds() >= pace.margin_s
        assert one.recordings[0].timestamp() % STEP_S == 0
        assert len(one.recordings) == pace.rounds
        if following is None or following.night > one.night:
            assert not standing
            crew = None


@settings(deadline=None, max_examples=15)
@given(
    seed=st.integers(0, 10_000),
    night_h=st.sampled_from([3.0, 6.0]),
    most=st.sampled_from([None, 1, 2]),
    rounds=st.integers(1, 3),
)
def test_every_step_can_be_kept(
    town: tuple[Streets, CandidateSites], seed: int, night_h: float, most: int | None, rounds: int
) -> None:
    streets, sites = town
    rng = np.random.default_rng(seed)
    near = np.argsort(rng.uniform(size=len(sites)))[:14]
    setups = [rng.permutation(near)[: rng.integers(2, 9)] for _ in range(rng.integers(1, 5))]
    pace = Pace(START, night_s=3600 * night_h, most_setups=most, rounds=rounds, handling_s=240.0)
    try:
        table = make_timetable(streets, sites, setups, loggers=NAMES, pace=pace)
    except PlanError:
        assume(False)
        raise
    judge(table, setups, sites, streets)
    if most is not None:
        nights = [one.night for one in table.setups]
        assert max(nights.count(k) for k in nights) <= most


def test_a_logger_stays_where_the_next_setup_needs_it(town: tuple[Streets, CandidateSites]) -> None:
    streets, sites = town
    setups = [np.array([0, 1, 2, 3]), np.array([2, 3, 4, 5])]
    table = make_timetable(streets, sites, setups, loggers=NAMES[:4], pace=Pace(START))
    first, second = table.setups
    assert {stop.site for stop in second.of("stays")} == {2, 3}
    assert len(first.of("pick up")) == 2
    assert table.nights == 1
    each = Pace(START, most_setups=1)
    apart = make_timetable(streets, sites, setups, loggers=NAMES[:4], pace=each)
    assert apart.nights == 2
    assert all(len(one.of("pick up")) == 4 for one in apart.setups)


def test_nights_begin_by_the_clock_on_the_wall() -> None:
    # summer time began in Portugal on 29 March 2026, at 1 h (tz database)
    pace = Pace(datetime(2026, 3, 28, 23, 0, tzinfo=ZoneInfo("Europe/Lisbon")))
    assert pace.night(1)[0] == datetime(2026, 3, 28, 23, 0, tzinfo=UTC)
    assert pace.night(2)[0] == datetime(2026, 3, 29, 22, 0, tzinfo=UTC)
    assert pace.night(1)[1] - pace.night(1)[0] == timedelta(hours=6)


def test_what_cannot_be_kept_is_told(town: tuple[Streets, CandidateSites]) -> None:
    streets, sites = town
    setup = [np.arange(0, 200, 30)]
    with pytest.raises(PlanError, match=r"setup 1, 7 loggers: .* while a night has 1 h; give fewer loggers"):
        make_timetable(streets, sites, setup, loggers=NAMES, pace=Pace(START, night_s=3600))
    with pytest.raises(PlanError, match="3 loggers for a setup of 7 sites"):
        make_timetable(streets, sites, setup, loggers=NAMES[:3], pace=Pace(START))
    with pytest.raises(PlanError, match="logger L1: its name is given twice"):
        make_timetable(streets, sites, setup, loggers=["L1"] * 8, pace=Pace(START))


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"night_start": datetime(2026, 3, 1, 23)}, "without a zone"),
        ({"night_s": 0.0}, "night without length"),
        ({"speed_m_s": 0.0}, "speed"),
        ({"handling_s": -1.0}, "below 0"),
        ({"rounds": 0}, "no recording"),
        ({"gap_s": 20.0, "record_s": 20.0}, "overlap"),
        ({"most_setups": 0}, "no setup"),
    ],
)
def test_a_pace_that_cannot_be_right(wrong: dict[str, Any], words: str) -> None:
    with pytest.raises(PlanError, match=words):
        Pace(**{"night_start": START, **wrong})
