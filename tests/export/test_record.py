"""The answer for machines."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pyproj
import pytest

from netcorr.export.record import survey_dict
from netcorr.position.fix import SurveyFix

UNIT_ENDINGS = ("_m", "_ms", "_s", "_hz", "_mm", "_m_s", "_deg", "_m2")
#: Numbers without a unit: counts, probabilities, ranks and coordinates in the CRS of the network.
PURE = {"rank", "rounds_used", "coherence", "significance", "round", "row", "x", "y"}


def numbers(value: Any, name: str = "") -> Iterator[tuple[str, float]]:
    """Every number with the key under which it stands."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from numbers(item, key)
    elif isinstance(value, list):
        for item in value:
            yield from numbers(item, name)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield name, value


def test_is_strict_json(make_fix: Callable[..., SurveyFix], silent: SurveyFix) -> None:
    for fix in (make_fix(), silent):
        text = json.dumps(survey_dict(fix), allow_nan=False)
        assert json.loads(text) == survey_dict(fix)


def test_every_number_names_its_unit(make_fix: Callable[..., SurveyFix]) -> None:
    found = dict(numbers(survey_dict(make_fix())))
    wrong = [
        name for name in found
        if name not in PURE and not name.startswith("probability") and not name.endswith(UNIT_ENDINGS)
    ]  # fmt: skip
    assert not wrong
    assert len(found) > 25


def test_values(make_fix: Callable[..., SurveyFix]) -> None:
    answer = survey_dict(make_fix())
    [candidate] = answer["candidates"]
    [pair] = answer["pairs"]
    assert candidate["from_a_m"] == 41.2
    assert candidate["delay_ms"] == pytest.approx(16.3)
    assert candidate["in_bracket"] is True
    assert candidate["branches"] == [{"from_a_m": 40.0, "pipe_ids": ["M-9"]}]
    assert pair["candidate_ids"] == [candidate["candidate_id"]]
    assert [s["speed_m_s"] for s in pair["segments"]] == [1240.0, 390.0]
    assert [r["round"] for r in pair["rounds"]] == [1, 2]
    assert answer["rejected"][0]["reason"] == "the file ends after 2.1 of 10.0 s"
    assert any("licensed crew" in text for text in answer["cautions"])


def test_position_in_degrees(make_fix: Callable[..., SurveyFix]) -> None:
    fix = make_fix()
    [candidate] = survey_dict(fix)["candidates"]
    lon, lat = pyproj.Proj("EPSG:25832")(candidate["x"], candidate["y"], inverse=True)
    assert (candidate["longitude_deg"], candidate["latitude_deg"]) == pytest.approx((lon, lat), abs=1e-9)


def test_what_is_not_known_is_none(make_fix: Callable[..., SurveyFix]) -> None:
    fix = make_fix()
    odd = replace(fix.candidates[0], diameter_mm=float("nan"), sd_m=float("inf"), material=None)
    [candidate] = survey_dict(replace(fix, candidates=(odd,)))["candidates"]
    assert candidate["diameter_mm"] is None
    assert candidate["sd_m"] is None
    assert candidate["material"] is None


def test_numbers_of_numpy_become_plain(make_fix: Callable[..., SurveyFix]) -> None:
    fix = make_fix()
    odd = replace(fix.candidates[0], from_a_m=np.float32(1.5), rank=np.int64(1))
    [candidate] = survey_dict(replace(fix, candidates=(odd,)))["candidates"]
    assert type(candidate["from_a_m"]) is float
    assert type(candidate["rank"]) is int


def test_nothing_found(silent: SurveyFix) -> None:
    answer = survey_dict(silent)
    assert answer["candidates"] == []
    assert answer["pairs"][0]["outcome"] == "no leak heard"
    assert answer["pairs"][0]["sd_parts"] is None
