"""How well leaks would be placed by a plan: layer, words, figures."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest

from netcorr.export.plan.expected import EXPECTED_FIX, expected_dict, expected_words
from netcorr.export.plan.tables import write_plan
from netcorr.export.plan.words import plan_text
from netcorr.planning.expected_map import ExpectedFix, expected_fix
from netcorr.planning.reach import COMMON_BUDGET
from tests.export.plan.conftest import Round


@pytest.fixture(scope="module")
def expected(round_of_town: Round) -> ExpectedFix:
    plan = round_of_town.plan
    assert plan.sweep is not None
    return expected_fix(
        plan.mains, plan.problem.sites, plan.sweep.setups, budget=COMMON_BUDGET, loose_from_m=3.0
    )


def test_the_layer_holds_what_the_sweep_covers(
    round_of_town: Round, expected: ExpectedFix, tmp_path: Path
) -> None:
    plan = round_of_town.plan
    write_plan(plan, tmp_path / "plan.gpkg", expected=expected)
    table = gpd.read_file(tmp_path / "plan.gpkg", layer=EXPECTED_FIX.name)
    assert table["length_m"].sum() == pytest.approx(plan.length_m(plan.covered))
    assert set(table["fix"]) <= {"tight", "loose", "unknown"}
    assert ((table["expected_m"] > 3.0) == (table["fix"] == "loose")).all()
    assert set(table["sensor_a"]) <= set(plan.problem.sites.fitting[plan.sites])
    mains = gpd.read_file(tmp_path / "plan.gpkg", layer="planned_mains")
    covered = mains[mains["state"] == "covered"]
    assert table["length_m"].sum() == pytest.approx(covered["length_m"].sum())


def test_words_and_figures(round_of_town: Round, expected: ExpectedFix) -> None:
    text = plan_text(round_of_town.plan, expected=expected)
    assert "How well a leak would be placed" in text
    assert "too loose to dig" in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 80
    found = expected_dict(expected)
    assert found["best_m"] <= found["median_m"] <= found["worst_m"]
    assert found["loose_main_m"] == pytest.approx(expected.cuts.length_m[expected.expected_m > 3.0].sum())
    assert "How well" not in plan_text(round_of_town.plan)


def test_unknown_speeds_are_said(expected: ExpectedFix) -> None:
    blank = replace(expected, expected_m=np.full(len(expected.expected_m), np.nan))
    (said,) = expected_words(blank, "metric")
    assert "unknown material or size" in said
    assert expected_dict(blank)["median_m"] is None
