"""The words for what a pair can say."""

from __future__ import annotations

import dataclasses
from typing import get_args

import pytest
from shapely import Point

from netcorr.position import Candidate, Outcome


def candidate(outcome: Outcome) -> Candidate:
    return Candidate(
        candidate_id="c",
        rank=1,
        probability=0.9,
        outcome=outcome,
        sensor_a="V1",
        sensor_b="V2",
        from_a_m=1.0,
        from_b_m=2.0,
        low_m=0.5,
        high_m=1.5,
        sd_m=0.2,
        delay_s=0.0,
        pipe_id="M1",
        material=None,
        diameter_mm=100.0,
        speed_m_s=1200.0,
        rounds_used=2,
        point=Point(0, 0),
        stretches=(),
        stretch_m=(),
    )


@pytest.mark.parametrize("outcome", get_args(Outcome))
def test_only_a_leak_between_the_sensors_is_in_the_bracket(outcome: Outcome) -> None:
    assert candidate(outcome).in_bracket is (outcome == "between")


def test_two_candidates_with_the_same_numbers_are_not_the_same() -> None:
    one = candidate("between")
    assert one != dataclasses.replace(one)
    assert len({one, dataclasses.replace(one)}) == 2
