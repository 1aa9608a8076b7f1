"""The benchmark of taps and of noise from beyond: surveys repeat, truths are hidden, figures are judged."""

from __future__ import annotations

import importlib
from types import ModuleType
from typing import Any

import pytest


@pytest.fixture
def bench() -> ModuleType:
    return importlib.import_module("bench_known")


def answer(bench: ModuleType, kind: str, *, speed: float, clock_s: float) -> Any:
    return bench.KnownAnswer(bench.KnownJob(kind, 1, 1), (speed,), (0.01,), (clock_s,), (2e-4,))


def test_the_same_job_gives_the_same_survey(bench: ModuleType) -> None:
    job = bench.KnownJob("steady noise beyond", 2, 1)
    first, again = bench.run_known(job), bench.run_known(job)
    assert first == again
    assert max(abs(error) for error in first.clock_errors_s) < 2e-4
    assert bench.run_known(bench.KnownJob("steady noise beyond", 2, 2)) != first


def test_figures_are_judged(
    bench: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for speed, clock_s, met in ((0.004, 1e-4, True), (0.03, 9e-4, False)):
        made = [answer(bench, kind, speed=speed, clock_s=clock_s) for kind in bench.KINDS for _ in range(3)]
        monkeypatch.setattr(bench, "run_all", lambda *_, made=made, **__: made)
        assert [one.met for one in bench.bench_known(surveys=1, seed=1, workers=1)] == [met, met]
    out = capsys.readouterr().out
    assert "3 of 3" in out
    assert "0 of 3" in out


def test_nothing_taught_meets_nothing(bench: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    silent = [bench.KnownAnswer(bench.KnownJob(kind, 1, 1), (), (), (), ()) for kind in bench.KINDS]
    monkeypatch.setattr(bench, "run_all", lambda *_, **__: silent)
    assert not any(one.met for one in bench.bench_known(surveys=1, seed=1, workers=1))
