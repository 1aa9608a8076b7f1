"""Settings of other products are put in the way for real, in processes of their own, and must be named."""

from __future__ import annotations

import os
import sqlite3
import sys
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from netcorr.tools import doctor_libraries
from netcorr.tools.doctor_libraries import SETTINGS, LibraryReport, examine_libraries, run_probe
from netcorr.tools.finding import Finding


def environment(**more: str) -> dict[str, str]:
    """Variables of this process without those of other products, and with what a test adds."""
    return {name: value for name, value in os.environ.items() if name not in SETTINGS} | more


def by_topic(report: LibraryReport, topic: str) -> Finding:
    return next(one for one in report.findings if one.topic == topic)


def faults(report: LibraryReport) -> list[Finding]:
    return [one for one in report.findings if one.state == "fault"]


@pytest.fixture
def old_proj(tmp_path: Path) -> Path:
    """Folder with the proj.db of a PROJ too old for any library here: its layout says 1.0."""
    folder = tmp_path / "other product" / "proj"
    folder.mkdir(parents=True)
    with closing(sqlite3.connect(folder / "proj.db")) as database, database:
        database.execute("CREATE TABLE metadata (key TEXT, value TEXT)")
        rows = [("DATABASE.LAYOUT.VERSION.MAJOR", "1"), ("DATABASE.LAYOUT.VERSION.MINOR", "0")]
        database.executemany("INSERT INTO metadata VALUES (?, ?)", rows)
    return folder


def test_a_sound_installation_has_no_faults() -> None:
    report = examine_libraries(environment())
    assert faults(report) == []
    assert by_topic(report, "settings").state == "good"
    assert report.settings == {}
    assert report.parts["pyproj"]["proj"].split(".")[0] >= "9"
    assert set(report.drivers["GPKG"]) >= set("rw")
    assert "GPKG" in by_topic(report, "drivers").found


@pytest.mark.parametrize("variable", ["PROJ_DATA", "PROJ_LIB"])
def test_proj_data_of_an_older_product_are_named_as_the_cause(old_proj: Path, variable: str) -> None:
    pytest.importorskip("fiona")  # the library that lets itself be misled
    report = examine_libraries(environment(**{variable: str(old_proj)}))
    setting, library = (one for one in report.findings if one.state != "good")
    assert setting.topic == "settings"
    assert f"{variable} (data of PROJ) = {old_proj}: it misleads fiona" in setting.found
    assert f"unset {variable}" in setting.remedy
    assert library.topic == "fiona"
    assert "comes without its name" in library.found
    assert variable in library.remedy
    # netcorr reads the CRS from the text of the file by pyproj, which is not misled: see the self test
    assert (setting.state, library.state) == ("caution", "caution")
    assert report.settings == {variable: str(old_proj)}


def test_of_several_settings_the_guilty_one_is_found(tmp_path: Path) -> None:
    report = examine_libraries(
        environment(GDAL_SKIP="GPKG", GDAL_DATA=str(tmp_path / "gone"), LD_LIBRARY_PATH=str(tmp_path))
    )
    states = {one.found.split(" ")[0]: one.state for one in report.findings if one.topic == "settings"}
    assert states == {"GDAL_SKIP": "fault", "GDAL_DATA": "caution", "LD_LIBRARY_PATH": "caution"}
    assert {one.topic for one in faults(report)} >= {"settings", "pyogrio"}
    assert "take GDAL_SKIP away" in by_topic(report, "pyogrio").remedy


@pytest.mark.parametrize(
    ("variable", "value", "state", "words"),
    [
        ("GDAL_DATA", "{folder}/gone", "caution", "there is no such folder"),
        ("GDAL_DATA", "{folder}", "caution", "there is no gdalvrt.xsd in it"),
        ("PROJ_LIB", "{folder}/gone", "caution", "there is no such folder"),
        ("GDAL_DRIVER_PATH", "{folder}", "caution", "set by another product; no harm was seen"),
        ("GDAL_DRIVER_PATH", sys.prefix + "/lib", "good", "of this Python's own environment"),
    ],
)
def test_settings_that_do_no_harm_are_told_apart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, variable: str, value: str, state: str, words: str
) -> None:
    monkeypatch.setattr(doctor_libraries, "run_probe", lambda _: {})  # nothing fails
    report = examine_libraries(environment(**{variable: value.format(folder=tmp_path)}))
    found = by_topic(report, "settings")
    assert found.state == state
    assert words in found.found


def test_settings_that_harm_only_together_are_all_named(monkeypatch: pytest.MonkeyPatch) -> None:
    def probe(given: Mapping[str, str]) -> dict[str, dict[str, Any]]:
        broken = {"PROJ_LIB", "GDAL_DATA"} <= set(given)
        return {"pyogrio": {"error": "clash", "missing": False} if broken else {"version": "1"}}

    monkeypatch.setattr(doctor_libraries, "run_probe", probe)
    report = examine_libraries(environment(PROJ_LIB="/a", GDAL_DATA="/b"))
    assert [one.found.split(" ")[0] for one in faults(report)][:2] == ["PROJ_LIB", "GDAL_DATA"]


def test_a_failure_that_no_setting_explains_asks_for_a_fresh_environment(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(
        doctor_libraries,
        "run_probe",
        lambda _: {"shapely": {"error": "ImportError: no GEOS", "missing": False}},
    )
    (fault,) = faults(examine_libraries(environment(LD_LIBRARY_PATH="/x")))
    assert (fault.topic, fault.found) == ("shapely", "ImportError: no GEOS")
    assert "fresh environment" in fault.remedy


def test_fiona_can_be_missing_and_pyogrio_cannot(monkeypatch: pytest.MonkeyPatch) -> None:
    gone = {"error": "ModuleNotFoundError: none", "missing": True}
    monkeypatch.setattr(doctor_libraries, "run_probe", lambda _: {"fiona": gone, "pyogrio": gone})
    report = examine_libraries(environment())
    assert by_topic(report, "fiona").state == "caution"
    assert by_topic(report, "pyogrio").state == "fault"


def test_drivers_that_are_needed_and_those_that_are_missed(monkeypatch: pytest.MonkeyPatch) -> None:
    drivers = {"GPKG": "r", "GeoJSON": "rw", "CSV": "rw", "ESRI Shapefile": "rw"}
    monkeypatch.setattr(
        doctor_libraries, "run_probe", lambda _: {"pyogrio": {"version": "1", "drivers": drivers}}
    )
    first, second = (one for one in examine_libraries(environment()).findings if one.topic == "drivers")
    assert (first.state, first.found) == ("fault", "no GPKG among its 4")  # it reads but cannot write
    assert (second.state, second.found) == ("caution", "no FlatGeobuf, OpenFileGDB, GPX")


def test_a_wrong_version_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doctor_libraries, "run_probe", lambda _: {})
    monkeypatch.setattr(
        doctor_libraries,
        "requires",
        lambda _: ["numpy>=99", "package-that-is-nowhere", "click>=8", "never; python_version < '3'"],
    )
    found = by_topic(examine_libraries(environment()), "versions")
    assert found.state == "fault"
    assert "numpy is" in found.found
    assert ">=99 is asked for" in found.found
    assert "package-that-is-nowhere is missing" in found.found
    assert "click" not in found.found


def test_a_process_that_dies_is_told_and_not_taken_for_good(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    program = tmp_path / "dies"
    program.write_text("#!/bin/sh\necho 'symbol lookup error' >&2\nkill -SEGV $$\n", encoding="utf-8")
    program.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(program))
    parts = run_probe(environment())
    assert "symbol lookup error" in parts["the process"]["error"]
    assert faults(examine_libraries(environment()))


def test_a_process_that_hangs_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program = tmp_path / "hangs"
    program.write_text("#!/bin/sh\nexec sleep 60\n", encoding="utf-8")
    program.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(program))
    monkeypatch.setattr(doctor_libraries, "_PATIENCE_S", 0.3)
    assert run_probe(environment())["the process"]["error"] == "no answer within 0.3 s"
