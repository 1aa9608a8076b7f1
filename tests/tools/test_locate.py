"""The main job, from real files to a result, through the command line."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import pyogrio
import pytest
from pyproj import Geod

from netcorr.cli import main
from netcorr.errors import CancelledError
from netcorr.feedback import NoFeedback
from netcorr.network import Tolerances
from netcorr.position import LocateSettings
from netcorr.tools import TOOLS

if TYPE_CHECKING:
    from conftest import SmallSurvey

#: Common practice calls a hit within 3 feet a good one.
GOOD_HIT_M = 0.9


def test_leak_is_found_where_it_is(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    survey.write()
    assert main(survey.words) == 0
    out, err = capsys.readouterr()
    assert "V1" in out
    assert "V2" in out
    assert "Traceback" not in err
    best = gpd.read_file(survey.output, layer="leak_candidates").sort_values("rank").iloc[0]
    assert best["from_a_m"] == pytest.approx(45, abs=GOOD_HIT_M)
    assert best["from_b_m"] == pytest.approx(75, abs=GOOD_HIT_M)
    assert best["low_m"] < 45 < best["high_m"]
    assert best["probability"] > 0.9
    assert best["in_bracket"]
    assert best["pipe_id"] == "M1"


def test_point_lies_on_the_ground_where_the_text_says(survey: SmallSurvey) -> None:
    survey.write()
    assert main([*survey.words, "--quiet"]) == 0
    best = gpd.read_file(survey.output, layer="leak_candidates").to_crs(4326).sort_values("rank").iloc[0]
    sensor = survey.fittings.to_crs(4326).geometry[0]
    _, _, apart_m = Geod(ellps="GRS80").inv(sensor.x, sensor.y, best.geometry.x, best.geometry.y)
    assert apart_m == pytest.approx(best["from_a_m"], abs=0.01)


def test_layers_and_columns_are_those_declared(survey: SmallSurvey) -> None:
    survey.write()
    assert main([*survey.words, "--quiet"]) == 0
    written = dict(pyogrio.list_layers(survey.output))
    declared = TOOLS["locate"].outputs()
    assert set(written) >= {layer.name for layer in declared}
    for layer in declared:
        info = pyogrio.read_info(survey.output, layer=layer.name)
        assert list(info["fields"]) == [name for name, _, _ in layer.columns]
        assert (written[layer.name] or "none") == layer.geometry


def test_copy_for_phones_and_picture_are_written(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    survey.write()
    phone, picture = survey.output.with_name("phone.gpkg"), survey.output.with_name("map.png")
    assert main([*survey.words, "--quiet", "--wgs84", str(phone), "--map-picture", str(picture)]) == 0
    assert picture.read_bytes().startswith(b"\x89PNG")
    first = gpd.read_file(survey.output, layer="leak_candidates")
    second = gpd.read_file(phone, layer="leak_candidates")
    assert second.crs.to_epsg() == 4326
    assert list(second["candidate_id"]) == list(first["candidate_id"])
    out = capsys.readouterr().out
    for path in (survey.output, phone, picture):
        assert str(path) in out
    assert sorted(survey.output.parent.iterdir()) == sorted([survey.output, phone, picture])


def test_json_holds_the_same_answer_as_the_file(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    survey.write()
    assert main([*survey.words, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    best = gpd.read_file(survey.output, layer="leak_candidates").sort_values("rank").iloc[0]
    first = answer["candidates"][0]
    assert first["candidate_id"] == best["candidate_id"]
    assert first["from_a_m"] == pytest.approx(best["from_a_m"])
    assert answer["files"] == [str(survey.output)]


def test_units_change_the_words_and_nothing_else(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    survey.write()
    tables = []
    for units in ("metric", "us"):
        assert main([*survey.words, "--quiet", "--units", units]) == 0
        assert ("' " in capsys.readouterr().out) == (units == "us")
        tables.append(gpd.read_file(survey.output, layer="leak_candidates"))
    assert list(tables[0]["from_a_m"]) == list(tables[1]["from_a_m"])


def test_no_leak_is_a_result(quiet_survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    quiet_survey.write()
    assert main([*quiet_survey.words, "--quiet"]) == 0
    capsys.readouterr()
    candidates = gpd.read_file(quiet_survey.output, layer="leak_candidates")
    assert not (candidates["probability"] > 0.5).any()
    paths = gpd.read_file(quiet_survey.output, layer="correlation_paths")
    assert list(paths["outcome"]) == ["no leak heard"]


def test_threshold_decides_the_exit_code(
    survey: SmallSurvey, quiet_survey: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    survey.write()
    assert main([*survey.words, "--quiet", "--minimum-probability", "0.9"]) == 0
    assert capsys.readouterr().err == ""
    quiet_survey.write()
    assert main([*quiet_survey.words, "--quiet", "--minimum-probability", "0.5"]) == 4
    assert "below the 0.5 asked for" in capsys.readouterr().err
    assert quiet_survey.output.exists()


def test_stated_band_is_used(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    survey.write()
    assert main([*survey.words, "--quiet", "--band", "200-600"]) == 0
    rows = gpd.read_file(survey.output, layer="pair_rounds")
    assert (rows["band_low_hz"] >= 199).all()
    assert (rows["band_high_hz"] <= 601).all()
    best = gpd.read_file(survey.output, layer="leak_candidates").sort_values("rank").iloc[0]
    assert best["from_a_m"] == pytest.approx(45, abs=GOOD_HIT_M)


def test_result_that_is_there_is_replaced_whole(survey: SmallSurvey) -> None:
    survey.write()
    for _ in range(2):
        assert main([*survey.words, "--quiet"]) == 0
    assert list(survey.output.parent.iterdir()) == [survey.output]


@pytest.mark.parametrize("there", [False, True])
def test_cancelled_while_writing_leaves_what_was_there(
    there: bool, survey: SmallSurvey, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    survey.write()
    if there:
        assert main([*survey.words, "--quiet"]) == 0
    before = {path: path.read_bytes() for path in survey.output.parent.iterdir()}
    capsys.readouterr()

    def interrupted(_: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupted)
    assert main([*survey.words, "--quiet"]) == 130
    assert {path: path.read_bytes() for path in survey.output.parent.iterdir()} == before
    out, err = capsys.readouterr()
    assert (out, err) == ("", "netcorr: cancelled; nothing was left half written\n")


def test_progress_never_runs_backwards(survey: SmallSurvey) -> None:
    seen: list[float] = []

    class Listening(NoFeedback):
        def progress(self, fraction: float, message: str = "") -> None:
            seen.append(fraction)

    survey.write()
    values = {"network": survey.network, "deployments": survey.table, "output": survey.output}
    TOOLS["locate"].run(values, feedback=Listening())
    assert seen == sorted(seen)
    assert seen[-1] == 1.0
    assert len(seen) > 5


def test_feedback_that_cancels_stops_the_work(survey: SmallSurvey) -> None:
    class Stopping(NoFeedback):
        cancelled = True

    survey.write()
    values = {"network": survey.network, "deployments": survey.table, "output": survey.output}
    with pytest.raises(CancelledError):
        TOOLS["locate"].run(values, feedback=Stopping())
    assert not survey.output.exists()


def test_defaults_are_those_of_the_functions_below() -> None:
    defaults = {p.name: p.default for p in TOOLS["locate"].parameters if p.kind == "number"}
    settings, tolerances = LocateSettings(), Tolerances()
    for name, value in defaults.items():
        if value is not None:
            owner = tolerances if hasattr(tolerances, name) else settings
            assert getattr(owner, name) == value, name


def test_map_is_never_overwritten(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    survey.write()
    before = survey.network.read_bytes()
    assert main(["locate", str(survey.network), str(survey.table), "-o", str(survey.network)]) == 2
    assert survey.network.read_bytes() == before
    assert "already the file for Network" in capsys.readouterr().err


def test_function_gives_what_the_command_gives(survey: SmallSurvey) -> None:
    survey.write()
    values = {"network": survey.network, "deployments": survey.table, "output": survey.output}
    result = TOOLS["locate"].run(values)
    assert result.files == (Path(survey.output),)
    assert result.exit_code == 0
    assert result.verdict == ""
    assert result.as_dict()["candidates"][0]["from_a_m"] == pytest.approx(45, abs=GOOD_HIT_M)
