"""The benchmark of learning judges rightly, and a small town runs through it."""

from __future__ import annotations

import importlib
from types import ModuleType
from typing import Any

import pytest


@pytest.fixture
def bench() -> ModuleType:
    return importlib.import_module("bench_learning")


def towns(bench: ModuleType, *, better: float, held: float, deviation: float) -> list[Any]:
    """Twenty towns whose error shrinks to a share with finds, and whose areas hold a share of the leaks."""

    def streets(number: int) -> tuple[Any, ...]:
        return tuple(
            bench.Street(count, 1.5 * (better if count else 1.0), number < 20 * held, 5.0)
            for count in bench.FINDS
        )

    return [bench.Learned(streets(number), (deviation, -deviation)) for number in range(20)]


def test_a_good_run_meets_its_targets(bench: ModuleType, capsys: pytest.CaptureFixture[str]) -> None:
    assert all(one.met for one in bench.report(towns(bench, better=0.5, held=1.0, deviation=1.0)))
    assert "learned scales miss by 1.00 of their stated deviation" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("changed", "missed"), [({"better": 1.2}, 0), ({"held": 0.6}, 1), ({"deviation": 2.5}, 2)]
)
def test_what_goes_wrong_is_noticed(bench: ModuleType, changed: dict[str, float], missed: int) -> None:
    usual = {"better": 0.5, "held": 1.0, "deviation": 1.0}
    found = bench.report(towns(bench, **(usual | changed)))
    assert [number for number, one in enumerate(found) if not one.met] == [missed]


def test_a_town_runs(bench: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bench, "FINDS", (0, 1))
    monkeypatch.setattr(bench, "TESTS", 1)
    learned = bench._learn(bench.Town(seed=1, number=0))
    assert {one.finds for one in learned.streets} == {0, 1}
    assert all(one.width_m > 0 for one in learned.streets)
    assert learned.streets == bench._learn(bench.Town(seed=1, number=0)).streets
