"""The command that plans sites: what it writes, and one clear message for bad input."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
from shapely import Point, box
from shapely.ops import substring

import netcorr
from netcorr.cli import main

TOWN = Path(__file__).parents[2] / "sample_network" / "town.gpkg"
QUICK = ("--time-limit", "10")


def words(folder: Path, *more: str, town: Path = TOWN) -> list[str]:
    (folder / "out").mkdir(exist_ok=True)
    return ["plan", str(town), "-o", str(folder / "out" / "plan.gpkg"), *QUICK, *more]


def layers(folder: Path) -> dict[str, gpd.GeoDataFrame]:
    file = folder / "out" / "plan.gpkg"
    return {name: gpd.read_file(file, layer=name) for name in ("planned_sites", "planned_mains", "dead_ends")}


def changed_town(folder: Path, **columns: Any) -> Path:
    """The sample town with more columns, given as functions of the frame: `mains__risk`, `fittings__...`."""
    file = folder / "town.gpkg"
    for layer in ("mains", "fittings"):
        frame = gpd.read_file(TOWN, layer=layer)
        for name, make in columns.items():
            part, _, column = name.partition("__")
            if part == layer:
                frame[column] = make(frame)
        frame.to_file(file, layer=layer)
    return file


def test_fewest_sites(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words(tmp_path)) == 0
    out, err = capsys.readouterr()
    told = re.match(r"(\d+) sites cover ([\d.]+) km of 10.0 km of main \((\d+) %\)\.\n", out)
    assert told
    assert "proven best" in out
    assert "netcorr: " not in err
    found = layers(tmp_path)
    assert len(found["planned_sites"]) == int(told[1]) > 50
    mains = found["planned_mains"]
    covered_m = mains.loc[mains["state"] == "covered", "length_m"].sum()
    assert covered_m == pytest.approx(1000 * float(told[2]), abs=60)
    assert covered_m == pytest.approx(100 * float(told[3]), abs=60)


def test_most_coverage_with_some_loggers_by_a_column(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    iron = lambda frame: frame["material"].str.contains("cast", case=False).fillna(False) * 5.0 + 0.1  # noqa: E731
    town = changed_town(
        tmp_path, mains__risk=iron, fittings__address=lambda frame: "Row " + frame["asset_id"]
    )
    assert main(words(tmp_path, "-n", "8", "--weight", "RISK", "--json", town=town)) == 0
    record = json.loads(capsys.readouterr().out)
    assert len(record["sites"]) <= 8
    assert record["covered_share"] <= record["bound"] + 1e-9
    by_material = record["by_material"]
    assert by_material["grey_iron"]["covered_m"] > 0.5 * record["covered_m"]
    sites = layers(tmp_path)["planned_sites"]
    assert (sites["address"] == "Row " + sites["fitting"]).all()


def test_sites_fixed_in_and_out(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(words(tmp_path, "-n", "8", "--json"))
    first = json.loads(capsys.readouterr().out)["sites"]
    (tmp_path / "out.txt").write_text("\n".join(first[:3]), encoding="utf-8")
    (tmp_path / "in.csv").write_text("fitting,note\nV101,gate house\n", encoding="utf-8")
    lists = ("--fixed-in", str(tmp_path / "in.csv"), "--fixed-out", str(tmp_path / "out.txt"))
    assert main(words(tmp_path, "-n", "8", *lists, "--json")) == 0
    second = json.loads(capsys.readouterr().out)["sites"]
    assert "V101" in second
    assert not set(first[:3]) & set(second)
    sites = layers(tmp_path)["planned_sites"].set_index("fitting")
    assert sites["fixed"].to_dict() == {name: name == "V101" for name in second}
    (tmp_path / "out.txt").write_text("V101", encoding="utf-8")
    assert main(words(tmp_path, *lists)) == 2
    assert "fitting V101: both fixed in and fixed out" in capsys.readouterr().err


def test_a_coverage_that_cannot_be_reached_ends_with_4(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words(tmp_path, "--cover", "90")) == 4
    out, err = capsys.readouterr()
    assert "proven best" in out
    assert re.search(r"\d\d\.\d % is covered, below the 90 % asked for", err)
    assert (tmp_path / "out" / "plan.gpkg").exists()


def test_a_district_counts_only_what_is_inside(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    fittings = gpd.read_file(TOWN, layer="fittings")
    west, south, east, north = fittings.total_bounds
    gpd.GeoDataFrame(geometry=[box(west, south, (west + east) / 2, north)], crs=fittings.crs).to_file(
        tmp_path / "west.geojson"
    )
    assert main(words(tmp_path, "--district", str(tmp_path / "west.geojson"), "--json")) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["mains_m"] < 7000
    x = fittings.set_index("asset_id").geometry.x
    assert max(x[name] for name in record["sites"]) <= (west + east) / 2


def test_the_function_takes_frames_and_gives_frames() -> None:
    town = {name: gpd.read_file(TOWN, layer=name) for name in ("mains", "fittings")}
    answer = netcorr.plan(town, loggers=6, time_limit_s=10)
    assert len(answer.layers["planned_sites"]) == 6
    assert isinstance(answer.layers["plan_facts"], pd.DataFrame)
    assert answer.exit_code == 0


def no_fittings(folder: Path) -> Path:
    file = folder / "town.gpkg"
    gpd.read_file(TOWN, layer="mains").to_file(file, layer="mains")
    gpd.read_file(TOWN, layer="fittings").iloc[:0].to_file(file, layer="fittings")
    return file


def all_plastic(folder: Path) -> Path:
    return changed_town(folder, mains__material=lambda _: "PE 100")


def disconnected(folder: Path) -> Path:
    """Every main drawn too short to meet another, with one valve on it."""
    file = folder / "town.gpkg"
    mains = gpd.read_file(TOWN, layer="mains")
    middle = [line.interpolate(0.5, normalized=True) for line in mains.geometry]
    names = [f"V{k}" for k in range(len(mains))]
    mains["geometry"] = [substring(line, 0.45, 0.55, normalized=True) for line in mains.geometry]
    mains.to_file(file, layer="mains")
    valves = {"asset_id": names, "kind": "valve"}
    gpd.GeoDataFrame(valves, geometry=middle, crs=mains.crs).to_file(file, layer="fittings")
    return file


def unchanged(folder: Path) -> Path:
    return Path(shutil.copy(TOWN, folder))


BAD: dict[str, tuple[Any, list[str], int, list[str]]] = {
    "no candidate fittings": (no_fittings, [], 3, ["town.gpkg", "fittings"]),
    "no fitting of that kind": (unchanged, ["--kinds", "meter"], 3, ["no candidate", "not meter"]),
    "more loggers than sites": (unchanged, ["-n", "500"], 3, ["500 loggers", "candidate sites"]),
    "reach of zero": (unchanged, ["--reach", "0"], 2, ["--reach", "above 0 m"]),
    "reach that is no number": (unchanged, ["--reach", "far"], 2, ["--reach", "'far' holds no number"]),
    "a reach too short": (unchanged, ["--reach", "0.01"], 3, ["within reach", "0 m"]),
    "disconnected": (disconnected, [], 3, ["town.gpkg", "candidate sites are within reach", "netcorr check"]),
    "no such column": (unchanged, ["--weight", "risc"], 3, ["mains", "no column 'risc'"]),
    "a column of words": (unchanged, ["--weight", "material"], 3, ["mains", "column material holds"]),
    "no such address": (unchanged, ["--address", "strasse"], 3, ["fittings", "no column 'strasse'"]),
    "sweep without loggers": (unchanged, ["--sweep"], 2, ["no number of loggers"]),
    "loggers and coverage": (unchanged, ["-n", "4", "--cover", "50"], 2, ["both a number of loggers"]),
    "one logger": (unchanged, ["-n", "1"], 2, ["2 to 100000"]),
    "coverage above all": (unchanged, ["--cover", "101"], 2, ["0 to 100 %"]),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_is_one_message_and_no_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], case: str
) -> None:
    make, options, code, wanted = BAD[case]
    assert main(words(tmp_path, *options, town=make(tmp_path))) == code
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("netcorr: ") == 1
    assert "Traceback" not in err
    for word in wanted:
        assert word in err
    assert not list((tmp_path / "out").iterdir())


def test_all_plastic_is_planned_with_its_short_reach(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words(tmp_path, town=all_plastic(tmp_path))) == 0
    assert "PE 100" in capsys.readouterr().out
    mains = layers(tmp_path)["planned_mains"]
    assert 0 < mains["pair_length_m"].max() < 100.0


def test_a_district_that_misses_the_network(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    gpd.GeoDataFrame(geometry=[Point(0, 0).buffer(0.01)], crs=4326).to_file(tmp_path / "far.geojson")
    assert main(words(tmp_path, "--district", str(tmp_path / "far.geojson"))) == 3
    assert "outside the district" in capsys.readouterr().err
    assert not list((tmp_path / "out").iterdir())


def test_a_saved_network_has_no_columns_of_its_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    saved = tmp_path / "saved.gpkg"
    main(["check", str(TOWN), "-o", str(tmp_path / "check.gpkg"), "--save", str(saved), "-q"])
    assert main(words(tmp_path, "-n", "6", town=saved)) == 0
    capsys.readouterr()
    assert main(words(tmp_path, "--weight", "risk", town=saved)) == 2
    assert "saved network" in capsys.readouterr().err
