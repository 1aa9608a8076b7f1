"""The demonstration reads what was written and does not flatter."""

from __future__ import annotations

import importlib
import json
from pathlib import Path
from types import ModuleType
from typing import Any

import geopandas as gpd
import pytest
from shapely import Point

from netcorr.cli import main

LEAK = {"leak": {"sensor_a": "V1", "sensor_b": "V2", "from_a_m": 45.0}}
QUIET: dict[str, Any] = {"leak": None}


@pytest.fixture
def demo() -> ModuleType:
    return importlib.import_module("demo")


def candidate(from_a_m: float = 45.2, **changes: Any) -> dict[str, Any]:
    row = {
        "rank": 1,
        "probability": 0.99,
        "in_bracket": 1,
        "sensor_a": "V1",
        "sensor_b": "V2",
        "from_a_m": from_a_m,
        "from_b_m": 120 - from_a_m,
        "low_m": from_a_m - 2,
        "high_m": from_a_m + 2,
    }
    return row | changes


@pytest.mark.parametrize(
    ("answer", "rows", "agrees", "words"),
    [
        (LEAK, [candidate()], True, ["45.0 m", "45.2 m", "0.20 m off", "holds"]),
        (LEAK, [candidate(46.5)], True, ["1.50 m off", "holds"]),
        (LEAK, [candidate(45.5, low_m=45.2)], True, ["0.50 m off", "misses"]),
        (LEAK, [candidate(60)], False, ["15.00 m off", "misses"]),
        (LEAK, [], False, ["did not find"]),
        (LEAK, [candidate(in_bracket=0)], False, ["did not find"]),
        (LEAK, [candidate(probability=0.4)], False, ["did not find"]),
        (LEAK, [candidate(60, rank=2), candidate()], True, ["45.2 m"]),
        (QUIET, [], True, ["reported none"]),
        (QUIET, [candidate(probability=0.3)], True, ["reported none"]),
        (QUIET, [candidate(in_bracket=0)], True, ["reported none"]),
        (QUIET, [candidate()], False, ["false alarm"]),
    ],
)
def test_comparison_with_the_known_answer(
    demo: ModuleType, answer: dict[str, Any], rows: list[dict[str, Any]], agrees: bool, words: list[str]
) -> None:
    verdict, text = demo.compare(answer, rows)
    assert verdict == agrees, text
    assert all(word in text for word in words), text


@pytest.mark.parametrize(("from_b_m", "word"), [(45.2, "holds"), (60.0, "misses")])
def test_comparison_does_not_depend_on_which_end_is_called_a(
    demo: ModuleType, from_b_m: float, word: str
) -> None:
    row = candidate(120 - from_b_m, sensor_a="V2", sensor_b="V1")
    verdict, text = demo.compare(LEAK, [row])
    assert verdict == (word == "holds")
    assert f"{from_b_m:.1f} m, {from_b_m - 45:.2f} m off" in text
    assert word in text


@pytest.mark.parametrize("survey", ["survey_iron", "survey_mixed", "survey_quiet"])
def test_sample_surveys_give_the_known_answers(survey: str, demo: ModuleType, tmp_path: Path) -> None:
    sample = demo.ROOT / "sample_network"
    words = ["locate", str(sample / "town.gpkg"), str(sample / survey / "deployments.csv")]
    assert main([*words, "-o", str(tmp_path / "result.gpkg"), "--quiet"]) == 0
    assert main(["report", str(tmp_path / "result.gpkg"), "-o", str(tmp_path / "r.html"), "--quiet"]) == 0
    answer = json.loads((sample / "answers.json").read_text(encoding="utf-8"))[survey]
    agrees, text = demo.compare(answer, demo.read_layer(tmp_path / "result.gpkg", "leak_candidates"))
    assert agrees, text


def test_layer_is_read_with_python_alone(demo: ModuleType, tmp_path: Path) -> None:
    frame = gpd.GeoDataFrame({"rank": [1, 2], "note": ["a", None]}, geometry=[Point(0, 0)] * 2, crs=25832)
    frame.to_file(tmp_path / "a.gpkg", layer="leak_candidates")
    rows = demo.read_layer(tmp_path / "a.gpkg", "leak_candidates")
    assert [(row["rank"], row["note"]) for row in rows] == [(1, "a"), (2, None)]


def test_command_names_files_by_relative_paths(demo: ModuleType) -> None:
    for survey in demo.SURVEYS:
        words = demo.arguments(survey)
        report = demo.report_arguments(survey)
        assert (words[0], report[0]) == ("locate", "report")
        assert report[1] in words
        assert not any(Path(word).is_absolute() for word in (*words, *report))
