"""Reach by material."""

from __future__ import annotations

import pytest

from netcorr.errors import PlanError
from netcorr.layers.vocabulary import MATERIALS
from netcorr.planning.reach import COMMON_REACH_M, ReachTable, parse_reach


def test_every_material_has_a_reach_and_the_unknown_is_taken_for_the_worst() -> None:
    assert set(COMMON_REACH_M) == set(MATERIALS)
    table = ReachTable()
    assert table.reach_m(None) == min(COMMON_REACH_M.values())


def test_iron_lies_in_the_range_of_common_practice_and_plastic_well_below() -> None:
    # common practice: 120 to 150 m between sensors on iron, a fraction of it on plastic
    assert 120 <= COMMON_REACH_M["grey_iron"] <= 150
    assert COMMON_REACH_M["pe100"] < COMMON_REACH_M["grey_iron"] / 2


def test_one_number_stands_for_all() -> None:
    table = ReachTable.with_own(parse_reach("150"))
    assert {table.reach_m(material) for material in [*MATERIALS, None]} == {150.0}


@pytest.mark.parametrize("text", ["iron", "pvc=far", ""])
def test_what_holds_no_number_is_refused(text: str) -> None:
    with pytest.raises(PlanError, match="no number"):
        parse_reach(text)


@pytest.mark.parametrize("own", [{"pvc": 0.0}, {"wood": 5.0}, {"all": -1.0}])
def test_what_cannot_be_is_refused(own: dict[str, float]) -> None:
    with pytest.raises(PlanError, match="reach on"):
        ReachTable.with_own(own)
