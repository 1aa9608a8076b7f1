"""The layers of a plan: complete, valid, and the same as the plan itself."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import pytest
from osgeo_utils.samples import validate_gpkg

from netcorr.export.plan.facts import plan_dict
from netcorr.export.plan.schema import PLAN_LAYERS, PLANNED_MAINS
from netcorr.export.plan.styles import PLAN_STYLES
from netcorr.export.plan.tables import states, write_plan
from netcorr.export.plan.words import plan_text, verdict
from netcorr.layers import read_network_layers
from netcorr.network import build_network
from netcorr.planning import Plan, PlanSettings, make_plan
from netcorr.planning.candidates import candidate_sites
from netcorr.planning.from_network import planning_map
from netcorr.planning.reach import ReachTable

TOWN = Path(__file__).parents[3] / "sample_network" / "town.gpkg"


@pytest.fixture(scope="module")
def plan() -> Plan:
    network = build_network(read_network_layers(TOWN))
    settings = PlanSettings(loggers=10, time_limit_s=10)
    return make_plan(planning_map(network, reach=ReachTable()), candidate_sites(network), settings=settings)


def test_it_is_a_valid_geopackage(plan: Plan, tmp_path: Path) -> None:
    # checked by validate_gpkg.py of GDAL, which knows the requirements of OGC 12-128
    write_plan(plan, tmp_path / "plan.gpkg")
    checker = validate_gpkg.GPKGChecker(
        str(tmp_path / "plan.gpkg"), abort_at_first_error=False, warning_msg=False
    )
    checker.check()
    assert checker.errors == []


def test_layers_say_what_the_plan_says(plan: Plan, tmp_path: Path) -> None:
    write_plan(plan, tmp_path / "plan.gpkg", addresses={"H016": "Mill Lane 4\nyard"})
    sites = gpd.read_file(tmp_path / "plan.gpkg", layer="planned_sites")
    assert sorted(sites["fitting"]) == sorted(plan.problem.sites.fitting[plan.sites])
    assert set(sites["address"].dropna()) <= {"Mill Lane 4 yard"}
    mains = gpd.read_file(tmp_path / "plan.gpkg", layer="planned_mains")
    covered = mains[mains["state"] == "covered"]
    assert covered["length_m"].sum() == pytest.approx(plan.length_m(plan.covered))
    assert (covered["pairs"] >= 1).all()
    assert set(covered["sensor_a"]) | set(covered["sensor_b"]) <= set(sites["fitting"])
    assert (covered["pair_length_m"] <= mains["reach_m"].max() + 1e-6).all()
    assert mains.loc[mains["state"] != "covered", "sensor_a"].isna().all()
    assert mains["length_m"].sum() == pytest.approx(plan.length_m(plan.wanted))
    ends = gpd.read_file(tmp_path / "plan.gpkg", layer="dead_ends")
    assert ends["length_m"].sum() == pytest.approx(plan.length_m(plan.no_way_beyond))
    assert ends["dead_end"].tolist() == list(range(1, len(ends) + 1))


def test_every_state_has_a_look_and_a_word(plan: Plan) -> None:
    column = next(one for one in PLANNED_MAINS.columns if one.name == "state")
    style = next(one for one in PLAN_STYLES if one.layer is PLANNED_MAINS)
    assert {rule.conditions[0].value for rule in style.rules} == set(column.choices)
    assert set(states(plan)) <= set(column.choices)
    assert {one.layer.name for one in PLAN_STYLES} == {one.name for one in PLAN_LAYERS}


def test_the_words_hold_bound_and_gap(plan: Plan) -> None:
    text = plan_text(plan)
    assert text.startswith("10 sites cover ")
    assert "proven best" in text or "gap" in text
    assert "Dead ends beyond the last candidate" in text
    assert all(len(line) <= 80 for line in text.splitlines())
    assert " ft" in plan_text(plan, units="us")
    assert verdict(plan) == ""


def test_the_record_is_plain_json(plan: Plan) -> None:
    record = json.loads(json.dumps(plan_dict(plan), allow_nan=False))
    assert record["covered_m"] == pytest.approx(plan.length_m(plan.covered))
    assert record["bound"] >= record["covered_share"] - 1e-9
    parts = record["by_material"].values()
    assert sum(one["covered_m"] for one in parts) == pytest.approx(record["covered_m"])
