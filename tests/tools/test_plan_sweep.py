"""The sweep from the map to the result: plan, fill in what was recorded, locate."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import soundfile

import netcorr
from netcorr.cli import main
from netcorr.simulation import Conditions, LeakSource, Place, SensorSetup, simulate_survey
from netcorr.tools.plan_round import read_names

if TYPE_CHECKING:
    from netcorr.network import PipeNetwork

TOWN = Path(__file__).parents[2] / "sample_network" / "town.gpkg"
QUICK = ("--time-limit", "10", "--first-night", "2026-03-01", "--time-zone", "UTC", "--travel-speed", "20")


def words(folder: Path, *more: str) -> list[str]:
    (folder / "out").mkdir(exist_ok=True)
    return ["plan", str(TOWN), "-o", str(folder / "out" / "plan.gpkg"), *QUICK, *more]


def place_on(network: PipeNetwork, line: shapely.LineString) -> Place:
    """Middle of the edge that is drawn so."""
    for u, v, key, data in network.graph.edges(keys=True, data=True):
        if data["geometry"].equals(line):
            return Place((u, v, key), data["length_m"] / 2)
    raise AssertionError("no such edge")


def test_filled_in_tables_are_what_locate_takes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table_file = tmp_path / "night.csv"
    (tmp_path / "two.txt").write_text("H030\nH031\n", encoding="utf-8")  # a branch of one iron main
    two = ("-n", "2", "--fixed-in", str(tmp_path / "two.txt"))
    options = (*two, "--deployments", str(table_file))
    assert main(words(tmp_path, *options, "--json")) == 0
    record = json.loads(capsys.readouterr().out)
    table = pd.read_csv(table_file, dtype=str, keep_default_na=False)
    assert len(table) == 2 * len(record["sites"])
    mains = gpd.read_file(tmp_path / "out" / "plan.gpkg", layer="planned_mains")
    covered = mains[mains["state"] == "covered"].sort_values("length_m").iloc[-1]
    network = netcorr.read_network(TOWN)
    leak = place_on(network, covered.geometry)
    at = shapely.line_interpolate_point(covered.geometry, 0.5, normalized=True)

    starts = [datetime.fromisoformat(text) for text in sorted(set(table["start"]))]
    conditions = Conditions(
        snr_db=10.0,
        band_hz=(100.0, 1500.0),
        duration_s=10.0,
        start=starts[0],
        interval_s=(starts[1] - starts[0]).total_seconds(),
    )
    first = table[table["start"] == table["start"][0]]
    sensors = [SensorSetup(row.logger, row.fitting) for row in first.itertuples()]
    rounds = simulate_survey(
        network,
        sensors=sensors,
        leak=LeakSource(leak),
        conditions=conditions,
        rng=np.random.default_rng(1),
    )
    for number, one in enumerate(rounds, start=1):
        for item in one.recordings:
            name = f"{item.sensor.logger}_{number}.wav"
            soundfile.write(tmp_path / name, item.samples, int(item.sensor.sample_rate_hz), subtype="PCM_24")
            own = (table["logger"] == item.sensor.logger) & (
                table["start"].map(datetime.fromisoformat) == item.start
            )
            assert own.sum() == 1
            table.loc[own, "recording"] = name
            table.loc[own, "clock_sd_ms"] = "0.2"
    table.to_csv(table_file, index=False)
    result = tmp_path / "result.gpkg"
    assert main(["locate", str(TOWN), str(table_file), "-o", str(result), "-q"]) == 0
    best = gpd.read_file(result, layer="leak_candidates").iloc[0]
    assert best["in_bracket"]
    assert best.geometry.distance(at) < 10.0, "speeds are those of the tables"
    areas = gpd.read_file(result, layer="uncertainty_areas")
    assert areas[areas["candidate_id"] == best["candidate_id"]].geometry.distance(at).min() < 1.0
    assert main(words(tmp_path, *options)) == 3
    assert "recordings are filled in already" in capsys.readouterr().err


def test_a_sweep_writes_sheets_and_a_table_for_each_setup(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheets, tables = tmp_path / "sheets.html", tmp_path / "night.csv"
    names = ",".join(f"log {k}" for k in range(1, 13))
    options = ["-n", "12", "--sweep", "--cover", "35", "--setups-a-night", "1", "--logger-names", names]
    options += ["--sheets", str(sheets), "--deployments", str(tables)]
    assert main(words(tmp_path, *options, "--json")) == 0
    record = json.loads(capsys.readouterr().out)
    count = len(record["timetable"])
    assert record["nights"] == count >= 2
    assert record["covered_share"] >= 0.35
    files = [Path(one) for one in record["files"]]
    assert files[1] == sheets
    assert [file.name for file in files[2:]] == [f"night_setup{k}.csv" for k in range(1, count + 1)]
    for k, file in enumerate(files[2:], start=1):
        table = pd.read_csv(file, dtype=str, keep_default_na=False)
        assert set(table["setup"]) == {str(k)}
        assert table["logger"].str.startswith("log ").all()
    setups = gpd.read_file(tmp_path / "out" / "plan.gpkg", layer="setups")
    assert setups["night"].tolist() == list(range(1, count + 1))
    text = sheets.read_text(encoding="utf-8")
    assert text.count('<section class="sheet') == count


def test_a_saved_sweep_gives_layers_in_python() -> None:
    answer = netcorr.plan(
        TOWN, loggers=10, sweep=True, cover=20, time_limit_s=10, first_night="2026-03-01", time_zone="UTC"
    )
    visits = answer.layers["visits"]
    assert (visits.groupby("logger")["action"].count() >= 2).all()
    assert answer.layers["route"]["way_m"].sum() > 100
    assert len(answer.layers["setups"]) >= 2


BAD: dict[str, tuple[list[str], int, str]] = {
    "sheets without loggers": (["--sheets", "a.html"], 2, "how many loggers stand at the same time"),
    "too little time": (["-n", "12", "--sweep", "--night", "22:00-22:30"], 3, "a night has 0.5 h"),
    "no such day": (["-n", "4", "--first-night", "2026-02-30"], 2, "--first-night"),
    "no such hour": (["-n", "4", "--night", "22-5"], 2, "22:00-05:00"),
    "no such zone": (["-n", "4", "--time-zone", "Atlantis/Port"], 2, "Atlantis/Port"),
    "recordings that overlap": (["-n", "4", "--recording-length", "60", "--every", "1"], 2, "overlap"),
    "too few names": (["-n", "4", "--logger-names", "a,b"], 2, "2 names for 4 loggers"),
    "a name twice": (["-n", "2", "--logger-names", "a,a"], 2, "a twice"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_options_are_one_message_and_no_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    options, code, wanted = BAD[case]
    assert main(words(tmp_path, *options)) == code
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("netcorr: ") == 1
    assert wanted in err
    assert not list((tmp_path / "out").iterdir())


def test_other_pages_are_never_replaced(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = tmp_path / "mine.html"
    page.write_text("<p>mine</p>", encoding="utf-8")
    assert main(words(tmp_path, "-n", "4", "--sheets", str(page))) == 3
    assert "no earlier sheets" in capsys.readouterr().err
    assert page.read_text(encoding="utf-8") == "<p>mine</p>"


def test_names_are_numbers_unless_given() -> None:
    assert read_names(None, None) == ()
    many: Any = read_names(None, 120)
    assert (many[0], many[-1], len(set(many))) == ("L001", "L120", 120)
