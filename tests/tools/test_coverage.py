"""The command for coverage: files, exit codes, and one clear message for bad input."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely

import netcorr
from netcorr.cli import main
from netcorr.export import save_network
from netcorr.tools.open_map import open_map

SAMPLE = Path(__file__).parents[2] / "sample_network"
TOWN = SAMPLE / "town.gpkg"


@pytest.fixture
def sites(tmp_path: Path) -> Path:
    """Forty fittings next to each other in the sample town."""
    fittings = pyogrio.read_dataframe(TOWN, layer="fittings")
    near = fittings.distance(fittings.geometry.iloc[0]).argsort()[:40]
    file = tmp_path / "sites.txt"
    file.write_text("\n".join(fittings["asset_id"].iloc[near]))
    return file


def run(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    code = main(["coverage", *map(str, words)])
    out, err = capsys.readouterr()
    return code, out, err


def test_a_list_of_sites(sites: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, TOWN, sites, "-o", tmp_path / "c.gpkg")
    assert code == 0
    assert out.startswith("town.gpkg: 40 sensors cover ")
    table = pyogrio.read_dataframe(tmp_path / "c.gpkg", layer="coverage")
    assert (table["state"] == "covered").any()


def test_a_picture_of_it(sites: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = (TOWN, sites, "-o", tmp_path / "c.gpkg", "--map-picture", tmp_path / "c.png")
    code, out, _ = run(capsys, *words)
    assert code == 0
    assert out.splitlines()[-1].strip() == str(tmp_path / "c.png")
    assert (tmp_path / "c.png").read_bytes().startswith(b"\x89PNG")


def test_the_loggers_of_a_survey(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    deployments = SAMPLE / "survey_iron" / "deployments.csv"
    code, out, _ = run(capsys, TOWN, deployments, "-o", tmp_path / "c.gpkg", "--json")
    assert code == 0
    said = json.loads(out)
    assert said["sensors"] == 2
    assert said["files"] == [str(tmp_path / "c.gpkg")]


def test_less_than_asked_for_is_exit_code_4(
    sites: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = run(capsys, TOWN, sites, "-o", tmp_path / "c.gpkg", "--minimum-coverage", 99)
    assert code == 4
    assert "% of the mains are covered, below the 99 % asked for" in err


def test_python_gives_layers_back(sites: Path) -> None:
    fittings = pd.DataFrame({"fitting": sites.read_text().split()})
    answer = netcorr.coverage(TOWN, fittings, source_db=30.0)
    assert set(answer.layers) >= {"coverage", "dead_ends", "sensor_pairs", "coverage_totals"}
    faint = netcorr.coverage(TOWN, fittings, source_db=5.0)
    assert answer.as_dict()["covered_m"] > faint.as_dict()["covered_m"]


def test_a_district_and_zones(sites: Path, tmp_path: Path) -> None:
    fittings = pyogrio.read_dataframe(TOWN, layer="fittings")
    x0, y0, x1, y1 = fittings.total_bounds
    half = gpd.GeoDataFrame(
        {"dma": ["west"]}, geometry=[shapely.box(x0 - 9, y0 - 9, (x0 + x1) / 2, y1 + 9)], crs=fittings.crs
    )
    whole = netcorr.coverage(TOWN, sites, zones=half)
    inside = netcorr.coverage(TOWN, sites, district=half)
    zone = {one["name"]: one["total_m"] for one in whole.as_dict()["groups"] if one["by"] == "zone"}
    assert set(zone) == {"west", ""}
    assert inside.as_dict()["total_m"] == pytest.approx(zone["west"])
    half.to_file(tmp_path / "half.gpkg")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--reach", "0"], "reach on all mains: 0 m; give a length above 0 m"),
        (["--loudness=-40", "--recording-length", "0.1"], "the reach is 0 m; record longer"),
        (["--kinds", "tap"], "kinds of fittings: tap; give some of valve"),
        (["--exclude", "acces"], "no column 'acces'"),
        (["--where", "nothing = 1"], "the condition 'nothing = 1' cannot be understood"),
        (["--zone-column", "dma"], "mains: no column 'dma'"),
        (["--reach-file", "none.toml"], "none.toml: cannot be read"),
        (["--loose-from", "0"], "Too loose to dig (--loose-from): 0"),
    ],
)
def test_options_that_cannot_be_right(
    sites: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    code, _, err = run(capsys, TOWN, sites, "-o", tmp_path / "c.gpkg", *words)
    assert code in (2, 3)
    assert said in err
    assert not (tmp_path / "c.gpkg").exists(), "never an empty file"


def test_a_district_that_misses_the_network(
    sites: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bounds = pyogrio.read_info(TOWN, layer="mains")["total_bounds"]
    away = shapely.box(*(value + 50_000 for value in bounds))
    crs = pyogrio.read_info(TOWN, layer="mains")["crs"]
    gpd.GeoSeries([away], crs=crs).to_file(tmp_path / "away.gpkg")
    words = (TOWN, sites, "-o", tmp_path / "c.gpkg", "--district", tmp_path / "away.gpkg")
    code, _, err = run(capsys, *words)
    assert code == 3
    assert "town.gpkg: no main lies in the district; check the polygon and its CRS" in err
    assert not (tmp_path / "c.gpkg").exists()


def test_sites_that_are_not_on_the_map(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "sites.txt").write_text("NOPE1\nNOPE2\n")
    code, _, err = run(capsys, TOWN, tmp_path / "sites.txt", "-o", tmp_path / "c.gpkg")
    assert code == 3
    assert "sites.txt: 2 of 2 sites are no fitting of town.gpkg: row 1: NOPE1" in err


def test_no_candidate_at_all_is_a_note(
    sites: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = run(capsys, TOWN, sites, "-o", tmp_path / "c.gpkg", "--kinds", "other")
    assert code == 0
    assert "no fitting of the map may carry a logger by the rules given: 239 not other" in " ".join(
        out.split()
    )


def test_all_plastic_and_in_two_pieces(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    corner = 500_000.0, 5_400_000.0
    lines = [
        shapely.LineString([(corner[0] + a, corner[1] + y), (corner[0] + b, corner[1] + y)])
        for a, b, y in ((0, 120, 0), (0, 120, 60))
    ]
    mains = gpd.GeoDataFrame(
        {"asset_id": ["A", "B"], "material": "pe100", "diameter_mm": 110}, geometry=lines, crs="EPSG:25832"
    )
    points = [shapely.Point(corner[0] + x, corner[1] + y) for x, y in ((0, 0), (120, 0), (0, 60), (120, 60))]
    fittings = gpd.GeoDataFrame(
        {"asset_id": ["V1", "V2", "V3", "V4"], "kind": "valve"}, geometry=points, crs="EPSG:25832"
    )
    mains.to_file(tmp_path / "town.gpkg", layer="mains")
    fittings.to_file(tmp_path / "town.gpkg", layer="fittings")
    (tmp_path / "sites.txt").write_text("V1\nV2\n")
    code, out, _ = run(capsys, tmp_path / "town.gpkg", tmp_path / "sites.txt", "-o", tmp_path / "c.gpkg")
    assert code == 0
    text = " ".join(out.split())
    assert "2 sensors cover 0.0 % of the mains" in text
    assert "too far for the material 120 m 50.0 %" in text
    assert "broken map 120 m 50.0 %" in text
    assert "PE 100 110 mm 40 m common practice" in text
    assert len(pyogrio.read_dataframe(tmp_path / "c.gpkg", layer="coverage")) >= 2


def test_a_saved_network_is_enough(sites: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    save_network(open_map(TOWN), tmp_path / "saved.gpkg")
    code, out, _ = run(capsys, tmp_path / "saved.gpkg", sites, "-o", tmp_path / "c.gpkg")
    assert code == 0
    words = (tmp_path / "saved.gpkg", sites, "-o", tmp_path / "c.gpkg", "--zone-column", "dma")
    code, _, err = run(capsys, *words)
    assert code == 2
    assert "--zone-column was given, but it no longer has the columns of the map" in err
    assert "40 sensors cover" in out


@pytest.mark.parametrize("survey", ["survey_iron", "survey_mixed"])
def test_the_expected_stretch_is_about_what_locating_says_afterwards(survey: str) -> None:
    """Recordings of the sample, made by another program part than the formula: within a factor of two."""
    deployments = SAMPLE / survey / "deployments.csv"
    best = netcorr.locate(TOWN, deployments).layers["leak_candidates"].iloc[0]
    planned = netcorr.coverage(TOWN, deployments, reach="200").layers["coverage"]
    covered = planned[planned["state"] == "covered"]
    expected_m = covered.loc[covered.distance(best.geometry).idxmin(), "expected_m"]
    found_m = best["high_m"] - best["low_m"]
    assert found_m / 2 < expected_m < found_m * 2


def test_a_plan_is_a_list_of_sites(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan = tmp_path / "plan.gpkg"
    assert main(["plan", str(TOWN), "-o", str(plan), "-n", "6", "--kinds", "valve", "--json", "-q"]) == 0
    planned = json.loads(capsys.readouterr().out)
    code, out, _ = run(capsys, TOWN, plan, "-o", tmp_path / "c.gpkg", "--json")
    assert code == 0
    said = json.loads(out)
    assert said["given"] == planned["sites"]
    assert said["covered_m"] == pytest.approx(planned["covered_m"])
    assert said["expected_m"] == pytest.approx(planned["expected"]["median_m"])
