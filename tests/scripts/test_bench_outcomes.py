"""Outcomes of a broken-off benchmark are read again, and only those of the same code."""

from __future__ import annotations

import importlib
import json
import math
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest


@pytest.fixture
def kept() -> ModuleType:
    return importlib.import_module("bench_outcomes")


def answer(kept: ModuleType, number: int) -> Any:
    return kept.MixedAnswer(
        kept.MixedJob(1, number),
        "leak",
        "metal",
        "between",
        between=0.9,
        levels=(0.3, 0.4),
        candidates=((0.8, True, True), (0.1, False, False)),
        fault="",
    )


def test_what_was_kept_is_read_again(kept: ModuleType, tmp_path: Path) -> None:
    file = tmp_path / "outcomes.jsonl"
    first = kept.Outcomes(file)
    for number in range(3):
        first.add(answer(kept, number))
    again = kept.Outcomes(file)
    assert again.answers == first.answers
    assert again.answers[kept.MixedJob(1, 2)].error_m == math.inf


def test_a_line_cut_off_is_run_again(kept: ModuleType, tmp_path: Path) -> None:
    file = tmp_path / "outcomes.jsonl"
    kept.Outcomes(file).add(answer(kept, 0))
    with file.open("a") as stream:
        stream.write('{"code": "')
    assert list(kept.Outcomes(file).answers) == [kept.MixedJob(1, 0)]


def test_outcomes_of_other_code_count_for_nothing(kept: ModuleType, tmp_path: Path) -> None:
    file = tmp_path / "outcomes.jsonl"
    kept.Outcomes(file).add(answer(kept, 0))
    row = json.loads(file.read_text())
    file.write_text(json.dumps(row | {"code": "of yesterday"}) + "\n")
    assert kept.Outcomes(file).answers == {}


def test_nothing_is_written_without_a_file(kept: ModuleType) -> None:
    outcomes = kept.Outcomes(None)
    outcomes.add(answer(kept, 0))
    assert list(outcomes.answers) == [kept.MixedJob(1, 0)]


def test_the_code_that_counts_is_that_which_makes_the_outcomes(kept: ModuleType) -> None:
    folders = {path.parent.name for path in kept.CODE}
    assert {"delay", "position", "simulation", "speed", "network", "recordings"} <= folders
    assert kept.code_fingerprint() == kept.code_fingerprint()


def test_a_run_goes_on_where_it_was_broken_off(
    kept: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = importlib.import_module("bench_calibration")
    file = tmp_path / "outcomes.jsonl"
    kept.Outcomes(file).add(answer(kept, 1))
    run: list[int] = []

    def run_all(function: object, jobs: list[Any], *, workers: int, keep: Any) -> None:
        for job in jobs:
            run.append(job.number)
            keep(answer(kept, job.number))

    monkeypatch.setattr(bench, "run_all", run_all)
    bench.bench_calibration(surveys=3, seed=1, workers=1, outcomes=file)
    assert run == [0, 2]
    assert len(kept.Outcomes(file).answers) == 3
