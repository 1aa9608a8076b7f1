"""Folders that cannot be written to, disks that are full, zones that are unknown, answers that are wrong."""

from __future__ import annotations

import json
import os
import shutil
import zipfile
from pathlib import Path
from zoneinfo import ZoneInfoNotFoundError

import pytest

from netcorr.errors import CancelledError
from netcorr.feedback import NoFeedback
from netcorr.tools import doctor_machine
from netcorr.tools.doctor_machine import examine_folder, examine_time_zones, sample_folder, self_test


def test_a_folder_that_can_be_written_to_is_left_as_it_was(tmp_path: Path) -> None:
    writing, room = examine_folder(tmp_path)
    assert (writing.state, writing.topic) == ("good", "writing")
    assert str(tmp_path) in writing.found
    assert room.topic == "room"
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_without_the_right_to_write(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    (writing,) = examine_folder(tmp_path)
    assert writing.state == "fault"


def test_a_folder_that_went_away(tmp_path: Path) -> None:
    (writing,) = examine_folder(tmp_path / "gone")
    assert writing.state == "fault"
    assert "not possible" in writing.found
    assert "another" in writing.remedy


def test_a_disk_that_cannot_replace_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(13, "Operation not permitted")

    monkeypatch.setattr(os, "replace", refuse)
    (writing,) = examine_folder(tmp_path)
    assert writing.state == "fault"
    assert "no permission to write" in writing.found
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("free", "state"), [(10_000_000, "fault"), (100_000_000, "caution"), (900_000_000, "good")]
)
def test_room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, free: int, state: str) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(10**9, 0, free))
    assert [one.state for one in examine_folder(tmp_path)] == ["good", state]


def test_time_zones(monkeypatch: pytest.MonkeyPatch) -> None:
    assert examine_time_zones().state == "good"

    def unknown(name: str) -> None:
        raise ZoneInfoNotFoundError(name)

    monkeypatch.setattr(doctor_machine, "ZoneInfo", unknown)
    assert examine_time_zones().state == "caution"
    assert "tzdata" in examine_time_zones().remedy


def test_the_sample_is_located_right() -> None:
    found = self_test()
    assert found.state in ("good", "caution")  # the caution is a slow machine
    assert "m off, in" in found.found


@pytest.fixture
def sample(tmp_path: Path) -> Path:
    """Copy of the sample, to be spoilt."""
    here = sample_folder()
    assert here is not None
    copy = tmp_path / "sample"
    shutil.copytree(here, copy)
    return copy


def test_an_answer_that_is_not_the_known_one_is_a_fault(sample: Path) -> None:
    answers = json.loads((sample / "answers.json").read_text(encoding="utf-8"))
    answers["survey_iron"]["leak"]["from_a_m"] += 2.0
    (sample / "answers.json").write_text(json.dumps(answers), encoding="utf-8")
    found = self_test(sample=sample)
    assert found.state == "fault"
    assert "m off" in found.found
    assert "do not trust" in found.remedy


def test_recordings_without_the_leak_are_a_fault(sample: Path) -> None:
    table = sample / "survey_iron" / "deployments.csv"
    swapped = table.read_text(encoding="utf-8").replace("elm_round1.flac", "x").replace("oak_round1.wav", "y")
    table.write_text(swapped, encoding="utf-8")
    (sample / "survey_iron" / "elm_round2.flac").unlink()
    found = self_test(sample=sample)
    assert found.state == "fault"
    assert "could not be located" in found.found


def test_a_slow_machine_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doctor_machine, "_locate_sample", lambda *_: 0.3)
    monkeypatch.setattr(doctor_machine, "FAIR_TIME_S", -1.0)
    found = self_test()
    assert found.state == "caution"
    assert "slow or busy" in found.remedy


def test_a_leak_that_is_not_found_and_a_sample_that_is_not_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(doctor_machine, "_locate_sample", lambda *_: None)
    assert "the leak was not found" in self_test().found
    monkeypatch.setattr(doctor_machine, "sample_folder", lambda: None)
    assert "not there" in self_test().found
    monkeypatch.undo()
    monkeypatch.setattr(doctor_machine, "__file__", str(tmp_path / "a" / "b" / "c.py"))
    assert sample_folder() is None


def test_the_sample_of_an_installed_package_comes_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for place in (tmp_path / "netcorr" / "sample_network", tmp_path / "sample_network"):
        place.mkdir(parents=True)
        (place / "town.gpkg").touch()
    monkeypatch.setattr(doctor_machine, "__file__", str(tmp_path / "netcorr" / "tools" / "c.py"))
    assert sample_folder() == tmp_path / "netcorr" / "sample_network"


def test_it_can_be_cancelled() -> None:
    class Stop(NoFeedback):
        cancelled = True

    with pytest.raises(CancelledError):
        self_test(Stop())


def test_the_wheel_brings_what_the_self_test_needs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    wheel = pytest.importorskip("hatchling.build")
    root = Path(doctor_machine.__file__).resolve().parent.parent.parent
    monkeypatch.chdir(root)
    with zipfile.ZipFile(tmp_path / wheel.build_wheel(str(tmp_path))) as archive:
        archive.extractall(tmp_path / "installed")
    sample = tmp_path / "installed" / "netcorr" / "sample_network"
    assert (sample / "README.md").is_file()  # which says that the town is invented
    assert self_test(sample=sample).state in ("good", "caution")
