"""What was told against where the leak was put."""

from __future__ import annotations

import math
from typing import Any

import pytest
from shapely import LineString, Point

from netcorr.network import PipeNetwork
from netcorr.position import SurveyFix
from netcorr.position.fix import Branch, Candidate
from netcorr.rehearsal import Told, judge, place_at


def spot(x_m: float, y_m: float = 0.0) -> tuple[float, float]:
    """Place on the map of `conftest.street`, by ground distances."""
    return 500_000 + x_m * 0.9996, 5_205_000 + y_m * 0.9996


def candidate(**changes: Any) -> Candidate:
    """Say that a leak lies 40 m from H0, between 30 and 50 m."""
    values: dict[str, Any] = {
        "candidate_id": "c",
        "rank": 1,
        "probability": 0.9,
        "outcome": "between",
        "sensor_a": "H0",
        "sensor_b": "H1",
        "from_a_m": 40.0,
        "from_b_m": 60.0,
        "low_m": 30.0,
        "high_m": 50.0,
        "sd_m": 5.0,
        "delay_s": 0.0,
        "pipe_id": "M1",
        "material": "grey_iron",
        "diameter_mm": 150.0,
        "speed_m_s": 1250.0,
        "rounds_used": 2,
        "point": Point(spot(40)),
        "stretches": (LineString([spot(30), spot(50)]),),
        "stretch_m": ((30.0, 50.0),),
    }
    return Candidate(**values | changes)


def told(network: PipeNetwork, at: str, *candidates: Candidate) -> Told:
    fix = SurveyFix(network, (), (), tuple(candidates), (), 0.5)
    return judge(fix, place_at(network, at), network=network)


def test_a_point_near_the_leak_is_a_find(network: PipeNetwork) -> None:
    one = told(network, "M1:93", candidate())  # M1 begins 50 m before H0
    assert (one.outcome, one.in_area, one.helped) == ("found", True, True)
    assert one.error_m == pytest.approx(3.0, abs=0.05)
    assert one.area_m == pytest.approx(20.0, abs=0.05)
    assert one.words.startswith("a leak 40.0 m from H0 towards H1")


def test_farther_away_but_in_the_area(network: PipeNetwork) -> None:
    one = told(network, "M1:98", candidate())
    assert (one.outcome, one.in_area) == ("in the area", True)
    assert one.error_m == pytest.approx(8.0, abs=0.05)


def test_outside_the_area_is_the_wrong_place(network: PipeNetwork) -> None:
    one = told(network, "M1:190", candidate())
    assert (one.outcome, one.in_area, one.helped) == ("wrong place", False, False)
    assert one.error_m == pytest.approx(100.0, abs=0.1)


def test_an_error_is_measured_along_the_pipes(network: PipeNetwork) -> None:
    # the leak is 50 m up the side street, which leaves the main 110 m from the point told
    assert told(network, "M2:50", candidate()).error_m == pytest.approx(160.0, abs=0.1)


def test_a_side_branch_of_the_area_counts(network: PipeNetwork) -> None:
    branch = Branch(from_a_m=150.0, pipe_ids=("M2",), lines=(LineString([spot(150), spot(150, 120)]),))
    one = told(network, "M2:50", candidate(branches=(branch,)))
    assert (one.outcome, one.in_area) == ("in the area", True)
    assert one.area_m == pytest.approx(140.0, abs=0.1)
    assert not one.helped, "140 m of pipe is more than anybody searches"


def test_beyond_a_sensor_rightly_and_wrongly(network: PipeNetwork) -> None:
    lines = (LineString([spot(-50), spot(0)]),)
    branch = Branch(from_a_m=0.0, pipe_ids=("M1",), lines=lines)
    beyond = candidate(outcome="at or beyond A", stretches=(), stretch_m=(), branches=(branch,))
    right, wrong = told(network, "M1:20", beyond), told(network, "M1:120", beyond)
    assert (right.outcome, right.helped) == ("beyond a sensor", False)
    assert wrong.outcome == "wrong place"
    assert math.isnan(right.error_m)
    assert "beyond H0" in right.words


def test_only_the_first_candidate_counts(network: PipeNetwork) -> None:
    second = candidate(rank=2, point=Point(spot(90)), stretches=(LineString([spot(85), spot(95)]),))
    assert told(network, "M1:140", candidate(), second).outcome == "wrong place"
    assert told(network, "M1:140", second).outcome == "found"


def test_a_faint_sign_sends_nobody_out(network: PipeNetwork) -> None:
    assert told(network, "M1:90", candidate(probability=0.3)).outcome == "not heard"
    assert told(network, "M1:90").outcome == "not heard"
