"""Words of a candidate that several loggers found."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcorr.position.network.answer import _named


@pytest.mark.parametrize(
    ("pipes", "told"),
    [
        (["M1"], "M1"),
        (["M1", "M2", "M3"], "M1, M2, M3"),
        (["M1", "M2", "M3", "M4"], "M1, M2, M3 and 1 more"),
    ],
)
def test_mains_left_out_are_counted(pipes: list[str], told: str) -> None:
    assert _named(pipes, most=3) == told


@given(count=st.integers(1, 40), most=st.integers(1, 10))
def test_named_and_counted_are_all(count: int, most: int) -> None:
    told = _named([f"M{k}" for k in range(count)], most=most)
    more = int(told.split(" and ")[1].split()[0]) if " and " in told else 0
    assert told.count("M") + more == count
