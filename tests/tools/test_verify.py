"""The command and the Python function that take a crew's file back."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pyogrio
import pytest

import netcorr
from netcorr.cli import main

SAMPLE = Path(__file__).resolve().parent.parent.parent / "sample_network"


@pytest.fixture(scope="module")
def located(tmp_path_factory: pytest.TempPathFactory) -> Path:
    output = tmp_path_factory.mktemp("verify") / "result.gpkg"
    netcorr.locate(SAMPLE / "town.gpkg", SAMPLE / "survey_iron" / "deployments.csv", output=output)
    return output


@pytest.fixture
def result(located: Path, tmp_path: Path) -> Path:
    target = tmp_path / "result.gpkg"
    target.write_bytes(located.read_bytes())
    return target


@pytest.fixture
def visits(located: Path) -> pd.DataFrame:
    found = pyogrio.read_dataframe(located, layer="leak_candidates")
    table = pd.DataFrame({"candidate_id": found.candidate_id.iloc[:1]})
    return table.assign(verification="dug and found", offset_m=0.3, crew="North")


def test_a_frame_goes_in_and_layers_come_out(result: Path, visits: pd.DataFrame) -> None:
    answer = netcorr.verify(result, visits)
    assert list(answer.layers) == ["leak_candidates", "verification_history"]
    assert answer.layers["leak_candidates"].verification[0] == "dug and found"
    assert answer.layers["verification_history"].error_m.tolist() == pytest.approx([0.3])
    assert answer.files == (result,)
    assert netcorr.verify(result, visits).files == ()


def test_points_that_were_moved_in_a_notebook(result: Path) -> None:
    points = pyogrio.read_dataframe(result, layer="leak_candidates").to_crs(4326)
    points.loc[0, "verification"] = "repaired"
    answer = netcorr.verify(result, points)
    assert answer.as_dict()["candidates"][0]["error_m"] is None  # left where it was: nobody measured
    moved = points.to_crs(32628)  # the town's own CRS, in metres
    moved.geometry = moved.geometry.translate(1.0, 0.0)
    answer = netcorr.verify(result, moved)
    assert abs(answer.as_dict()["candidates"][0]["error_m"]) == pytest.approx(1.0, abs=0.1)
    assert len(answer.layers["verification_history"]) == 2


def test_the_command_in_words_and_as_json(
    result: Path, visits: pd.DataFrame, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    field = tmp_path / "field.csv"
    visits.to_csv(field, index=False)
    assert main(["verify", str(result), str(field)]) == 0
    said = capsys.readouterr()
    assert "1 visit added" in said.out
    assert str(result) in said.out
    assert main(["verify", str(result), str(field), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["added"], found["files"]) == (0, [])
    assert found["candidates"][0]["error_m"] == pytest.approx(0.3)


def test_strict_ends_with_4_when_something_does_not_fit(
    result: Path, visits: pd.DataFrame, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    field = tmp_path / "field.csv"
    pd.concat([visits, visits.assign(candidate_id="other")]).to_csv(field, index=False)
    assert main(["verify", str(result), str(field)]) == 0
    assert "Does not fit (1)" in capsys.readouterr().out
    assert main(["verify", str(result), str(field), "--strict"]) == 4
    assert "1 thing in the file do not fit" in capsys.readouterr().err


def test_bad_input_is_told_without_a_traceback(
    result: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["verify", str(result), str(tmp_path / "none.csv")]) == 3
    assert main(["verify", str(SAMPLE / "town.gpkg"), str(result)]) == 3
    said = capsys.readouterr().err
    assert "there is no such file" in said
    assert "no result without the layer" in said
    assert "Traceback" not in said
