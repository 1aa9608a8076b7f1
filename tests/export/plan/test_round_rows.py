"""The layers of the round: what the timetable says, where it says it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import pandas as pd
import pytest
from osgeo_utils.samples import validate_gpkg

from netcorr.export.plan.tables import write_plan
from netcorr.export.plan.words import plan_text

if TYPE_CHECKING:
    from tests.export.plan.conftest import Round


@pytest.fixture(scope="module")
def written(round_of_town: Round, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("round") / "plan.gpkg"
    one = round_of_town
    write_plan(one.plan, path, timetable=one.timetable, addresses=one.addresses)
    return path


def test_it_is_a_valid_geopackage(written: Path) -> None:
    # checked by validate_gpkg.py of GDAL, which knows the requirements of OGC 12-128
    checker = validate_gpkg.GPKGChecker(str(written), abort_at_first_error=False, warning_msg=False)
    checker.check()
    assert checker.errors == []


def test_setups_together_cover_what_the_plan_covers(round_of_town: Round, written: Path) -> None:
    setups = gpd.read_file(written, layer="setups")
    plan = round_of_town.plan
    assert setups["setup"].tolist() == list(range(1, len(plan.setups) + 1))
    assert setups["new_m"].sum() == pytest.approx(plan.length_m(plan.covered))
    assert (setups["new_m"] <= setups["covered_m"] + 1e-6).all()
    assert (setups["begins"] < setups["records"]).all()
    assert (setups["records"] < setups["ends"]).all()
    ground = setups.geometry.to_crs(plan.mains.network.crs.to_epsg() or plan.mains.network.crs).length
    assert ground.to_numpy() == pytest.approx(setups["covered_m"].to_numpy(), rel=0.02)


def test_visits_and_route_follow_each_other(round_of_town: Round, written: Path) -> None:
    visits = gpd.read_file(written, layer="visits")
    moved = visits[visits["action"] != "stays"]
    assert moved["step"].tolist() == list(range(1, len(moved) + 1))
    for _, night in moved.groupby("night"):
        assert night["arrive"].is_monotonic_increasing
    placed, picked = (moved[moved["action"] == action] for action in ("place", "pick up"))
    assert sorted(zip(placed["logger"], placed["fitting"], strict=True)) == sorted(
        zip(picked["logger"], picked["fitting"], strict=True)
    )
    assert visits["address"].str.contains("Elm").all()
    route = gpd.read_file(written, layer="route")
    ends = moved.set_index("step")
    assert (ends.loc[route["step"], "fitting"].to_numpy() == route["to_fitting"].to_numpy()).all()
    assert route["way_m"].sum() == pytest.approx(round_of_town.timetable.way_m, abs=1.0)
    along = route[route["along_mains"]]
    assert along.geometry.length.to_numpy() == pytest.approx(along["way_m"].to_numpy(), rel=5e-3, abs=0.2)


def test_times_are_those_of_the_wall(round_of_town: Round, written: Path) -> None:
    visits = gpd.read_file(written, layer="visits")
    wall = pd.to_datetime(visits["arrive"], utc=True).dt.tz_convert("Europe/Lisbon").dt.strftime("%H:%M")
    assert visits["at"].tolist() == wall.tolist()
    nights = visits[visits["action"] == "place"].groupby("night")["at"].first()
    assert set(nights) == {"22:00"}


def test_the_words_tell_every_setup(round_of_town: Round) -> None:
    text = plan_text(round_of_town.plan, timetable=round_of_town.timetable)
    assert text.count("recordings at") == len(round_of_town.timetable.setups)
    assert all(len(line) <= 80 for line in text.splitlines())
