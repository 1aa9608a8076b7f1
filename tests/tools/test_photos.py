"""From photos to a leak, through the command line: the photos are taken at the fittings of the survey."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import pytest
from PIL import ExifTags, Image

from netcorr.cli import main

if TYPE_CHECKING:
    from conftest import SmallSurvey


def take(path: Path, lon: float, lat: float) -> None:
    """Make a photo at a place of the northern hemisphere, east of Greenwich."""
    angles = []
    for angle in (lat, lon):
        minutes, degrees = math.modf(angle)
        seconds, minutes = math.modf(minutes * 60)
        angles.append((degrees, minutes, round(seconds * 60, 4)))
    tags = ExifTags.GPS
    gps: dict[int, Any] = {
        tags.GPSLatitude: angles[0],
        tags.GPSLatitudeRef: "N",
        tags.GPSLongitude: angles[1],
        tags.GPSLongitudeRef: "E",
        tags.GPSDateStamp: "2026:02:28",
        tags.GPSTimeStamp: (21.0, 5.0, 0.0),
    }
    exif = Image.Exif()
    exif[ExifTags.IFD.GPSInfo] = gps
    Image.new("RGB", (4, 4)).save(path, exif=exif)


@pytest.fixture
def photos(survey: SmallSurvey) -> Path:
    """Two photos at the two fittings, one elsewhere, one of a kind that is not read."""
    survey.write()
    folder = survey.folder / "photos"
    folder.mkdir()
    for name, point in zip(("L1", "L2"), survey.fittings.to_crs(4326).geometry, strict=True):
        take(folder / f"{name}.jpg", point.x, point.y)
    take(folder / "van.jpg", point.x + 0.002, point.y)
    (folder / "phone.heic").write_bytes(b"x")
    return folder


def test_from_photos_to_the_leak(
    survey: SmallSurvey, photos: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    draft = survey.folder / "draft.csv"
    assert main(["photos", str(photos), str(survey.network), "-o", str(draft)]) == 0
    said = capsys.readouterr().out
    assert "4 photos: 2 sites sure, 2 in doubt." in said
    assert "valve V1, 0.0 m away: L1.jpg (2026-02-28T21:05:00+00:00)" in said
    assert "HEIC pictures are not read" in said
    with draft.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    # what a person does: take out the doubtful rows, a row and a start for each recording
    sure = {row["fitting"]: row for row in rows if row["fitting"]}
    assert set(sure) == {"V1", "V2"}
    filled = [
        {**sure[one["fitting"]], "recording": one["recording"], "start": one["start"], "clock_sd_ms": "0.1"}
        for one in survey.rows
    ]
    with draft.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(filled[0]))
        writer.writeheader()
        writer.writerows(filled)
    assert main(["locate", str(survey.network), str(draft), "-o", str(survey.output), "-q"]) == 0
    best = gpd.read_file(survey.output, layer="leak_candidates").iloc[0]
    assert best["from_a_m"] == pytest.approx(45, abs=0.9)


def test_for_machines(survey: SmallSurvey, photos: Path, capsys: pytest.CaptureFixture[str]) -> None:
    draft = survey.folder / "draft.csv"
    assert main(["photos", str(photos), str(survey.network), "-o", str(draft), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert [site["fitting"] for site in data["sites"]] == ["V1", "V2", None, None]
    assert data["sites"][0]["photos"][0]["taken"] == "2026-02-28T21:05:00+00:00"
    assert data["files"] == [str(draft)]


@pytest.mark.parametrize(
    ("more", "code", "words"),
    [
        (["--time-zone", "Atlantis/Main"], 2, "Atlantis/Main"),
        (["--kinds", "meter"], 3, "no fitting of kind meter"),
        (["--far", "0"], 2, "1 to 200 m"),
    ],
)
def test_what_cannot_be_right(
    survey: SmallSurvey,
    photos: Path,
    capsys: pytest.CaptureFixture[str],
    more: list[str],
    code: int,
    words: str,
) -> None:
    draft = survey.folder / "draft.csv"
    assert main(["photos", str(photos), str(survey.network), "-o", str(draft), *more]) == code
    error = capsys.readouterr().err
    assert words in error
    assert "Traceback" not in error
    assert not draft.exists()


def test_a_table_that_was_filled_in_is_kept(
    survey: SmallSurvey, photos: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = survey.table.read_bytes()
    assert main(["photos", str(photos), str(survey.network), "-o", str(survey.table)]) == 3
    assert "may have been filled in" in capsys.readouterr().err
    assert survey.table.read_bytes() == before
