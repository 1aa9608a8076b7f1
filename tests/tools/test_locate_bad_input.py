"""Every input at fault ends in one clear message, exit code 3 and no half-written file."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, Point

from netcorr.cli import main

if TYPE_CHECKING:
    from conftest import SmallSurvey

Spoil = Callable[["SmallSurvey"], None]


def refused(survey: SmallSurvey, capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """Run the command, check how it ends, and return its message."""
    before = sorted(survey.output.parent.iterdir())
    capsys.readouterr()
    assert main([*survey.words, "--quiet", *words]) == 3
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("netcorr: ")
    assert err.count("netcorr: ") == 1, "one message"
    assert "Traceback" not in err
    assert sorted(survey.output.parent.iterdir()) == before, "something was left beside the output"
    return err


def set_rows(survey: SmallSurvey, **values: Any) -> None:
    for row in survey.rows:
        if row["logger"] == "L2":
            row.update(values)


def set_main(survey: SmallSurvey, **values: Any) -> None:
    for name, value in values.items():
        survey.mains.loc[1, name] = value


def move_fitting(survey: SmallSurvey) -> None:
    point = survey.fittings.geometry[1]
    survey.fittings.loc[1, "geometry"] = Point(point.x + 40, point.y)


def break_main(survey: SmallSurvey) -> None:
    (_, (x, y)) = survey.mains.geometry[1].coords
    survey.mains.loc[1, "geometry"] = LineString([(x, y - 60), (x, y)])


def no_lines(survey: SmallSurvey) -> None:
    survey.mains = survey.mains.iloc[:0]


def no_crs(survey: SmallSurvey) -> None:
    survey.mains = survey.mains.set_crs(None, allow_override=True)
    survey.fittings = survey.fittings.set_crs(None, allow_override=True)


def same_ids(survey: SmallSurvey) -> None:
    survey.mains["asset_id"] = "M1"


def same_fitting_ids(survey: SmallSurvey) -> None:
    survey.fittings["asset_id"] = "V1"


def no_start(survey: SmallSurvey) -> None:
    for row in survey.rows:
        del row["start"]


def no_zone(survey: SmallSurvey) -> None:
    for row in survey.rows:
        row["start"] = row["start"].removesuffix("Z")


def no_overlap(survey: SmallSurvey) -> None:
    for row in survey.rows:
        if row["logger"] == "L2":
            row["start"] = row["start"].replace("T02", "T03")


def spoil_sounds(survey: SmallSurvey, change: Callable[[np.ndarray], np.ndarray]) -> None:
    survey.sounds = {
        name: change(samples) if name.startswith("V2") else samples for name, samples in survey.sounds.items()
    }


def silent(survey: SmallSurvey) -> None:
    spoil_sounds(survey, np.zeros_like)


def not_a_number(survey: SmallSurvey) -> None:
    spoil_sounds(survey, lambda samples: np.where(np.arange(samples.size) == 77, np.nan, samples))


CASES: dict[str, tuple[Spoil, list[str]]] = {
    "no line layer": (no_lines, ["town.gpkg", "line"]),
    "no CRS": (no_crs, ["town.gpkg", "mains", "CRS", "--crs"]),
    "duplicate ids of mains": (same_ids, ["town.gpkg", "mains", "M1"]),
    "duplicate ids of fittings": (same_fitting_ids, ["town.gpkg", "fittings", "V1"]),
    "unknown fitting": (lambda s: set_rows(s, fitting="V9"), ["V9"]),
    "fitting far from any main": (move_fitting, ["V2", "40.0 m"]),
    "no path": (break_main, ["V1", "V2"]),
    "no overlap": (no_overlap, ["deployments.csv"]),
    "no start time": (no_start, ["deployments.csv", "row 2", "start"]),
    "start without zone": (no_zone, ["deployments.csv", "row 2", "zone"]),
    "missing sound file": (lambda s: set_rows(s, recording="none.wav"), ["none.wav"]),
    "silent": (silent, ["row 3", "V2_1.wav"]),
    "NaN": (not_a_number, ["row 3", "V2_1.wav"]),
    "unknown material": (lambda s: set_main(s, material="marzipan", wave_speed=np.nan), ["M2", "marzipan"]),
    "no material": (lambda s: set_main(s, material=None, wave_speed=np.nan), ["M2", "material"]),
    "no diameter": (lambda s: set_main(s, diameter_mm=np.nan, wave_speed=np.nan), ["M2", "diameter"]),
}


@pytest.mark.filterwarnings("ignore:'crs' was not provided:UserWarning")  # the test's own writing
@pytest.mark.parametrize(("spoil", "words"), CASES.values(), ids=CASES.keys())
def test_input_at_fault_is_named(
    spoil: Spoil, words: list[str], survey: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    spoil(survey)
    survey.write()
    message = refused(survey, capsys)
    assert all(word in message for word in words), message


def test_missing_network(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    survey.write().network.unlink()
    assert "town.gpkg" in refused(survey, capsys)


def test_network_that_is_no_map(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    survey.write().network.write_bytes(b"this is no GeoPackage" * 100)
    assert "town.gpkg" in refused(survey, capsys)


def test_missing_table(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    survey.write().table.unlink()
    assert "deployments.csv" in refused(survey, capsys)


def test_table_that_is_empty(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    survey.write().table.write_text("", encoding="utf-8")
    assert "deployments.csv" in refused(survey, capsys)


def test_missing_mapping(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    survey.write()
    assert "ours.toml" in refused(survey, capsys, "--mapping", str(survey.folder / "ours.toml"))


@pytest.mark.filterwarnings("ignore:'crs' was not provided:UserWarning")
def test_unknown_crs(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    no_crs(survey)
    survey.write()
    assert "EPSG:1" in refused(survey, capsys, "--crs", "EPSG:1")


def starts_in_names(survey: SmallSurvey) -> None:
    """Leave the start to the name of the file, which does not say the zone."""
    for row in survey.rows:
        start = row.pop("start").removesuffix("Z").replace("-", "").replace(":", "").replace("T", "_")
        samples = survey.sounds.pop(row["recording"])
        row["recording"] = f"{row['logger']}_{start}.wav"
        survey.sounds[row["recording"]] = samples


def test_name_of_file_without_zone_needs_one(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    starts_in_names(survey)
    survey.write()
    assert "zone" in refused(survey, capsys)
    assert main([*survey.words, "--quiet", "--time-zone", "Europe/Lisbon"]) == 0


def test_unknown_time_zone(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    starts_in_names(survey)
    survey.write()
    assert "Atlantis" in refused(survey, capsys, "--time-zone", "Atlantis/Capital")


def truncate(path: Path) -> None:
    with path.open("r+b") as stream:
        stream.truncate(path.stat().st_size // 2)


def test_truncated_sound_in_every_round(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    survey.write()
    for number in (1, 2):
        truncate(survey.folder / f"V2_{number}.wav")
    message = refused(survey, capsys)
    assert "V2_1.wav" in message
    assert "truncated" in message


@pytest.mark.parametrize("spoilt", ["truncated", "silent", "missing", "no sound"])
def test_bad_recording_in_one_round_does_not_stop_the_other(
    spoilt: str, survey: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    if spoilt == "silent":
        survey.sounds["V2_1.wav"][:] = 0
    bad = survey.write().folder / "V2_1.wav"
    if spoilt == "truncated":
        truncate(bad)
    elif spoilt == "missing":
        bad.unlink()
    elif spoilt == "no sound":
        bad.write_bytes(b"no sound at all")
    assert main([*survey.words, "--quiet"]) == 0
    assert "V2_1.wav" in capsys.readouterr().out
    rows = gpd.read_file(survey.output, layer="pair_rounds")
    assert list(rows.loc[rows["status"] == "used", "round"]) == [1]
    rejected = rows[rows["status"] == "rejected"].set_index("logger_a")
    assert list(rejected["rejected"].str.endswith("V2_1.wav")) == [name == "L2" for name in rejected.index]
    assert "overlaps no other" in rejected.loc["L1", "reason"], "its partner is left alone"
    assert rejected.loc["L2", "reason"]
    best = gpd.read_file(survey.output, layer="leak_candidates").sort_values("rank").iloc[0]
    assert best["rounds_used"] == 1
    assert best["from_a_m"] == pytest.approx(45, abs=0.9)


def test_output_open_in_another_program(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    survey.write()
    assert main([*survey.words, "--quiet"]) == 0
    before = survey.output.read_bytes()
    other = sqlite3.connect(survey.output, isolation_level=None)
    try:
        other.execute("BEGIN EXCLUSIVE")
        other.execute("CREATE TABLE notes (text TEXT)")  # a journal appears beside the file
        message = refused(survey, capsys)
    finally:
        other.execute("ROLLBACK")
        other.close()
    assert "result.gpkg" in message
    assert survey.output.read_bytes() == before


def test_output_folder_that_cannot_be_written(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    survey.write()
    survey.output.parent.chmod(0o500)
    try:
        if os.access(survey.output.parent, os.W_OK):
            pytest.skip("this user may write everywhere")
        assert "result.gpkg" in refused(survey, capsys)
    finally:
        survey.output.parent.chmod(0o700)


@pytest.mark.skipif(sys.platform != "linux", reason="limits the size of files by setrlimit")
def test_disk_full(survey: SmallSurvey) -> None:
    survey.write()
    program = (
        "import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
        "resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, 30_000)); "
        "from netcorr.cli import main; sys.exit(main())"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, *survey.words, "--quiet"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 3, done.stderr
    assert "Traceback" not in done.stderr
    assert "result.gpkg" in done.stderr
    assert list(survey.output.parent.iterdir()) == []


@pytest.mark.filterwarnings("ignore:Column names longer than 10:UserWarning")
@pytest.mark.filterwarnings("ignore:Normalized/laundered field name:RuntimeWarning")
def test_shapefile_of_the_same_map_gives_the_same_place(survey: SmallSurvey, tmp_path: Path) -> None:
    survey.write()
    assert main([*survey.words, "--quiet"]) == 0
    first = gpd.read_file(survey.output, layer="leak_candidates")
    folder = tmp_path / "shapes"
    folder.mkdir()
    survey.mains.to_file(folder / "mains.shp")
    survey.fittings.to_file(folder / "fittings.shp")
    words = [*survey.words, "--quiet"]
    words[1] = str(folder)
    shutil.rmtree(survey.output.parent)
    survey.output.parent.mkdir()
    assert main(words) == 0
    second = gpd.read_file(survey.output, layer="leak_candidates")
    same = ["rank", "from_a_m", "low_m", "high_m", "pipe_id", "probability"]
    pd.testing.assert_frame_equal(pd.DataFrame(first[same]), pd.DataFrame(second[same]))
