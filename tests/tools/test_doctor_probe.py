"""Each part of the probe works here, and a part that is broken is told without stopping the others."""

from __future__ import annotations

import importlib.util
import json
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyogrio
import pyproj
import pytest
import soundfile

from netcorr.tools import doctor_probe
from netcorr.tools.doctor_probe import LAT_DEG, LON_DEG, PARTS, probe


def test_every_part_works_here() -> None:
    found = probe()
    assert list(found) == list(PARTS)
    here = {name for name in PARTS if name == "sqlite" or importlib.util.find_spec(name)}
    assert {name for name, part in found.items() if "error" not in part} == here
    assert all(found[name]["version"] for name in here)


def test_the_known_place_is_that_of_the_projection() -> None:
    # meridian arc to LAT_DEG on GRS 80, by pyproj's geodesic, is the northing divided by 0.9996
    arc_m = pyproj.Geod(ellps="GRS80").line_length([LON_DEG, LON_DEG], [0.0, LAT_DEG])
    assert arc_m * 0.9996 == pytest.approx(doctor_probe.NORTH_M, abs=0.06)


def test_it_prints_one_document() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "netcorr.tools.doctor_probe"],
        capture_output=True,
        encoding="utf-8",
        check=True,
    )
    assert set(json.loads(done.stdout)) == set(PARTS)


def wrong_transform(*_: object, **__: object) -> Any:
    class Wrong:
        def transform(self, *_: float) -> tuple[float, float]:
            return 49.652543, 9.0  # axes swapped

    return Wrong()


def test_swapped_axes_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pyproj.Transformer, "from_crs", wrong_transform)
    assert "gives 49.652543, 9.000000" in probe({"pyproj": PARTS["pyproj"]})["pyproj"]["error"]


def test_a_crs_that_is_lost_on_the_way_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    write = pyogrio.write_dataframe

    def lose(frame: gpd.GeoDataFrame, path: Path, **more: Any) -> None:
        write(frame.set_crs(25833, allow_override=True), path, **more)

    monkeypatch.setattr(pyogrio, "write_dataframe", lose)
    assert "comes back as EPSG:25833" in probe({"pyogrio": PARTS["pyogrio"]})["pyogrio"]["error"]


def test_sound_that_comes_back_changed_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    read = soundfile.read
    monkeypatch.setattr(soundfile, "read", lambda *a, **k: (read(*a, **k)[0] // 2, 4000))
    assert "does not come back" in probe({"soundfile": PARTS["soundfile"]})["soundfile"]["error"]


def test_sqlite_without_its_index_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    class Poor:
        def __enter__(self) -> Poor:
            return self

        def __exit__(self, *_: object) -> None: ...

        def execute(self, _: str) -> None:
            raise sqlite3.OperationalError("no such module: rtree")

    monkeypatch.setattr(sqlite3, "connect", lambda _: Poor())
    assert "no such module: rtree" in probe({"sqlite": PARTS["sqlite"]})["sqlite"]["error"]


def test_missing_and_broken_are_two_things() -> None:
    def missing(_: Path) -> dict[str, Any]:
        raise ModuleNotFoundError("No module named 'nothing'", name="nothing")

    def inner(_: Path) -> dict[str, Any]:
        raise ModuleNotFoundError("No module named 'its_part'", name="its_part")

    found = probe({"nothing": missing, "broken": inner, "sqlite": PARTS["sqlite"]})
    assert (found["nothing"]["missing"], found["broken"]["missing"]) == (True, False)
    assert "version" in found["sqlite"]
