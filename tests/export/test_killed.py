"""Killed at any moment (SIGKILL), a writer leaves the old file or the new one, whole.

A child process writes two versions of a file in turn, as fast as it can, and is killed after a random time;
again and again, so that the kills fall on every step of the writing.
"""

from __future__ import annotations

import functools
import json
import os
import random
import signal
import sqlite3
import time
import warnings
import xml.etree.ElementTree as ET
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyogrio
import pytest
from PIL import Image
from shapely import LineString, Point

from netcorr.export import (
    draw_map,
    read_result,
    save_network,
    write_points,
    write_report,
    write_result,
    write_wgs84,
)
from netcorr.export.deployment_draft import write_draft
from netcorr.network import PipeNetwork
from netcorr.network.saved import open_network
from netcorr.position.fix import SurveyFix
from netcorr.position.photo_sites import PhotoSite
from netcorr.recordings.photos import Photo
from netcorr.tools import TOOLS
from netcorr.tools.read_network import read_network

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and kill")

#: Least number of kills for each kind of file.
KILLS = 12
#: Words by which the two versions are told apart.
EAST, NORTH = 500_000.0, 5_500_000.0
MARKS = ("first version", "second version")


@dataclass(frozen=True)
class Writer:
    """One kind of file: how a version is written, and how one that is there is read whole."""

    name: str
    write: Callable[[Path, SurveyFix], object]
    version: Callable[[Path], str]


def mark_of(text: str) -> str:
    """Which version a text holds: exactly one of the two."""
    found = [mark for mark in MARKS if mark in text]
    assert len(found) == 1, f"{len(found)} versions in one file"
    return found[0]


def whole_database(path: Path) -> str:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as database:
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    for layer, _ in pyogrio.list_layers(path):
        pyogrio.read_dataframe(path, layer=layer)
    return mark_of(" ".join(pyogrio.read_dataframe(path, layer="leak_candidates")["note"]))


def whole_result(path: Path) -> str:
    assert len(read_result(path).fix.candidates) == 1
    return whole_database(path)


def whole_points(path: Path) -> str:
    layer = "waypoints" if path.suffix == ".gpx" else None
    assert len(pyogrio.read_dataframe(path, layer=layer)) == 4
    text = path.read_text("utf-8")
    json.loads(text) if path.suffix == ".geojson" else ET.fromstring(text)
    return mark_of(text)


def whole_text(path: Path) -> str:
    return mark_of(path.read_text("utf-8"))


def whole_page(path: Path) -> str:
    text = path.read_text("utf-8")
    assert text.rstrip().endswith("</html>")
    return mark_of(text)


def whole_picture(path: Path) -> str:
    with Image.open(path) as picture:
        picture.load()  # raises when it is cut short
        return MARKS[picture.width == 900]


def write_picture(path: Path, fix: SurveyFix) -> None:
    draw_map(fix, path, width_px=900 if MARKS[1] in fix.candidates[0].note else 800, height_px=500)


@functools.cache
def town() -> PipeNetwork:
    """A cleaned network, as it is saved."""
    mains = gpd.GeoDataFrame(
        {"asset_id": ["M1", "M2"], "material": ["ductile iron", "PE"], "diameter_mm": [150, 110]},
        geometry=[
            LineString([(EAST, NORTH), (EAST + 60, NORTH)]),
            LineString([(EAST + 60, NORTH), (EAST, 5_500_050)]),
        ],
        crs=25832,
    )
    fittings = gpd.GeoDataFrame(
        {"asset_id": ["V1"], "kind": ["valve"]}, geometry=[Point(EAST, NORTH)], crs=25832
    )
    return read_network({"mains": mains, "fittings": fittings})


def write_network(path: Path, fix: SurveyFix) -> None:
    save_network(replace(town(), source=fix.candidates[0].note), path)


def whole_network(path: Path) -> str:
    network = open_network(path)
    assert network.graph.number_of_edges() == 2
    return mark_of(network.source)


WRITERS = (
    Writer("result.gpkg", lambda path, fix: write_result(fix, path), whole_result),
    Writer("phone.gpkg", lambda path, fix: write_wgs84(fix, path), whole_database),
    Writer("phone.geojson", lambda path, fix: write_wgs84(fix, path), whole_text),
    Writer("points.geojson", lambda path, fix: write_points(fix, path), whole_points),
    Writer("points.kml", lambda path, fix: write_points(fix, path), whole_points),
    Writer("points.gpx", lambda path, fix: write_points(fix, path), whole_points),
    Writer("map.png", write_picture, whole_picture),
    Writer("network.gpkg", write_network, whole_network),
)


def killed_while(work: Callable[[], Any], *, after_s: float) -> None:
    """Do a work in a child process and kill it after a time."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of fork beside threads, of which none works now
        child = os.fork()
    if child == 0:  # nothing may come back from here
        try:
            work()
        finally:
            os._exit(3)
    time.sleep(after_s)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status), "the work ended before it was killed"


def versions_of(make_fix: Callable[..., SurveyFix]) -> tuple[SurveyFix, SurveyFix]:
    fix = make_fix()
    first, second = (
        replace(fix, candidates=(replace(fix.candidates[0], note=f"This is the {mark}."),)) for mark in MARKS
    )
    return first, second


def kill_again_and_again(
    target: Path,
    write: Callable[[Path, Any], object],
    versions: tuple[Any, Any],
    version: Callable[[Path], str],
) -> None:
    """Kill a writer at random moments and look at its file after each: it is whole, and one of the two."""
    chance = random.Random(20260301)  # moments
    write(target, versions[0])  # once before the clock runs: what is loaded late is loaded now
    started_s = time.monotonic()
    write(target, versions[1])
    once_s = time.monotonic() - started_s
    outcomes = {"old": 0, "new": 0}
    before = version(target)
    while sum(outcomes.values()) < KILLS or min(outcomes.values()) == 0:
        assert sum(outcomes.values()) < 10 * KILLS, f"kills fell on one side only: {outcomes}"
        other = versions[before == MARKS[0]]

        def again_and_again(other: Any = other) -> None:
            while True:
                write(target, other)

        killed_while(again_and_again, after_s=chance.uniform(0.0, 1.5 * once_s))
        after = version(target)
        outcomes["old" if after == before else "new"] += 1
        if not outcomes["new"]:
            once_s *= 1.1  # the machine is busier than it was
        before = after
    others = [path.name for path in target.parent.iterdir() if path != target]
    assert all(name.startswith(".netcorr-") for name in others)  # drafts of the killed, and nothing else


@pytest.mark.parametrize("writer", WRITERS, ids=lambda writer: writer.name)
def test_the_old_file_or_the_new_one(
    make_fix: Callable[..., SurveyFix], tmp_path: Path, writer: Writer
) -> None:
    kill_again_and_again(tmp_path / writer.name, writer.write, versions_of(make_fix), writer.version)


def test_the_report(make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
    stored = []
    for fix, name in zip(versions_of(make_fix), ("one", "two"), strict=True):
        (tmp_path / name).mkdir()
        write_result(fix, tmp_path / name / "result.gpkg")
        stored.append(read_result(tmp_path / name / "result.gpkg"))
    (tmp_path / "out").mkdir()
    kill_again_and_again(
        tmp_path / "out" / "report.html",
        lambda path, result: write_report(result, path),
        (stored[0], stored[1]),
        whole_page,
    )


def test_a_table_that_is_never_replaced_is_whole_or_not_there(tmp_path: Path) -> None:
    sites = [PhotoSite((Photo(tmp_path / f"{k}.jpg"),), (), False, (MARKS[0],)) for k in range(2000)]
    target = tmp_path / "draft.csv"
    started_s = time.monotonic()
    write_draft(sites, target)
    once_s = time.monotonic() - started_s
    whole = target.read_bytes()
    chance = random.Random(7)  # moments
    seen: list[bool] = []
    while len(seen) < KILLS or len(set(seen)) == 1:
        assert len(seen) < 10 * KILLS
        target.unlink(missing_ok=True)

        def once() -> None:
            write_draft(sites, target)
            time.sleep(60)

        killed_while(once, after_s=chance.uniform(0.0, 2.5 * once_s))
        seen.append(target.exists())
        assert not target.exists() or target.read_bytes() == whole
        if not any(seen):
            once_s *= 1.1


def visits_in(path: Path) -> list[str]:
    """Notes of the visits that a result holds; the file is whole."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as database:
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert len(read_result(path).fix.candidates) == 1
    if "verification_history" not in {name for name, _ in pyogrio.list_layers(path)}:
        return []
    return sorted(pyogrio.read_dataframe(path, layer="verification_history")["field_note"])


def test_visits_are_taken_in_whole_or_not_at_all(make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
    result = tmp_path / "result.gpkg"
    write_result(make_fix(), result)
    (candidate,) = pyogrio.read_dataframe(result, layer="leak_candidates")["candidate_id"]
    fields = tmp_path / "fields"
    fields.mkdir()
    chance = random.Random(11)  # moments
    once_s = 1.0
    taken: list[bool] = []
    before = visits_in(result)
    while len(taken) < KILLS or len(set(taken)) == 1:
        assert len(taken) < 10 * KILLS
        note = f"visit {len(taken):03d}"
        row = f"{candidate},heard on the surface,2026-03-0{1 + len(taken) % 9}T09:00:00Z,{note}"
        field = fields / f"{len(taken)}.csv"
        field.write_text(f"candidate_id,verification,visited,field_note\n{row}\n", encoding="utf-8")

        def once(field: Path = field) -> None:
            TOOLS["verify"].run({"result": result, "field": field})
            time.sleep(60)

        killed_while(once, after_s=chance.uniform(0.0, 1.5 * once_s))
        after = visits_in(result)
        assert after in (before, sorted([*before, note]))
        taken.append(after != before)
        once_s *= 0.9 if taken[-1] else 1.1
        before = after
