"""Names of candidates: the same for the same answer, another for any other."""

from __future__ import annotations

import math
import uuid

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcorr.position.candidate_id import candidate_id


def test_it_is_a_uuid_of_version_5() -> None:
    assert uuid.UUID(candidate_id("V1", "V2", 31.4)).version == 5


@given(st.floats(0, 1000), st.integers(1, 5))
def test_the_next_float_is_another_candidate(place_m: float, steps: int) -> None:
    other_m = place_m
    for _ in range(steps):
        other_m = math.nextafter(other_m, math.inf)
    assert candidate_id("A", place_m) == candidate_id("A", place_m)
    assert candidate_id("A", place_m) != candidate_id("A", other_m)


@pytest.mark.parametrize(
    ("one", "other"), [(("V1", "V2"), ("V2", "V1")), (("V1V", "2"), ("V1", "V2")), (("1",), (1,))]
)
def test_what_is_told_apart(one: tuple[str | float, ...], other: tuple[str | float, ...]) -> None:
    assert candidate_id(*one) != candidate_id(*other)
