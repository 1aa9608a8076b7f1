"""Where a leak was: measured along the pipe, or a point moved on the map, brought to the pipe."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcorr.path import CorrelationPath
from netcorr.position import Candidate
from netcorr.verification import FoundPlace, Visit, found_place
from netcorr.verification.found_place import BY_OFFSET, BY_POINT
from tests.verification.conftest import at, candidate_at, path_of


@given(st.floats(5, 115), st.floats(-50, 50), st.floats(-2, 2))
def test_offset_and_moved_point_give_the_same_error(
    from_a_m: float, offset_m: float, across_m: float
) -> None:
    path, candidate = path_of(70.0, 50.0), candidate_at(from_a_m)
    measured = found_place(
        Visit("c-1", "dug and found", offset_m=offset_m), candidate, path, map_accuracy_m=0.5
    )
    assert measured.from_a_m == pytest.approx(from_a_m + offset_m)
    assert measured.known_by == BY_OFFSET
    if 0 <= from_a_m + offset_m <= 120:
        place = at(from_a_m + offset_m, across_m)
        moved = found_place(Visit("c-1", "repaired", place=place), candidate, path, map_accuracy_m=0.5)
        assert moved.from_a_m == pytest.approx(from_a_m + offset_m, abs=0.01)
        assert moved.across_m == pytest.approx(abs(across_m), abs=0.01)
        assert (moved.known_by, moved.doubts) == (BY_POINT, ())


@pytest.mark.parametrize("verification", ["not visited", "heard on the surface", "cored and heard"])
def test_only_a_leak_that_was_dug_has_a_place(
    verification: str, candidate: Candidate, path: CorrelationPath
) -> None:
    visit = Visit("c-1", verification, offset_m=0.4, place=at(46.0))
    assert found_place(visit, candidate, path, map_accuracy_m=0.5) == FoundPlace()


def test_nobody_measured(candidate: Candidate, path: CorrelationPath) -> None:
    assert found_place(Visit("c-1", "dug and found"), candidate, path, map_accuracy_m=0.5) == FoundPlace()


def test_a_point_on_another_pipe_says_nothing_about_this_one(
    candidate: Candidate, path: CorrelationPath
) -> None:
    visit = Visit("c-1", "dug and found", place=at(50.0, 9.0))
    found = found_place(visit, candidate, path, map_accuracy_m=0.5)
    assert found.from_a_m is None
    assert found.across_m == pytest.approx(9.0, abs=0.01)
    assert "on another pipe" in found.doubts[0]
    # a map that is known to be coarse explains it
    coarse = found_place(visit, candidate, path, map_accuracy_m=4.0)
    assert coarse.from_a_m == pytest.approx(50.0, abs=0.01)


def test_offset_and_point_that_contradict_each_other(candidate: Candidate, path: CorrelationPath) -> None:
    visit = Visit("c-1", "dug and found", offset_m=-2.0, place=at(49.0))
    found = found_place(visit, candidate, path, map_accuracy_m=0.5)
    assert found.from_a_m == pytest.approx(43.0)
    assert "43.0 m from V-1, the moved point 49.0 m" in found.doubts[0]


@pytest.mark.parametrize(("offset_m", "sensor"), [(-60.0, "V-1"), (90.0, "V-2")])
def test_an_offset_beyond_a_sensor_is_doubted(
    offset_m: float, sensor: str, candidate: Candidate, path: CorrelationPath
) -> None:
    found = found_place(Visit("c-1", "repaired", offset_m=offset_m), candidate, path, map_accuracy_m=0.5)
    assert found.doubts == (f"the measured offset leads beyond {sensor}",)


def test_a_candidate_beyond_a_sensor_has_no_error(path: CorrelationPath) -> None:
    beyond = candidate_at(0.0, outcome="at or beyond A")
    found = found_place(Visit("c-1", "repaired", offset_m=-4.0), beyond, path, map_accuracy_m=0.5)
    assert found == FoundPlace()
