"""A tool checks once, from its declaration, and its declaration fits its function."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from netcorr.errors import UsageError
from netcorr.feedback import Feedback, NoFeedback
from netcorr.tools.declare import Tool
from netcorr.tools.parameter import DeclarationError, Parameter
from netcorr.tools.registry import Registry


@dataclass(frozen=True)
class Answer:
    """What the tool under test was called with."""

    values: dict[str, Any]
    exit_code: int = 0
    verdict: str = ""
    files: tuple[Path, ...] = ()

    def text(self) -> str:
        return str(self.values)

    def as_dict(self) -> dict[str, Any]:
        return self.values


def measure(
    *, table: Path, depth_m: float, output: Path | None, copy: Path | None, feedback: Feedback
) -> Answer:
    return Answer({"table": table, "depth_m": depth_m, "output": output, "copy": copy, "feedback": feedback})


MEASURE = Tool(
    id="measure",
    title="Measure",
    purpose="Measure something.",
    function=measure,
    parameters=(
        Parameter("table", "file_in", "Table", "A table.", required=True),
        Parameter("depth_m", "number", "Depth", "Depth.", ("--depth",), unit="m", minimum=0, default=1.0),
        Parameter("output", "file_out", "Result", "To write.", ("-o", "--output")),
        Parameter("copy", "file_out", "Copy", "To write as well.", ("--copy",)),
    ),
)


def test_function_gets_checked_values_and_defaults() -> None:
    result = MEASURE.run({"table": "a.csv"})
    values = result.as_dict()
    assert isinstance(values.pop("feedback"), NoFeedback)
    assert values == {"table": Path("a.csv"), "depth_m": 1.0, "output": None, "copy": None}


def test_feedback_is_handed_on() -> None:
    feedback = NoFeedback()
    assert MEASURE.run({"table": "a.csv"}, feedback=feedback).as_dict()["feedback"] is feedback


def test_unknown_parameter_is_refused_with_the_known_ones() -> None:
    with pytest.raises(UsageError, match="depth_m"):
        MEASURE.run({"table": "a.csv", "depth": 2})


def test_missing_parameter_is_refused() -> None:
    with pytest.raises(UsageError, match="Table"):
        MEASURE.check({})


@pytest.mark.parametrize(
    "values",
    [
        {"table": "map.gpkg", "output": "map.gpkg"},
        {"table": "map.gpkg", "output": "./map.gpkg"},
        {"table": "map.gpkg", "output": "a.gpkg", "copy": "a.gpkg"},
    ],
)
def test_output_never_overwrites_an_input_or_another_output(
    values: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(UsageError, match="already the file for"):
        MEASURE.check(values)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"id": "Measure It"}, "lower case"),
        ({"title": ""}, "title"),
        ({"purpose": "Measure"}, "full stop"),
        ({"parameters": MEASURE.parameters[:2]}, "function and parameters differ"),
        ({"parameters": (*MEASURE.parameters, MEASURE.parameters[0])}, "declared twice"),
        (
            {"parameters": (*MEASURE.parameters[:3], replace(MEASURE.parameters[3], options=("--output",)))},
            "option is declared twice",
        ),
        ({"function": lambda table, depth_m, output, copy: None}, "function and parameters differ"),
    ],
)
def test_declaration_that_does_not_fit_is_refused(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(DeclarationError, match=words):
        replace(MEASURE, **changes)


def test_registry_keeps_order_and_refuses_twins() -> None:
    other = replace(MEASURE, id="another")
    registry = Registry((MEASURE, other))
    assert list(registry) == ["measure", "another"]
    assert registry["another"] is other
    assert len(registry) == 2
    with pytest.raises(DeclarationError, match="same id"):
        Registry((MEASURE, MEASURE))


def test_tool_without_layers_declares_none() -> None:
    assert MEASURE.outputs() == ()
