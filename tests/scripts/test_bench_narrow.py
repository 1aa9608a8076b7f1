"""The benchmark of narrow bands draws what it says and judges stated probabilities rightly."""

from __future__ import annotations

import importlib
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from scipy import signal


@pytest.fixture
def bench() -> ModuleType:
    return importlib.import_module("bench_narrow")


def answer(bench: ModuleType, *places: tuple[float, bool]) -> Any:
    return bench.NarrowAnswer(bench.NarrowJob((55.0, 65.0), 1.5, 1, 0), places)


def test_recordings_hold_the_band_at_its_level_and_the_delay(bench: ModuleType) -> None:
    job = bench.NarrowJob((42.0, 58.0), 3.0, 1, 0)
    heard = bench._record(job, 1)
    f, power = signal.welch(heard, bench.RATE_HZ, nperseg=1000)
    inside, outside = (f > 43) & (f < 57), f > 70
    assert power[:, inside].mean() / power[:, outside].mean() == pytest.approx(1 + job.ratio, rel=0.2)
    f, cross = signal.csd(*heard, bench.RATE_HZ, nperseg=1000)
    delay_s = (bench.LENGTH_M - 2 * bench.LEAK_M) / bench.SPEED_M_S
    steered = cross[inside] * np.exp(2j * np.pi * f[inside] * delay_s)
    assert abs(np.angle(steered.sum())) < 0.15
    # another round and another draw are other noise
    assert not np.allclose(heard, bench._record(job, 2))
    assert np.array_equal(heard, bench._record(job, 1))


def test_a_clear_band_is_one_sure_place_that_is_right(bench: ModuleType) -> None:
    places = bench.run_narrow(bench.NarrowJob((42.0, 58.0), 3.0, 1, 0)).places
    assert max(places)[0] > 0.8
    assert max(places)[1]


def test_classes_are_judged_by_their_mean_or_by_chance(
    bench: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    sure_and_wrong = answer(bench, *([(0.9, False)] * 12 + [(0.9, True)] * 3), (0.3, False))
    monkeypatch.setattr(bench, "run_all", lambda function, jobs, *, workers: [sure_and_wrong])
    met = {one.name: one.met for one in bench.bench_narrow(surveys=1, seed=1, workers=1)}
    assert met == {
        "places stated 0.05 to 0.2: right": True,  # none
        "places stated 0.2 to 0.5: right": True,  # one miss is chance
        "places stated 0.5 to 0.8: right": True,
        "places stated 0.8 to 1: right": False,  # 3 of 15
    }
    assert "15, 0.90, 3" in capsys.readouterr().out
