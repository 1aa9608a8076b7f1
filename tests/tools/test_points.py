"""Points through the command line: with the result, and from one made before."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import pyogrio
import pytest

from netcorr.cli import main

if TYPE_CHECKING:
    from conftest import SmallSurvey


def test_with_the_result_and_from_it(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    survey.write()
    folder = survey.output.parent
    first, second = folder / "with.gpx", folder / "from.gpx"
    assert main([*survey.words, "--points", str(first), "--quiet"]) == 0
    assert str(first) in capsys.readouterr().out
    assert main(["points", str(survey.output), "-o", str(second), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"points": 3, "files": [str(second)]}
    one, two = (pyogrio.read_dataframe(path, layer="waypoints") for path in (first, second))
    assert one["desc"].tolist() == two["desc"].tolist()
    assert one.geometry.to_wkb().tolist() == two.geometry.to_wkb().tolist()
    candidates = pyogrio.read_dataframe(survey.output, layer="leak_candidates").to_crs(4326)
    assert one.geometry.iloc[0].distance(candidates.geometry.iloc[0]) < 1e-7


def test_it_says_the_cautions(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    survey.write()
    assert main([*survey.words, "--quiet"]) == 0
    capsys.readouterr()
    assert main(["points", str(survey.output), "-o", str(survey.output.with_suffix(".kml"))]) == 0
    assert "Before anyone digs" in capsys.readouterr().out


def test_a_file_of_another_kind_is_known_before_the_work(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    survey.write()
    taken = survey.output.with_name("tracks.gpx")
    taken.write_text("<gpx>my own</gpx>", encoding="utf-8")
    assert main([*survey.words, "--points", str(taken)]) == 3
    assert "no points that netcorr wrote" in capsys.readouterr().err
    assert not survey.output.exists()
    assert "my own" in taken.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("name", "target", "code", "words"),
    [
        ("gone.gpkg", "p.gpx", 3, "no such file"),
        ("town.gpkg", "p.gpx", 3, "not a complete result"),
        ("town.gpkg", "p.shp", 2, ".geojson or .kml or .gpx"),
    ],
)
def test_what_is_no_result(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str], name: str, target: str, code: int, words: str
) -> None:
    survey.write()
    folder: Path = survey.folder
    assert main(["points", str(folder / name), "-o", str(folder / target)]) == code
    error = capsys.readouterr().err
    assert words in error
    assert "Traceback" not in error
    assert not (folder / target).exists()
