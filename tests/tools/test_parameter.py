"""Declared limits are kept, and a declaration that contradicts itself is refused."""

from __future__ import annotations

import contextlib
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.errors import UsageError
from netcorr.tools.parameter import DeclarationError, Parameter

DEPTH = Parameter(
    "depth_m", "number", "Depth", "Depth of cover.", ("-d", "--depth"), unit="m", minimum=0, maximum=5
)
COUNT = Parameter("count", "integer", "Count", "How many.", ("--count",), unit="", minimum=1, default=3)
BAND = Parameter("band_hz", "range", "Band", "Frequencies.", ("--band",), unit="Hz", minimum=1, maximum=900)
SIDE = Parameter("side", "choice", "Side", "Which side.", ("--side",), choices=("left", "right"))
ZONE = Parameter("zone", "text", "Zone", "Name of a zone.", ("--zone",))
QUICK = Parameter("quick", "flag", "Quick", "Do it quickly.", ("--quick",), default=False)
TABLE = Parameter("table", "file_in", "Table", "A table.", required=True, suffixes=(".csv",))
TABLES = Parameter("tables", "files_in", "Tables", "Some tables.", required=True, suffixes=(".csv",))
RESULT = Parameter("result", "file_out", "Result", "To write.", ("-o", "--output"), suffixes=(".gpkg",))


@pytest.mark.parametrize(
    ("parameter", "value", "expected"),
    [
        (DEPTH, "1.25", 1.25),
        (DEPTH, 0, 0.0),
        (DEPTH, 5, 5.0),
        (DEPTH, None, None),
        (COUNT, None, 3),
        (COUNT, "7", 7),
        (BAND, ("200", "800"), (200.0, 800.0)),
        (BAND, "200-800", (200.0, 800.0)),
        (BAND, "62.5 - 900", (62.5, 900.0)),
        (BAND, [1, 900], (1.0, 900.0)),
        (SIDE, "left", "left"),
        (ZONE, " UTC ", "UTC"),
        (QUICK, True, True),
        (QUICK, None, False),
        (TABLE, "a/b.CSV", Path("a/b.CSV")),
        (TABLES, "a.csv", (Path("a.csv"),)),
        (TABLES, Path("a.csv"), (Path("a.csv"),)),
        (TABLES, ("b.csv", Path("a.csv")), (Path("b.csv"), Path("a.csv"))),
        (TABLES, ["a.csv"], (Path("a.csv"),)),
    ],
)
def test_value_within_the_limits_is_converted(parameter: Parameter, value: Any, expected: Any) -> None:
    got = parameter.check(value)
    assert got == expected
    assert type(got) is type(expected)


@pytest.mark.parametrize(
    ("parameter", "value", "words"),
    [
        (DEPTH, "deep", ["--depth", "deep", "0 to 5 m"]),
        (TABLES, (), ["TABLES", "one file or several"]),
        (TABLES, 3, ["3", "one file or several"]),
        (TABLES, ["a.csv", "b.txt"], ["b.txt", ".csv"]),
        (TABLES, ["a.csv", "a.csv"], ["a.csv twice", "once"]),
        (DEPTH, -0.001, ["-0.001", "0 to 5 m"]),
        (DEPTH, "nan", ["nan"]),
        (DEPTH, math.inf, ["inf"]),
        (DEPTH, [1], ["number"]),
        (COUNT, 1.5, ["whole number", "at least 1"]),
        (COUNT, 0, ["at least 1"]),
        (BAND, ("800", "200"), ["800 200", "lower one first"]),
        (BAND, (200, 200), ["lower one first"]),
        (BAND, (0, 200), ["1 to 900 Hz"]),
        (BAND, "200", ["two numbers"]),
        (BAND, "200-800-900", ["200-800-900", "two numbers"]),
        (BAND, "low-800", ["low"]),
        (BAND, (1, 2, 3), ["two numbers"]),
        (SIDE, "up", ["up", "left, right"]),
        (ZONE, "  ", ["Name of a zone"]),
        (ZONE, 3, ["Name of a zone"]),
        (QUICK, "yes", ["true or false"]),
        (TABLE, None, ["TABLE", "A table."]),
        (TABLE, "a.xlsx", ["a.xlsx", ".csv"]),
        (TABLE, "", ["name of a file"]),
        (RESULT, "no/such/folder/a.gpkg", ["no folder", "--output"]),
    ],
)
def test_value_outside_the_limits_is_refused_in_words(
    parameter: Parameter, value: Any, words: list[str]
) -> None:
    with pytest.raises(UsageError) as caught:
        parameter.check(value)
    assert caught.value.exit_code == 2
    assert all(word in str(caught.value) for word in words), str(caught.value)


def test_output_that_is_a_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "there.gpkg").mkdir()
    with pytest.raises(UsageError, match="not of a folder"):
        RESULT.check(tmp_path / "there.gpkg")
    assert RESULT.check(tmp_path / "new.gpkg") == tmp_path / "new.gpkg"


@settings(max_examples=50, deadline=None)
@given(st.floats(allow_nan=True, allow_infinity=True))
def test_a_number_is_taken_exactly_when_it_lies_within_the_limits(value: float) -> None:
    if 0 <= value <= 5:
        assert DEPTH.check(value) == DEPTH.check(repr(value)) == value
    else:
        with pytest.raises(UsageError):
            DEPTH.check(value)


@settings(max_examples=50, deadline=None)
@given(st.one_of(st.text(), st.integers(), st.none(), st.lists(st.integers(), max_size=3)))
def test_checking_ends_in_a_value_or_in_a_usage_error(value: Any) -> None:
    for parameter in (DEPTH, COUNT, BAND, SIDE, ZONE, QUICK, TABLE):
        with contextlib.suppress(UsageError):
            parameter.check(value)


@pytest.mark.parametrize(
    ("parameter", "changes", "words"),
    [
        (DEPTH, {"unit": None}, "unit"),
        (SIDE, {"unit": "m"}, "unit"),
        (DEPTH, {"minimum": 6}, "minimum above maximum"),
        (DEPTH, {"default": 7}, "default refused"),
        (DEPTH, {"default": 1, "required": True}, "exclude"),
        (DEPTH, {"name": "depth m"}, "identifier"),
        (DEPTH, {"kind": "colour"}, "unknown kind"),
        (DEPTH, {"help": "Depth of cover"}, "full stop"),
        (DEPTH, {"title": ""}, "title"),
        (DEPTH, {"options": ("depth",)}, "dash"),
        (DEPTH, {"options": ("--depth", "-d")}, "long one comes last"),
        (DEPTH, {"options": ()}, "required"),
        (DEPTH, {"choices": ("1", "2")}, "choices"),
        (SIDE, {"choices": ()}, "choices"),
        (SIDE, {"minimum": 1}, "limits"),
        (SIDE, {"suffixes": (".csv",)}, "suffixes"),
        (TABLE, {"suffixes": ("csv",)}, "dot"),
        (TABLE, {"geometry": ("Point",)}, "source"),
        (QUICK, {"required": True, "default": None}, "flag"),
    ],
)
def test_declaration_that_contradicts_itself_is_refused(
    parameter: Parameter, changes: dict[str, Any], words: str
) -> None:
    with pytest.raises(DeclarationError, match=words):
        replace(parameter, **changes)


@pytest.mark.parametrize(
    ("changes", "limits"),
    [
        ({}, "0 to 5 m"),
        ({"maximum": None}, "at least 0 m"),
        ({"minimum": None}, "at most 5 m"),
        ({"minimum": None, "maximum": None}, "m"),
        ({"unit": ""}, "0 to 5"),
    ],
)
def test_limits_in_words(changes: dict[str, Any], limits: str) -> None:
    assert replace(DEPTH, **changes).limits == limits


def test_label_names_what_to_type() -> None:
    assert DEPTH.label == "Depth (--depth)"
    assert TABLE.label == "Table (TABLE)"
