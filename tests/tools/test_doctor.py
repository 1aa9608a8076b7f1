"""The command: verdict, remedy, exit code, and the same for machines."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from netcorr.cli import main
from netcorr.tools import doctor_libraries, doctor_machine
from netcorr.tools.doctor import DoctorResult
from netcorr.tools.doctor_libraries import LibraryReport
from netcorr.tools.finding import Finding

GOOD = Finding("sqlite", "good", "3.40 works")
MIND = Finding("settings", "caution", "GDAL_DATA = /x: there is no such folder", "unset GDAL_DATA")
BAD = Finding("fiona", "fault", "reads \x1b[31mred\x1b[0m " + "long words " * 20, "install it anew")


def result(*findings: Finding) -> DoctorResult:
    return DoctorResult(
        findings, {"pyogrio": {"version": "1", "drivers": {"GPKG": "rw"}}}, {"GPKG": "rw"}, {}
    )


def test_fit() -> None:
    one = result(GOOD)
    assert (one.exit_code, one.verdict) == (0, "")
    assert one.text().endswith("Fit for work.")


def test_fit_with_something_to_know() -> None:
    one = result(GOOD, MIND)
    assert (one.exit_code, one.verdict) == (0, "")
    assert "-> unset GDAL_DATA" in one.text()
    assert one.text().endswith("Fit for work. 1 to know of, marked MIND.")


def test_not_fit() -> None:
    one = result(GOOD, MIND, BAD)
    assert one.exit_code == 4
    assert one.verdict.startswith("1 thing to put right; first fiona: reads")
    assert one.verdict.endswith("install it anew")
    assert "Not fit yet: 1 to put right, marked FAULT." in one.text()
    assert max(map(len, one.text().splitlines()[2:])) <= 100
    assert "\x1b" not in one.text()


def test_for_machines() -> None:
    data = json.loads(json.dumps(result(GOOD, BAD).as_dict()))
    assert data["fit"] is False
    assert [one["state"] for one in data["findings"]] == ["good", "fault"]
    assert data["drivers"] == {"GPKG": "rw"}
    assert data["parts"] == {"pyogrio": {"version": "1"}}


def test_the_command_as_a_whole(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["doctor", "--folder", str(tmp_path), "--json"])
    data = json.loads(capsys.readouterr().out)
    # whatever this machine is like, the verdict is that of its findings
    assert code == (4 if any(one["state"] == "fault" for one in data["findings"]) else 0)
    assert {"pyproj", "pyogrio", "versions", "writing", "self test"} <= {
        one["topic"] for one in data["findings"]
    }


def test_a_fault_ends_with_exit_code_4_and_the_remedy_on_stderr(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(doctor_libraries, "examine_libraries", lambda: LibraryReport((GOOD, BAD), {}, {}, {}))
    monkeypatch.setattr(doctor_machine, "self_test", lambda _: GOOD)
    assert main(["doctor"]) == 4
    said = capsys.readouterr()
    assert "FAULT fiona" in said.out
    assert "install it anew" in said.err
    assert "Traceback" not in said.err


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["doctor", "--folder", str(tmp_path / "gone")]) == 2
    assert "there is no such folder" in capsys.readouterr().err
