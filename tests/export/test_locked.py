"""Columns that only netcorr writes: a change is seen, and what copying does to a value is none."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from netcorr.export.locked import locked_changes

KNOWN: dict[str, Any] = {
    "candidate_id": "c",
    "rank": 1,
    "probability": 0.970123456,
    "in_bracket": True,
    "from_a_m": 41.2345678,
    "recorded": pd.Timestamp("2026-03-01T01:00:00Z"),
    "pipe_id": "M-1",
    "note": None,
    "caution": "Before anyone digs.",
    "verification": "not visited",
}


@pytest.mark.parametrize(
    "row",
    [
        {},
        KNOWN,
        {"from_a_m": 41.2345679, "rank": 1.0, "in_bracket": "true", "note": float("nan")},
        {"recorded": "2026-03-01T02:00:00+01:00", "in_bracket": 1, "caution": "Before anyone digs. "},
        {"note": "On this copy, the point may be 2 m off."},
        {"verification": "dug and found", "crew": "North", "their_own_column": 7},
    ],
)
def test_no_change(row: dict[str, Any]) -> None:
    assert locked_changes(row, KNOWN) == ""


@pytest.mark.parametrize(
    ("row", "wanted"),
    [
        ({"from_a_m": 41.3}, "from_a_m: 41.3 there, 41.2346 in the result"),
        ({"from_a_m": None}, "from_a_m: empty there"),
        ({"from_a_m": "near the tree"}, "from_a_m: near the tree there"),
        ({"in_bracket": False}, "in_bracket: False there, True in the result"),
        ({"recorded": "2026-03-01T01:00:00-05:00"}, "recorded: "),
        ({"pipe_id": "M-2"}, "pipe_id: M-2 there, M-1 in the result"),
        ({"note": "dig here"}, "note: dig here there, empty in the result"),
        ({"caution": "x" * 80}, "caution: " + "x" * 37 + "... there"),
    ],
)
def test_a_change_is_told_with_both_values(row: dict[str, Any], wanted: str) -> None:
    text = locked_changes(row, KNOWN)
    assert text.startswith(wanted)
    assert text.endswith("; the result keeps its own")


def test_a_spreadsheet_may_round() -> None:
    row = {"from_a_m": "41.23", "probability": "0.97"}
    assert locked_changes(row, KNOWN, rounded=True) == ""
    assert locked_changes(row, KNOWN) != ""
    assert locked_changes({"from_a_m": "43"}, KNOWN, rounded=True) != ""
