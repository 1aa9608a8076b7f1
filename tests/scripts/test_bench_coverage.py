"""The benchmark of coverage, on a village."""

from __future__ import annotations

import importlib

import pytest


def test_a_village_is_covered_and_timed(capsys: pytest.CaptureFixture[str]) -> None:
    bench = importlib.import_module("bench_coverage")
    targets = bench.coverage_of_a_city(seed=2, mains=300, fittings=200, sites=60)
    assert [one.met for one in targets] == [True, True]
    out = capsys.readouterr().out
    assert "side by side" in out
    assert "strewn" in out
