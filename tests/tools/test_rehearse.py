"""The command that rehearses a survey: words, files, recordings that are kept, and bad input."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import pyogrio
import pytest

import netcorr
from netcorr.cli import main

if TYPE_CHECKING:
    from conftest import SmallSurvey

#: Short, so that a test stays short.
QUICK = ("--loudness", "20", "--rounds", "1", "--duration", "5", "--noise-spread", "1")


def words(survey: SmallSurvey, *more: str) -> list[str]:
    survey.rows = [{"logger": f"L{k}", "fitting": f"V{k}"} for k in (1, 2)]
    survey.write()
    return ["rehearse", str(survey.network), str(survey.table), "-o", str(output(survey)), *more]


def output(survey: SmallSurvey) -> Path:
    return survey.output.with_name("rehearsal.gpkg")


def test_one_leak_and_what_would_have_been_told(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words(survey, *QUICK, "--at", "M1:75", "-q")) == 0  # 45 m from V1, M1 begins 30 m before it
    out = capsys.readouterr().out
    assert out.startswith("Simulated: no leak is known to be there. The leak was put on main M1")
    assert "Outcome: found within 5.00 m of the point told." in out
    assert "What the technician would have read" in out
    assert "Before anyone digs" in out
    leaks = gpd.read_file(output(survey), layer="rehearsed_leaks")
    assert leaks["outcome"].tolist() == ["found"]
    assert leaks["error_m"][0] < 5.0
    assert leaks["caution"][0] == "Simulated: no leak is known to be there."
    assert {str(name) for name, _ in pyogrio.list_layers(output(survey))} == {
        "rehearsed_leaks",
        "told_points",
        "rehearsed_mains",
        "rehearsed_sites",
        "rehearsal_shares",
        "layer_styles",
    }


def test_several_leaks_in_words_and_for_machines(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words(survey, *QUICK, "--leaks", "3", "--around", "30", "-q")) == 0
    text = capsys.readouterr().out
    assert text.startswith("3 simulated leaks on mains near 2 sites.")
    assert "With 3 leaks the shares are rough" in text
    assert max(map(len, text.splitlines())) <= 80 or str(output(survey)) in text
    assert main(words(survey, *QUICK, "--leaks", "3", "--around", "30", "-q", "--json")) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["simulated"] is True
    assert [one["leak"] for one in record["leaks"]] == [1, 2, 3]
    assert record["shares"][0]["material"] == "all"
    assert record["shares"][0]["leaks"] == 3


def test_recordings_are_kept_and_can_be_located(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    folder = tmp_path / "practice"
    assert main(words(survey, *QUICK, "--at", "M1:75", "-q", "--save-recordings", str(folder))) == 0
    capsys.readouterr()
    with (folder / "leaks.csv").open(encoding="utf-8") as stream:
        [row] = csv.DictReader(stream)
    assert (row["folder"], row["pipe_id"], row["simulated"]) == ("leak_001", "M1", "yes")
    table = folder / "leak_001" / "deployments.csv"
    assert main(["locate", str(survey.network), str(table), "-o", str(survey.output), "-q", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["candidates"][0]["from_a_m"] == pytest.approx(45.0, abs=5.0)


def test_the_same_from_python(survey: SmallSurvey) -> None:
    words(survey)
    answer = netcorr.rehearse(
        survey.network, survey.table, at="M1:75", loudness_db=20.0, rounds=1, duration_s=5.0
    )
    assert list(answer.layers["rehearsed_leaks"]["leak"]) == [1]
    assert answer.layers["rehearsed_sites"]["leaks"].tolist() == [1, 1]


BAD: dict[str, tuple[list[str], int, list[str]]] = {
    "off the network": (["--at", "0,0"], 3, ["leak at '0,0'", "the nearest open main is"]),
    "no such main": (["--at", "M9:4"], 3, ["pipe M9", "no main has this id"]),
    "no place": (["--at", "somewhere"], 3, ["'somewhere'", "M-12:35"]),
    "no leaks": (["--leaks", "0"], 2, ["--leaks", "at least 1|1 to"]),
    "folder in no folder": (["--save-recordings", "gone/there"], 2, ["--save-recordings", "no folder"]),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_gives_one_clear_message(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str], case: str
) -> None:
    more, code, said = BAD[case]
    assert main(words(survey, *more, "-q")) == code
    err = capsys.readouterr().err
    assert err.count("netcorr:") == 1
    assert "Traceback" not in err
    assert any(part in err for part in said[1].split("|"))
    assert said[0] in err
    assert not output(survey).exists()


def test_two_sites_that_are_one(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    given = words(survey, *QUICK, "--at", "M1:75", "-q")
    survey.table.write_text("fitting\nV1\nV1\n", encoding="utf-8")
    assert main(given) == 3
    assert "plan two loggers or more" in capsys.readouterr().err


def test_no_two_sites_in_reach_is_a_result(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words(survey, *QUICK, "--at", "M1:75", "--reach", "50", "-q")) == 0
    out = capsys.readouterr().out
    assert "out of reach: fewer than two sites near" in out
    assert "one site within 50 m" in out


def test_a_folder_with_something_in_it_is_left_alone(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    folder = tmp_path / "practice"
    folder.mkdir()
    (folder / "mine.txt").write_text("keep", encoding="utf-8")
    assert main(words(survey, *QUICK, "--at", "M1:75", "-q", "--save-recordings", str(folder))) == 2
    assert "it is there and not empty" in capsys.readouterr().err
    assert [path.name for path in folder.iterdir()] == ["mine.txt"]
