"""Multipliers that hold as many leaks as they say, whatever the errors look like."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcorr.errors import VerificationError
from netcorr.verification.conformal import widenings


@given(st.lists(st.floats(0, 20), max_size=45))
def test_so_many_finds_speak_for_so_much(scores: list[float]) -> None:
    found = widenings("metal", scores)
    assert [one.level for one in found] == [0.9] * (len(scores) >= 9) + [0.95] * (len(scores) >= 19)
    for one in found:
        assert one.multiplier in scores
        assert sum(score <= one.multiplier for score in scores) / len(scores) >= one.level


@pytest.mark.parametrize(("n", "level"), [(9, 0.9), (30, 0.9), (19, 0.95)])
def test_the_next_one_is_held_as_often_as_stated(n: int, level: float) -> None:
    # the guarantee of split-conformal intervals: Lei et al. (2018), theorem 2
    rng = np.random.default_rng(n)
    held = []
    for _ in range(4000):
        errors = np.abs(rng.standard_t(3, n + 1)) * 2.5  # heavy tails, stated 2.5 times too small
        multiplier = next(
            one.multiplier for one in widenings("metal", list(errors[:-1])) if one.level == level
        )
        held.append(errors[-1] <= multiplier)
    assert level - 0.015 <= np.mean(held) <= level + 1 / (n + 1) + 0.015


def test_right_deviations_need_no_factor() -> None:
    errors = np.abs(np.random.default_rng(3).standard_normal(4000))
    for one in widenings("plastic", list(errors)):
        assert one.factor == pytest.approx(1.0, abs=0.06)
        assert one.count == 4000


@pytest.mark.parametrize("score", [-0.1, float("nan")])
def test_sizes_only(score: float) -> None:
    with pytest.raises(VerificationError, match="give sizes of errors"):
        widenings("metal", [0.3, score])
