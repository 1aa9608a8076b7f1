"""The loop closed: tables that are wrong, leaks found, speeds learned, and the next survey is right.

The recordings come from the network solver of `netcorr.simulation`, which knows nothing of the locator.
"""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, Point

import netcorr
from netcorr.cli import main
from netcorr.simulation import (
    Conditions,
    LeakSource,
    SensorSetup,
    TrueSpeeds,
    place_on_pipe,
    simulate_survey,
    write_survey,
)
from netcorr.speed import read_calibration
from netcorr.tools.python_face import Answer

EAST, NORTH, SCALE = 500_000.0, 5_400_000.0, 0.9996
#: Pipes here carry the noise more slowly than the tables say: a softer iron, which no map tells.
TRUE_SCALE = 0.95
LENGTH_M = 120.0
#: Where the leaks are, from the first valve of their street. [m]
LEAKS_M = {"A": 14.0, "B": 104.0, "C": 20.0, "D": 10.0}


def town(folder: Path) -> Path:
    """Four streets far apart, each an iron main with two valves 120 m apart in the middle of it."""
    rows, lines, names, points = [], [], [], []
    for number, street in enumerate(LEAKS_M):
        y = NORTH + 2000 * number
        lines.append(LineString([(EAST, y), (EAST + 920 * SCALE, y)]))
        rows.append({"asset_id": f"M-{street}", "material": "grey iron", "diameter_mm": 150.0, "year": 1950})
        for end, along_m in ((1, 400.0), (2, 400.0 + LENGTH_M)):
            names.append(f"V-{street}{end}")
            points.append(Point(EAST + along_m * SCALE, y))
    file = folder / "town.gpkg"
    gpd.GeoDataFrame(rows, geometry=lines, crs=25832).to_file(file, layer="mains", driver="GPKG")
    fittings = gpd.GeoDataFrame({"asset_id": names, "kind": "valve"}, geometry=points, crs=25832)
    fittings.to_file(file, layer="fittings", driver="GPKG")
    return file


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The town, and one survey of each street."""
    folder = tmp_path_factory.mktemp("loop")
    network = netcorr.read_network(town(folder))
    for number, (street, leak_m) in enumerate(LEAKS_M.items()):
        rounds = simulate_survey(
            network,
            sensors=[SensorSetup(logger=f"{street}{end}", fitting=f"V-{street}{end}") for end in (1, 2)],
            leak=LeakSource(place_on_pipe(network, f"M-{street}", into_m=400.0 + leak_m)),
            conditions=Conditions(snr_db=6.0, duration_s=6.0),
            speeds=TrueSpeeds(by_material={"grey_iron": TRUE_SCALE}),
            rng=np.random.default_rng(40 + number),
            rounds=(1, 2),
        )
        write_survey(rounds, folder / street)
    return folder


def located(folder: Path, street: str, **options: object) -> Answer:
    answer: Answer = netcorr.locate(
        folder / "town.gpkg", folder / street / "deployments.csv", temperature_sd_c=0.5, **options
    )
    return answer


def best(answer: Answer) -> pd.Series:
    row: pd.Series = answer.layers["leak_candidates"].iloc[0]
    return row


def true_from_a_m(row: pd.Series, street: str) -> float:
    """Distance of the leak from sensor A, which may be either valve."""
    return LEAKS_M[street] if row.sensor_a == f"V-{street}1" else LENGTH_M - LEAKS_M[street]


@pytest.fixture(scope="module")
def judged(folder: Path) -> Answer:
    """Three streets located by the tables, dug, measured, and taken back."""
    results = []
    for street in ("A", "B", "C"):
        output = folder / f"{street}.gpkg"
        row = best(located(folder, street, output=output))
        visit = {
            "candidate_id": [row.candidate_id],
            "verification": ["dug and found"],
            "offset_m": [true_from_a_m(row, street) - row.from_a_m],
            "crew": ["North"],
        }
        netcorr.verify(output, pd.DataFrame(visit))
        results.append(output)
    answer: Answer = netcorr.accuracy(
        results, calibration=folder / "speeds.toml", plot=folder / "reliability.png"
    )
    return answer


def test_the_next_survey_starts_from_what_was_found(folder: Path, judged: Answer) -> None:
    tables = best(located(folder, "D"))
    truth = true_from_a_m(tables, "D")
    assert abs(tables.from_a_m - truth) > 2.0  # the tables are wrong by 5 % on 100 m of difference
    answer = located(folder, "D", calibration=folder / "speeds.toml")
    learned = best(answer)
    assert learned.from_a_m == pytest.approx(truth, abs=0.9)
    assert learned.low_m < truth < learned.high_m
    assert learned.high_m - learned.low_m < 0.75 * (tables.high_m - tables.low_m)
    assert "times that of the tables" in answer.text()
    assert judged.files == (folder / "speeds.toml", folder / "reliability.png")


def test_what_was_learned_is_near_the_truth_and_says_how_near(folder: Path, judged: Answer) -> None:
    known = read_calibration(folder / "speeds.toml").scale_of("grey_iron", diameter_mm=150.0, year=1950.0)
    assert known is not None
    assert known.scale == pytest.approx(TRUE_SCALE, abs=3 * known.scale_sd)
    assert known.scale_sd < 0.02
    assert known.surveys == 3
    table = judged.layers["learned_speeds"]
    assert table.material.tolist() == ["grey_iron", "grey_iron"]
    assert table.learned.all()


def test_the_layers_hold_finds_and_groups(judged: Answer) -> None:
    finds = judged.layers["verified_finds"]
    assert isinstance(finds, gpd.GeoDataFrame)
    assert finds.result.tolist() == ["A.gpkg", "B.gpkg", "C.gpkg"]
    assert (finds.error_m.abs() > 1.5).all()
    assert set(finds.within_3_ft) == {"no"}
    # the points lie where the leaks are
    for street, point in zip("ABC", finds.geometry, strict=True):
        assert (point.x - EAST) / SCALE - 400 == pytest.approx(LEAKS_M[street], abs=0.05)
    groups = judged.layers["accuracy_groups"].set_index("grouped_by")
    assert groups.loc["all", ["dug", "found", "dry", "measured"]].tolist() == [3, 3, 0, 3]
    assert groups.loc["crew", "name"] == "North"
    assert groups.few.all()
    assert "few data" in judged.text()
    assert judged.layers["reliability"].counted.sum() == 3


def test_the_command(folder: Path, judged: Answer, capsys: pytest.CaptureFixture[str]) -> None:
    del judged
    files = [str(folder / f"{street}.gpkg") for street in ("A", "B")]
    output = folder / "command.gpkg"
    assert main(["accuracy", *files, "-o", str(output), "--units", "us"]) == 0
    said = capsys.readouterr().out
    assert "2 results: 2 candidates visited, 2 dug: 2 leaks found, 0 dry holes." in said
    assert "Within 3 ft (0.9 m): 0 of 2" in said
    assert main(["accuracy", *files, "-o", str(output), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["results"], found["groups"][0]["found"], found["groups"][0]["few"]) == (2, 2, True)
    assert found["files"] == [str(output)]


@pytest.mark.parametrize(
    ("words", "code", "why"),
    [
        (["-o", "x.gpkg"], 2, "Missing argument"),
        (["A.gpkg", "A.gpkg", "-o", "x.gpkg"], 2, "give each file once"),
        (["A.gpkg", "-o", "A.gpkg"], 2, "is already the file for"),
        (["A.gpkg", "town.gpkg", "-o", "x.gpkg"], 3, "no result without the layer"),
        (["A.gpkg", "-o", "town.gpkg"], 3, "would be lost"),
        (["A.gpkg", "-o", "x.gpkg", "--plot", "x.jpg"], 2, ".png or .svg"),
    ],
)
def test_bad_input(
    folder: Path,
    judged: Answer,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: list[str],
    code: int,
    why: str,
) -> None:
    del judged
    monkeypatch.chdir(folder)
    assert main(["accuracy", *words]) == code
    assert why in capsys.readouterr().err
