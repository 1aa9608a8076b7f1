"""Points for other apps: opened again by GDAL, where they belong, with cautions, and hostile text as text."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyogrio
import pyproj
import pytest

from netcorr.errors import ExportError
from netcorr.export.cautions import CAUTIONS
from netcorr.export.geopackage import write_result
from netcorr.export.points import POINT_SUFFIXES, write_points
from netcorr.export.result_tables import result_tables
from netcorr.feedback import NoFeedback
from netcorr.position.fix import SurveyFix
from netcorr.tools import TOOLS

GPX = "{http://www.topografix.com/GPX/1/1}"
KML = "{http://www.opengis.net/kml/2.2}"
#: Everything that could be taken for a command by an app, a browser or a parser.
HOSTILE = '<script>alert(1)</script> & "V\'7" ]]> <img src=x onerror=alert(2)> &lt;b&gt; \x1b[31m\x00 日本'


def read(path: Path) -> gpd.GeoDataFrame:
    return pyogrio.read_dataframe(path, layer="waypoints" if path.suffix == ".gpx" else None)


def told(path: Path) -> list[tuple[str, str]]:
    """Name and description of each point, by a parser that is not GDAL's."""
    if path.suffix == ".geojson":
        features = json.loads(path.read_text("utf-8"))["features"]
        return [(one["properties"]["name"], one["properties"]["description"]) for one in features]
    tags = (f"{KML}Placemark", f"{KML}name", f"{KML}description")
    if path.suffix == ".gpx":
        tags = (f"{GPX}wpt", f"{GPX}name", f"{GPX}desc")
    points = ET.parse(path).getroot().iter(tags[0])
    return [(one.findtext(tags[1]) or "", one.findtext(tags[2]) or "") for one in points]


@pytest.mark.parametrize("suffix", POINT_SUFFIXES)
def test_opened_again_where_the_projection_says(
    make_fix: Callable[..., SurveyFix], tmp_path: Path, suffix: str
) -> None:
    fix = make_fix()
    target = tmp_path / f"points{suffix}"
    assert write_points(fix, target) == 4  # a candidate, two sensors, and one whose recording was rejected
    frame = read(target)
    assert len(frame) == 4
    assert frame.crs.to_epsg() == 4326
    first, second = fix.network.fittings.geometry
    places = [fix.candidates[0].point, first, second, second]
    # the projection alone, by PROJ's own operation
    for shape, place in zip(frame.geometry, places, strict=True):
        lon, lat = pyproj.Proj("EPSG:25832")(place.x, place.y, inverse=True)
        assert (shape.x, shape.y) == (pytest.approx(lon, abs=1.1e-7), pytest.approx(lat, abs=1.1e-7))


@pytest.mark.parametrize("suffix", POINT_SUFFIXES)
def test_each_says_what_it_is_how_to_get_there_and_the_cautions(
    make_fix: Callable[..., SurveyFix], tmp_path: Path, suffix: str
) -> None:
    target = tmp_path / f"points{suffix}"
    write_points(make_fix(), target)
    candidate, *sensors = told(target)
    assert candidate[0] == "Leak 1: 97 %"
    assert "search 39.4 m to 43.0 m" in candidate[1]
    assert "(WGS 84)" in candidate[1]
    assert [name for name, _ in sensors] == [
        "Sensor: hydrant H-12",
        "Sensor: valve V-7",
        "Sensor: valve V-7",
    ]
    assert "1.20 m of pipe off the main" in sensors[0][1]
    for _, description in (candidate, *sensors):
        assert all(caution in description for caution in CAUTIONS)


@pytest.mark.parametrize("suffix", POINT_SUFFIXES)
def test_a_place_where_nobody_digs_says_so_in_its_name(
    make_fix: Callable[..., SurveyFix], make_candidate: Callable[..., Any], tmp_path: Path, suffix: str
) -> None:
    beyond = make_candidate(outcome="at or beyond A", from_a_m=0.0)
    target = tmp_path / f"points{suffix}"
    write_points(make_fix(candidates=(beyond,)), target)
    name, description = told(target)[0]
    assert "do not dig" in name
    assert description.startswith("DO NOT DIG HERE")
    kinds = re.findall("do not dig|leak candidate", target.read_text("utf-8"))
    assert "leak candidate" not in kinds


@pytest.mark.parametrize("suffix", POINT_SUFFIXES)
def test_hostile_text_stays_text(make_fix: Callable[..., SurveyFix], tmp_path: Path, suffix: str) -> None:
    fix = make_fix()
    network = fix.network
    hostile = replace(
        network, fittings=network.fittings.rename(index={"H-12": HOSTILE}).assign(kind=["hydrant", HOSTILE])
    )
    candidate = replace(fix.candidates[0], sensor_a=HOSTILE, note=HOSTILE)
    target = tmp_path / f"points{suffix}"
    write_points(replace(fix, network=hostile, candidates=(candidate,)), target)
    assert len(read(target)) == 3  # the file is whole; H-12 is no more
    texts = [text for pair in told(target) for text in pair]
    assert any("script" in text for text in texts)  # it is there, to be seen
    assert any("日本" in text for text in texts)
    for text in texts:
        assert not set("<>\x00\x1b") & set(text)  # nothing that a page would take for markup
    assert "<script" not in target.read_text("utf-8")


@pytest.mark.parametrize("suffix", POINT_SUFFIXES)
def test_from_a_stored_result_the_same_bytes(
    make_fix: Callable[..., SurveyFix], tmp_path: Path, suffix: str
) -> None:
    fix = make_fix()
    write_result(fix, tmp_path / "result.gpkg")
    write_points(fix, tmp_path / f"one{suffix}")
    write_points(tmp_path / "result.gpkg", tmp_path / f"two{suffix}")
    assert told(tmp_path / f"one{suffix}") == told(tmp_path / f"two{suffix}")
    one, two = (read(tmp_path / f"{name}{suffix}") for name in ("one", "two"))
    assert one.geometry.to_wkb().tolist() == two.geometry.to_wkb().tolist()


def test_what_the_ground_said_stands_in_the_name(make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
    write_result(make_fix(), tmp_path / "result.gpkg")
    (candidate,) = pyogrio.read_dataframe(tmp_path / "result.gpkg", layer="leak_candidates")["candidate_id"]
    text = f"candidate_id,verification\n{candidate},dug and dry\n"
    (tmp_path / "field.csv").write_text(text, encoding="utf-8")
    TOOLS["verify"].run({"result": tmp_path / "result.gpkg", "field": tmp_path / "field.csv"})
    write_points(tmp_path / "result.gpkg", tmp_path / "p.gpx")
    assert told(tmp_path / "p.gpx")[0][0] == "Leak 1: 97 % (dug and dry)"


@pytest.mark.parametrize("suffix", POINT_SUFFIXES)
def test_no_candidate_leaves_the_sensors(silent: SurveyFix, tmp_path: Path, suffix: str) -> None:
    target = tmp_path / f"points{suffix}"
    assert write_points(silent, target) == 3
    assert all("Sensor" in name for name, _ in told(target))


def test_directions_in_feet(make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
    write_points(make_fix(), tmp_path / "p.kml", units="us")
    assert re.search(r"search 129' 3\" to 141' 1\"", told(tmp_path / "p.kml")[0][1])


def test_geojson_has_numbers_as_numbers(make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
    write_points(make_fix(), tmp_path / "p.geojson")
    collection = json.loads((tmp_path / "p.geojson").read_text("utf-8"))
    assert "crs" not in collection  # RFC 7946, 4
    first, second, *_ = (one["properties"] for one in collection["features"])
    assert (first["kind"], first["rank"], first["probability"]) == ("leak candidate", 1, 0.97)
    assert (second["kind"], second["rank"], second["probability"]) == ("sensor", None, None)


def test_a_coarse_datum_shift_is_said_to_the_user_and_at_the_point(
    make_fix: Callable[..., SurveyFix], tmp_path: Path
) -> None:
    class Listen(NoFeedback):
        heard = ""

        def message(self, text: str) -> None:
            self.heard += text

    listen = Listen()
    write_points(make_fix(pyproj.CRS.from_epsg(31467)), tmp_path / "p.gpx", feedback=listen)
    assert "datum shift" in listen.heard
    assert "datum shift" in told(tmp_path / "p.gpx")[0][1]


@pytest.mark.parametrize("suffix", POINT_SUFFIXES)
def test_replaces_its_own_and_nothing_else(
    make_fix: Callable[..., SurveyFix], tmp_path: Path, suffix: str
) -> None:
    target = tmp_path / f"points{suffix}"
    write_points(make_fix(), target)
    write_points(make_fix(), target)
    assert [path.name for path in tmp_path.iterdir()] == [target.name]
    target.write_text("<gpx><wpt>precious</wpt></gpx>", encoding="utf-8")
    with pytest.raises(ExportError, match="no points that netcorr wrote"):
        write_points(make_fix(), target)
    assert "precious" in target.read_text("utf-8")


@pytest.mark.parametrize("name", ["points.kmz", "points", "gone/points.gpx"])
def test_other_names_are_refused(make_fix: Callable[..., SurveyFix], tmp_path: Path, name: str) -> None:
    with pytest.raises(ExportError, match="points"):
        write_points(make_fix(), tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_is_full_leaves_the_old_file(
    make_fix: Callable[..., SurveyFix], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "points.gpx"
    write_points(make_fix(), target)
    before = target.read_bytes()
    monkeypatch.setattr(pyogrio, "read_info", lambda *_, **__: {"features": 1})  # as if cut short
    with pytest.raises(ExportError, match="1 instead of 4 points"):
        write_points(make_fix(), target)
    assert target.read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == [target.name]


def test_coordinates_are_those_of_the_table(make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
    fix = make_fix()
    write_points(fix, tmp_path / "p.kml")
    stated = result_tables(fix)["leak_candidates"]["coordinates"].iloc[0]
    lat, lon = re.match(r"([\d.]+) N, ([\d.]+) E", stated).groups()
    shape = read(tmp_path / "p.kml").geometry.iloc[0]
    assert (shape.y, shape.x) == (pytest.approx(float(lat), abs=1e-6), pytest.approx(float(lon), abs=1e-6))
