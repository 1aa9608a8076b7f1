"""Inspecting a map: what is there, what each thing was taken for, what stands in the way."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from netcorr.cli import main
from netcorr.tools import TOOLS

if TYPE_CHECKING:
    from conftest import SmallSurvey


def inspected(path: Path, capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    assert main(["inspect", str(path), "--json", *words]) == 0
    answer: dict[str, Any] = json.loads(capsys.readouterr().out)
    return answer


def column(answer: dict[str, Any], layer: str, name: str) -> dict[str, Any]:
    layers = {one["name"]: one for one in answer["layers"]}
    columns = {one["name"]: one for one in layers[layer]["columns"]}
    found: dict[str, Any] = columns[name]
    return found


def test_plain_map_is_understood(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    answer = inspected(survey.write().network, capsys)
    assert answer["can_be_read"]
    assert answer["problems"] == []
    assert [(layer["name"], layer["taken_for"], layer["count"]) for layer in answer["layers"]] == [
        ("mains", "mains", 2),
        ("fittings", "fittings", 2),
    ]
    assert answer["layers"][0]["crs"].startswith("EPSG:25832")
    assert column(answer, "mains", "material")["values"] == [
        {"value": "ductile iron", "count": 2, "taken_for": "ductile iron"}
    ]
    assert answer["mapping"]["mains"]["columns"]["diameter"] == "diameter_mm"
    assert answer["mapping"]["mains"]["units"]["diameter"] == "mm"


def test_text_says_the_same_in_words(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["inspect", str(survey.write().network)]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert "mains: 2 features (2 LineString), EPSG:25832" in out
    assert "taken for fittings" in out
    assert "How it was understood" in out
    assert out.endswith("It can be used for locating leaks.\n")


def test_words_that_are_not_understood_are_shown_with_their_count(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    survey.mains["material"] = ["AC", None]
    answer = inspected(survey.write().network, capsys)
    values = {one["value"]: one for one in column(answer, "mains", "material")["values"]}
    assert values["AC"]["count"] == 1
    assert "steel" in values["AC"]["taken_for"], "in one national schema AC is steel: never guessed"
    assert values[""]["count"] == 1
    assert main(["inspect", str(survey.network)]) == 0
    assert "(blank)" in capsys.readouterr().out


def test_many_values_are_cut_short_in_the_text_only(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = survey.mains.iloc[np.zeros(60, dtype=int)].reset_index(drop=True)
    rows["asset_id"] = [f"M{i}" for i in range(60)]
    rows["material"] = [f"stuff {i}" for i in range(60)]
    survey.mains = rows
    answer = inspected(survey.write().network, capsys)
    assert sum(one["count"] for one in column(answer, "mains", "material")["values"]) == 60
    assert main(["inspect", str(survey.network)]) == 0
    out = capsys.readouterr().out
    shown, _, asked = out.partition("What a mapping has to say")
    assert shown.count("stuff ") == asked.count("stuff ") == 20
    assert "and 40 features with other values" in shown
    assert "and 40 more values" in asked


def test_what_stands_in_the_way_is_said(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    survey.mains = survey.mains.iloc[:0]
    answer = inspected(survey.write().network, capsys)
    assert not answer["can_be_read"]
    assert any("line" in text or "mains" in text for text in answer["problems"])
    assert main(["inspect", str(survey.network)]) == 0
    assert "What stands in the way" in capsys.readouterr().out


def test_folder_of_files_is_a_source(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    folder = survey.write().folder / "files"
    folder.mkdir()
    survey.mains.to_file(folder / "mains.geojson")
    survey.fittings.to_file(folder / "fittings.fgb")
    answer = inspected(folder, capsys)
    assert answer["can_be_read"]
    assert {layer["taken_for"] for layer in answer["layers"]} == {"mains", "fittings"}


def test_mapping_explains_other_names(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    survey.mains = survey.mains.rename(columns={"asset_id": "NR", "material": "STOF", "diameter_mm": "MAAT"})
    toml = survey.write().folder / "ours.toml"
    toml.write_text(
        '[mains]\nlayer = "mains"\ncolumns = { asset_id = "NR", material = "STOF", diameter = "MAAT" }\n'
        'units = { diameter = "mm" }\n'
        '[[fittings]]\nlayer = "fittings"\ncolumns = { asset_id = "asset_id", kind = "kind" }\n',
        encoding="utf-8",
    )
    answer = inspected(survey.network, capsys, "--mapping", str(toml))
    assert column(answer, "mains", "STOF")["taken_for"] == "material"
    assert answer["can_be_read"]


def test_text_from_the_file_cannot_command_the_terminal(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    survey.mains["material"] = "iron\x1b[31m"
    assert main(["inspect", str(survey.write().network)]) == 0
    assert "\x1b" not in capsys.readouterr().out


@pytest.mark.parametrize("name", ["none.gpkg", "broken.gpkg", "empty"])
def test_source_that_cannot_be_read(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "broken.gpkg").write_bytes(b"no map")
    (tmp_path / "empty").mkdir()
    assert main(["inspect", str(tmp_path / name)]) == 3
    out, err = capsys.readouterr()
    assert out == ""
    assert name in err
    assert "Traceback" not in err


def test_source_is_not_changed(survey: SmallSurvey) -> None:
    before = survey.write().network.read_bytes()
    TOOLS["inspect"].run({"source": survey.network})
    assert survey.network.read_bytes() == before
    assert not list(survey.folder.glob("town.gpkg-*"))


def test_mapping_is_written_once(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    survey.mains["material"] = ["AC", "PVC"]
    toml = survey.write().folder / "ours.toml"
    answer = inspected(survey.network, capsys, "--write-mapping", str(toml))
    assert answer["mapping_file"] == str(toml)
    assert answer["questions"] == [
        "mains, column material: 'AC' (1 feature): asbestos cement or steel? Taken for unknown"
    ]
    text = toml.read_text(encoding="utf-8")
    assert '# "AC" = ""  # 1: asbestos_cement or steel?' in text
    assert main(["inspect", str(survey.network), "--write-mapping", str(toml)]) == 3
    out, err = capsys.readouterr()
    assert out == ""
    assert err.endswith("ours.toml: it exists already; choose another name, or move it away first\n")
    assert toml.read_text(encoding="utf-8") == text


def test_mapping_filled_in_stands_for_the_map(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    survey.mains["material"] = ["AC", "PVC"]
    toml = survey.write().folder / "ours.toml"
    assert main(["inspect", str(survey.network), "--write-mapping", str(toml)]) == 0
    out = capsys.readouterr().out
    assert "What a mapping has to say" in out
    assert f"Written:\n  {toml}" in out
    text = toml.read_text(encoding="utf-8").replace('# "AC" = ""', '"AC" = "steel"')
    toml.write_text(text, encoding="utf-8")
    answer = inspected(toml, capsys)
    assert answer["questions"] == []
    assert {v["value"]: v["taken_for"] for v in column(answer, "mains", "material")["values"]} == {
        "AC": "steel",
        "PVC": "PVC",
    }


def test_mapping_to_write_is_a_toml_file_in_a_folder_that_is_there(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    survey.write()
    for name, message in (("ours.txt", "ends with .toml"), ("nowhere/ours.toml", "make the folder first")):
        assert main(["inspect", str(survey.network), "--write-mapping", str(survey.folder / name)]) == 2
        assert message in capsys.readouterr().err


def test_unit_is_said_aloud_with_its_reason(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    survey.mains = survey.mains.rename(columns={"diameter_mm": "DIAM"}).assign(DIAM=[6.0, 8.0])
    said = "diameters in 'DIAM' are read in inches: values from 6 to 8 are usual in inches"
    answer = inspected(survey.write().network, capsys)
    assert column(answer, "mains", "DIAM")["note"] == said
    assert answer["mapping"]["mains"]["units"]["diameter"] == "in"
    assert main(["inspect", str(survey.network)]) == 0
    assert said in capsys.readouterr().out
