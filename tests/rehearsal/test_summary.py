"""Shares with their intervals, and what is made of a list of outcomes."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest
from shapely import Point

from netcorr.rehearsal import LeakPlace, Outcome, RehearsedLeak, Share, Told, summarise, summarise_by
from netcorr.simulation import Place


@given(st.integers(1, 300), st.data())
def test_intervals_agree_with_scipy(of: int, data: st.DataObject) -> None:
    hits = data.draw(st.integers(0, of))
    wanted = binomtest(hits, of).proportion_ci(confidence_level=0.95, method="wilson")
    assert Share(hits, of).interval == pytest.approx((wanted.low, wanted.high), abs=1e-6)


def test_nothing_is_known_of_nothing() -> None:
    assert Share(0, 0).interval == (0.0, 1.0)
    assert math.isnan(Share(0, 0).value)


def leak(
    number: int, outcome: Outcome, error_m: float = math.nan, *, area_m: float = 5.0, pipe: str = "pvc"
) -> RehearsedLeak:
    place = LeakPlace(Place((0, 1, 0), 1.0), Point(0, 0), "M1", pipe, 100.0)
    told = Told(outcome, error_m=error_m, area_m=area_m, in_area=outcome in ("found", "in the area"))
    return RehearsedLeak(number, place, (), (), True, 0.0, told)


LEAKS = (
    leak(1, "found", 1.0, area_m=4.0),
    leak(2, "found", 3.0, area_m=8.0, pipe="grey_iron"),
    leak(3, "in the area", 9.0, area_m=40.0),
    leak(4, "in the area", 60.0, area_m=400.0),
    leak(5, "wrong place", 200.0),
    leak(6, "not heard"),
    leak(7, "out of reach"),
)


def test_a_list_of_outcomes() -> None:
    one = summarise(LEAKS)
    assert one.count == 7
    assert one.outcomes["found"] == 2
    assert one.found == Share(2, 7)
    assert one.helped == Share(3, 7), "nobody searches 400 m of pipe"
    assert one.told_wrongly == Share(1, 7)
    assert one.median_m == 9.0
    assert one.p90_m == pytest.approx(144.0)  # of 1, 3, 9, 60, 200: 60 + 0.6 * 140


def test_kinds_are_told_apart_the_largest_first() -> None:
    pvc, iron = summarise_by(LEAKS, lambda one: str(one.leak.material))
    assert (pvc.name, pvc.count, iron.name, iron.count) == ("pvc", 6, "grey_iron", 1)
    assert iron.median_m == 3.0


def test_nothing_told_has_no_error() -> None:
    one = summarise([leak(1, "not heard")])
    assert math.isnan(one.median_m)
    assert math.isnan(one.p90_m)
