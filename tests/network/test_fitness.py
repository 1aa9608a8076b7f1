"""The rules of the verdict, one by one and together."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.network.fitness import (
    UNKNOWN_FIT,
    UNKNOWN_USABLE,
    Findings,
    Fix,
    Level,
    in_order_of_effect,
    judge,
    verdict,
)

GOOD = Findings(total_m=10_000, apart_m=0, unknown_m=0, assumed_m=0, fittings=100, on_main=100, moved_m=0.2)
LEVELS: dict[Level, int] = {"fit": 0, "usable": 1, "not yet": 2}


def level(**changes: Any) -> Level:
    return verdict(judge(replace(GOOD, **changes)))


@pytest.mark.parametrize(
    ("changes", "wanted"),
    [
        ({}, "fit"),
        ({"apart_m": 200}, "fit"),
        ({"apart_m": 201}, "usable"),
        ({"apart_m": 1000}, "usable"),
        ({"apart_m": 1001}, "not yet"),
        ({"unknown_m": 200}, "fit"),
        ({"unknown_m": 900}, "usable"),
        ({"unknown_m": 1100}, "not yet"),
        ({"assumed_m": 200}, "fit"),
        ({"assumed_m": 9999}, "usable"),
        ({"on_main": 95}, "fit"),
        ({"on_main": 94}, "usable"),
        ({"on_main": 79}, "not yet"),
        ({"fittings": 2, "on_main": 2}, "fit"),
        ({"fittings": 1, "on_main": 1}, "not yet"),
        ({"fittings": 0, "on_main": 0}, "not yet"),
        ({"moved_m": 1.0}, "fit"),
        ({"moved_m": 4.0}, "usable"),
    ],
)
def test_each_rule_turns_where_it_says(changes: dict[str, float], wanted: Level) -> None:
    assert level(**changes) == wanted


def test_the_reason_of_the_limit_for_unknown_mains() -> None:
    """A path over three mains is free of unknown ones three times in four at 10 %, 16 in 17 at 2 %."""
    free = [(1 - share) ** 3 for share in (UNKNOWN_USABLE, UNKNOWN_FIT)]
    assert free == pytest.approx([3 / 4, 16 / 17], abs=0.025)


def test_each_finding_touches_its_own_rule_only() -> None:
    worse = {"apart": {"apart_m": 5000}, "unknown": {"unknown_m": 5000}, "assumed": {"assumed_m": 5000}}
    worse |= {"off main": {"on_main": 50}, "moved": {"moved_m": 9}}
    for rule, changes in worse.items():
        judged = {one.rule: one.level for one in judge(replace(GOOD, **changes))}
        assert judged.pop(rule) != "fit"
        assert set(judged.values()) == {"fit"}


@settings(max_examples=30, deadline=None)
@given(
    name=st.sampled_from(["apart_m", "unknown_m", "assumed_m", "moved_m"]),
    low=st.floats(0, 10_000),
    more=st.floats(0, 10_000),
)
def test_worse_is_never_judged_better(name: str, low: float, more: float) -> None:
    high = min(low + more, 10_000)
    assert LEVELS[level(**{name: low})] <= LEVELS[level(**{name: high})]


def test_no_rules_no_objection() -> None:
    assert verdict(()) == "fit"
    assert verdict(judge(replace(GOOD, total_m=0))) == "fit"


def test_fixes_come_by_effect_and_keep_their_order_among_equals() -> None:
    fixes = [Fix("gap", "A", 0.1, 10), Fix("gap", "B", 0.1, 10), Fix("material", "AC", 0.4, 40)]
    assert [fix.subject for fix in in_order_of_effect(fixes)] == ["AC", "A", "B"]
    assert in_order_of_effect([]) == ()
