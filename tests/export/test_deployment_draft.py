"""The draft of a table: what is sure is filled in, no file is replaced, no cell is a formula."""

from __future__ import annotations

import csv
from datetime import UTC, datetime
from pathlib import Path

import pytest

from netcorr.errors import ExportError, RecordingError
from netcorr.export.deployment_draft import DRAFT_COLUMNS, check_draft_target, write_draft
from netcorr.position.photo_sites import NearFitting, PhotoSite
from netcorr.recordings import read_deployments
from netcorr.recordings.photos import Photo
from netcorr.recordings.table import COLUMNS

NEAR = (NearFitting("V1", "valve", 2.04), NearFitting("H2", "hydrant", 30.0))


def site(folder: Path, *names: str, sure: bool = True, doubts: tuple[str, ...] = ()) -> PhotoSite:
    taken = datetime(2026, 2, 16, 22, 10, 30, 250_000, tzinfo=UTC)
    photos = tuple(Photo(folder / name, lon_lat=(9.0, 49.0), taken=taken) for name in names)
    return PhotoSite(photos, NEAR, sure, doubts)


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


def test_what_is_sure_is_filled_in_and_the_rest_is_left_open(tmp_path: Path) -> None:
    target = tmp_path / "draft.csv"
    sites = [
        site(tmp_path / "photos", "oak.jpg", "oak 2.jpg"),
        site(tmp_path / "photos", "elm.jpg", sure=False, doubts=("far", "no zone")),
        PhotoSite((Photo(tmp_path / "lost.jpg"),), (), False, ("no place",)),
    ]
    write_draft(sites, target)
    first, second, third = rows(target)
    assert list(first) == list(DRAFT_COLUMNS)
    assert (first["logger"], first["fitting"], first["recording"]) == ("oak", "V1", "")
    assert first["photos"] == "photos/oak.jpg; photos/oak 2.jpg"
    assert first["photographed"] == "2026-02-16T22:10:30+00:00"
    assert (first["nearest"], first["nearest_m"], first["second"], first["second_m"]) == (
        "V1",
        "2.0",
        "H2",
        "30.0",
    )
    assert (second["fitting"], second["nearest"], second["doubt"]) == ("", "V1", "far; no zone")
    assert (third["fitting"], third["nearest"], third["photographed"]) == ("", "", "")


def test_locate_takes_the_draft_once_recordings_are_filled_in(tmp_path: Path) -> None:
    target = tmp_path / "draft.csv"
    write_draft([site(tmp_path, "oak.jpg"), site(tmp_path, "elm.jpg")], target)
    with pytest.raises(RecordingError, match=r"row 2, column recording: empty; row 3, column"):
        read_deployments(target)
    text = target.read_text(encoding="utf-8-sig")
    filled = text.replace("oak,V1,,", "oak,V1,oak.wav,").replace("elm,V1,,", "elm,V1,elm.wav,")
    target.write_text(filled, encoding="utf-8")
    first, second = read_deployments(target)
    assert (first.logger, first.fitting, first.recording) == ("oak", "V1", tmp_path / "oak.wav")
    assert (second.logger, second.recording.name) == ("elm", "elm.wav")


def test_its_first_columns_are_those_that_locate_reads() -> None:
    assert set(DRAFT_COLUMNS[:8]) <= set(COLUMNS)
    assert not set(DRAFT_COLUMNS[8:]) & set(COLUMNS)


def test_names_that_a_spreadsheet_would_run_and_names_that_come_twice(tmp_path: Path) -> None:
    target = tmp_path / "draft.csv"
    names = ("=cmd()|x.jpg", "a/oak.jpg", "b/oak.jpg", "-.jpg")
    write_draft([site(tmp_path, name) for name in names], target)
    found = rows(target)
    assert [row["logger"] for row in found] == ["cmd()|x", "oak", "oak (2)", "logger"]
    assert all(cell[:1] not in tuple("=+-@") for row in found for cell in row.values() if cell)
    assert found[0]["photos"] == "./=cmd()|x.jpg"


def test_a_table_that_is_there_is_never_replaced(tmp_path: Path) -> None:
    target = tmp_path / "draft.csv"
    target.write_text("filled in by hand", encoding="utf-8")
    with pytest.raises(ExportError, match="may have been filled in"):
        check_draft_target(target)
    with pytest.raises(ExportError, match="may have been filled in"):
        write_draft([site(tmp_path, "a.jpg")], target)
    assert target.read_text(encoding="utf-8") == "filled in by hand"
    assert [path.name for path in tmp_path.iterdir()] == ["draft.csv"]
