"""The report through the command line."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from netcorr.cli import main

if TYPE_CHECKING:
    from pathlib import Path

    from conftest import SmallSurvey


def test_from_recordings_to_a_page(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    survey.write()
    page = survey.output.with_name("report.html")
    assert main([*survey.words, "--quiet"]) == 0
    capsys.readouterr()
    assert main(["report", str(survey.output), "-o", str(page), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["headline"] == "1 pair of loggers, 2 rounds: 1 leak with strong evidence."
    assert (told["candidates"], told["sounds"], told["problems"]) == (1, 2, [])
    assert told["files"] == [str(page)]
    assert told["bytes"] == page.stat().st_size
    for name in survey.sounds:
        (survey.folder / name).unlink()
    assert main(["report", str(survey.output), "-o", str(page), "--quiet"]) == 0
    out = capsys.readouterr().out
    assert "0 recordings to hear" in out
    assert "was not found" in out
    assert "--recordings" in out
    assert sorted(p.name for p in survey.output.parent.iterdir()) == ["report.html", "result.gpkg"]


@pytest.mark.parametrize(
    ("name", "code", "words"),
    [("result.gpkg", 3, "no such file"), ("result.csv", 2, "ends with .gpkg")],
)
def test_a_result_that_is_none(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, code: int, words: str
) -> None:
    assert main(["report", str(tmp_path / name), "-o", str(tmp_path / "r.html")]) == code
    error = capsys.readouterr().err
    assert words in error
    assert "Traceback" not in error
    assert not (tmp_path / "r.html").exists()
