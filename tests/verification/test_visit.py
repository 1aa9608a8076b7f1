"""What a crew recorded: nothing impossible gets in, and copies of a record are told from new ones."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcorr.errors import VerificationError
from netcorr.units import FOOT_M
from netcorr.verification import VERIFICATIONS, Visit
from tests.verification.conftest import at, day


@pytest.mark.parametrize(
    ("values", "why"),
    [
        ({"verification": "found it"}, "choose one of: not visited, heard on the surface"),
        ({"offset_m": 4000.0}, "give -1000 to 1000 m"),
        ({"offset_m": float("nan")}, "offset_m"),
        ({"depth_m": -1.0}, "give 0 to 50 m"),
        ({"visited": datetime(2026, 3, 1)}, "without a zone"),
    ],
)
def test_what_cannot_be_right_is_refused(values: dict[str, Any], why: str) -> None:
    with pytest.raises(VerificationError, match=why):
        Visit("c-1", **values)


@pytest.mark.parametrize(
    "values",
    [
        {"verification": "dug and dry"},
        {"offset_m": 0.0},
        {"depth_m": 1.2},
        {"visited": day(1)},
        {"crew": "North"},
        {"photo": "a.jpg"},
        {"note": "wet ground"},
        {"place": at(3.0)},
    ],
)
def test_only_an_untouched_one_is_blank(values: dict[str, Any]) -> None:
    assert Visit("c-1").is_blank
    assert not Visit("c-1", **values).is_blank
    assert not Visit("c-1", **values).says_the_same(Visit("c-1"))
    assert not Visit("c-1").says_the_same(Visit("c-1", **values))


def test_what_counts_as_dug_and_as_found() -> None:
    assert [v for v in VERIFICATIONS if Visit("c", v).is_found] == ["dug and found", "repaired"]
    assert [v for v in VERIFICATIONS if Visit("c", v).is_dug] == ["dug and found", "dug and dry", "repaired"]


@given(st.floats(-900, 900))
def test_feet_and_metres_of_one_reading_are_the_same(offset_m: float) -> None:
    in_feet = round(offset_m / FOOT_M, 2)  # as a crew types it
    one, other = Visit("c", offset_m=offset_m), Visit("c", offset_m=in_feet * FOOT_M)
    assert one.says_the_same(other)
    assert other.says_the_same(one)


def test_places_are_the_same_within_what_a_copy_rounds() -> None:
    one = Visit("c", place=at(45.0))
    assert one.says_the_same(Visit("c", place=at(45.02)))
    assert not one.says_the_same(Visit("c", place=at(45.3)))
    # in degrees, a unit is 111 km
    assert not one.says_the_same(Visit("c", place=at(45.02)), metres_per_unit=111_000)
