"""The benchmark of one large survey: what it draws, what it prints, what it calls missed."""

from __future__ import annotations

import importlib
from concurrent.futures import Future
from dataclasses import replace
from types import ModuleType
from typing import Any

import pytest


@pytest.fixture
def large() -> ModuleType:
    return importlib.import_module("bench_large")


class AtOnce:
    """Takes the place of a pool: runs what it is given at once."""

    def __init__(self, *_: Any, **__: Any) -> None:
        pass

    def __enter__(self) -> AtOnce:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def submit(self, work: Any, *args: Any, **more: Any) -> Future[Any]:
        done: Future[Any] = Future()
        done.set_result(work(*args, **more))
        return done


@pytest.fixture
def runs(large: ModuleType, monkeypatch: pytest.MonkeyPatch) -> dict[tuple[int, int], Any]:
    """What each map takes, to be changed by a test."""
    usual = large.Run("iron", 2000, 100, seconds=30.0, peak_mb=500.0, error_m=1.0)
    by_map = {large.DISTRICT: usual, large.CITY: replace(usual, mains=8000, seconds=40.0)}

    def run_survey(pipes: str, *, seed: int, crossings: tuple[int, int]) -> Any:
        return replace(by_map[crossings], pipes=pipes)

    monkeypatch.setattr(large, "ProcessPoolExecutor", AtOnce)
    monkeypatch.setattr(large, "run_survey", run_survey)
    return by_map


def missed(targets: list[Any]) -> list[str]:
    return [one.name for one in targets if not one.met]


def test_each_material_is_run_on_both_maps(
    large: ModuleType, runs: dict[tuple[int, int], Any], capsys: pytest.CaptureFixture[str]
) -> None:
    assert missed(large.bench_large()) == []
    printed = capsys.readouterr().out
    assert printed.count("8000") == printed.count("2000") == len(large.PIPES)


@pytest.mark.parametrize(
    ("changes", "name"),
    [
        ({"seconds": 61.0}, "iron: time"),
        ({"peak_mb": 2001.0}, "iron: memory"),
        ({"seconds": 20.0}, "iron: four times the map"),
    ],
)
def test_what_takes_too_much_is_missed(
    large: ModuleType, runs: dict[tuple[int, int], Any], changes: dict[str, float], name: str
) -> None:
    runs[large.DISTRICT] = replace(runs[large.DISTRICT], **changes)
    assert name in missed(large.bench_large())


def test_a_small_one_is_drawn_and_located(large: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(large, "LOGGERS", 12)
    monkeypatch.setattr(large, "DISTRICT", (14, 8))
    monkeypatch.setattr(large, "ROUNDS", (1,))
    run = large.run_survey("iron", seed=1, crossings=(14, 8))
    assert run.mains > 100
    assert run.pairs > 5
    # two of the loggers stand on either side of the leak, at +6 dB
    assert run.error_m < 10
    assert run.seconds > 0
    assert run.peak_mb > 0
