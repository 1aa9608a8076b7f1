"""Cells as people type them: commas, feet, dates of spreadsheets and map programs, capitals."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcorr.errors import VerificationError
from netcorr.export.field_values import moment, number, visit_of
from netcorr.units import FOOT_M
from netcorr.verification import Visit


@pytest.mark.parametrize(
    ("cell", "value"),
    [
        ("0.4", 0.4),
        ("0,4", 0.4),
        (" -1.25 ", -1.25),
        (2, 2.0),
        ("", None),
        ("  ", None),
        (None, None),
        (float("nan"), None),
    ],
)
def test_numbers(cell: Any, value: float | None) -> None:
    assert number(cell, name="offset_m") == value


@pytest.mark.parametrize("cell", ["about 1 m", "1.2.3", "inf", "1,234.5"])
def test_what_is_no_number_is_named(cell: str) -> None:
    with pytest.raises(VerificationError, match=r"offset_m: .* is no number"):
        number(cell, name="offset_m")


@pytest.mark.parametrize(
    ("cell", "value"),
    [
        ("2026-03-09", datetime(2026, 3, 9, tzinfo=UTC)),
        ("2026-03-09T14:30Z", datetime(2026, 3, 9, 14, 30, tzinfo=UTC)),
        ("2026-03-09T14:30:00+02:00", datetime(2026, 3, 9, 12, 30, tzinfo=UTC)),
        ("2026/03/09 14:30:05.250", datetime(2026, 3, 9, 14, 30, 5, tzinfo=UTC)),
        (pd.Timestamp("2026-03-09T14:30:00.5+01:00"), datetime(2026, 3, 9, 13, 30, tzinfo=UTC)),
        ("", None),
        (None, None),
    ],
)
def test_times(cell: Any, value: datetime | None) -> None:
    assert moment(cell, name="visited") == value


def test_a_day_whose_month_could_be_either_is_refused() -> None:
    with pytest.raises(VerificationError, match="write it as 2026-03-09"):
        moment("03/09/2026", name="visited")


@given(st.floats(-300, 300))
def test_feet_are_metres(offset_ft: float) -> None:
    in_feet = visit_of({"offset_ft": offset_ft}, candidate_id="c")
    in_metres = visit_of({"offset_m": repr(offset_ft * FOOT_M)}, candidate_id="c")
    assert in_feet.says_the_same(in_metres)


def test_metres_and_feet_that_contradict_each_other() -> None:
    assert visit_of({"depth_m": 1.2, "depth_ft": 3.94}, candidate_id="c").depth_m == 1.2
    with pytest.raises(VerificationError, match=r"1.2 m is not 12 ft \(3.66 m\); give one of the two"):
        visit_of({"depth_m": 1.2, "depth_ft": 12}, candidate_id="c")


@pytest.mark.parametrize("cell", ["Dug and found", " dug  and found ", "DUG AND FOUND"])
def test_the_pick_list_forgives_capitals_and_spaces(cell: str) -> None:
    assert visit_of({"verification": cell}, candidate_id="c").verification == "dug and found"


def test_what_is_not_on_the_pick_list_is_named() -> None:
    with pytest.raises(VerificationError, match="'found!'; choose one of: not visited"):
        visit_of({"verification": "found!"}, candidate_id="c")


def test_empty_cells_and_missing_columns_say_nothing() -> None:
    assert visit_of({}, candidate_id="c") == Visit("c")
    assert visit_of({"verification": None, "crew": "", "field_note": None}, candidate_id="c").is_blank


def test_control_characters_are_taken_out() -> None:
    visit = visit_of({"field_note": "wet\n\x1b[31mred", "crew": " North "}, candidate_id="c")
    assert (visit.note, visit.crew) == ("wet \ufffd[31mred", "North")
