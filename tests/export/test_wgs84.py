"""The copy in longitude and latitude."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import fiona
import pyogrio
import pyproj
import pytest

from netcorr.errors import ExportError
from netcorr.export.geopackage import write_result
from netcorr.export.result_schema import RESULT_LAYERS
from netcorr.export.wgs84 import write_wgs84
from netcorr.feedback import NoFeedback
from netcorr.position.fix import SurveyFix


class Listen(NoFeedback):
    """Keeps what it is told."""

    def __init__(self) -> None:
        self.heard: list[str] = []

    def message(self, text: str) -> None:
        self.heard.append(text)


def test_every_layer_is_in_degrees(make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
    target = tmp_path / "phone.gpkg"
    write_wgs84(make_fix(), target)
    for layer in RESULT_LAYERS:
        frame = pyogrio.read_dataframe(target, layer=layer.name)
        if layer.name == "leak_likelihood":  # a single pair has none
            continue
        assert len(frame) > 0
        if layer.geometry:
            assert frame.crs.to_epsg() == 4326
            assert frame.total_bounds == pytest.approx([9.0, 49.65, 9.0, 49.65], abs=0.01)


def test_point_goes_where_the_projection_says(make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
    fix = make_fix()
    target = tmp_path / "phone.geojson"
    write_wgs84(fix, target)
    [feature] = json.loads(target.read_text("utf-8"))["features"]
    point = fix.candidates[0].point
    # the projection alone, by PROJ's own operation, without the copy's code
    lon, lat = pyproj.Proj("EPSG:25832")(point.x, point.y, inverse=True)
    assert feature["geometry"] == {"type": "Point", "coordinates": pytest.approx([lon, lat], abs=1e-7)}


def test_geojson_follows_rfc_7946(make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
    target = tmp_path / "phone.geojson"
    write_wgs84(make_fix(), target)
    found = json.loads(target.read_text("utf-8"))
    assert found["type"] == "FeatureCollection"
    assert "crs" not in found  # RFC 7946, 4: WGS 84 only, the member is gone
    [feature] = found["features"]
    assert feature["properties"]["candidate_id"] == "0b9d3c52-8f55-4f0e-9d55-7a0f6d1f2b11"
    assert feature["properties"]["in_bracket"] is True
    assert feature["properties"]["recorded"] == "2026-03-01T01:00:00Z"
    assert "Before anyone digs" in feature["properties"]["caution"]
    with fiona.open(target) as source:
        assert len(source) == 1


def test_nothing_found_is_an_empty_collection(silent: SurveyFix, tmp_path: Path) -> None:
    target = tmp_path / "phone.geojson"
    write_wgs84(silent, target)
    assert json.loads(target.read_text("utf-8"))["features"] == []


def test_from_a_written_result(make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
    fix = make_fix()
    write_result(fix, tmp_path / "result.gpkg")
    write_wgs84(tmp_path / "result.gpkg", tmp_path / "one.gpkg")
    write_wgs84(fix, tmp_path / "two.gpkg")
    for layer in RESULT_LAYERS:
        one, two = (pyogrio.read_dataframe(tmp_path / f"{n}.gpkg", layer=layer.name) for n in ("one", "two"))
        assert one.equals(two)


def test_empty_result_from_a_file(silent: SurveyFix, tmp_path: Path) -> None:
    write_result(silent, tmp_path / "result.gpkg")
    write_wgs84(tmp_path / "result.gpkg", tmp_path / "one.gpkg")
    with fiona.open(tmp_path / "one.gpkg", layer="leak_candidates") as source:
        assert len(source) == 0
        assert source.schema["properties"]["from_a_m"] == "float"
        assert source.schema["properties"]["recorded"] == "datetime"


def test_coarse_datum_shift_is_said(make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
    # DHDN to WGS 84 without its grid is good to 3 m (EPSG operation 15869 or 1777)
    listen = Listen()
    write_wgs84(make_fix(pyproj.CRS.from_epsg(31467)), tmp_path / "phone.gpkg", feedback=listen)
    assert any("datum shift" in text for text in listen.heard)
    [note] = pyogrio.read_dataframe(tmp_path / "phone.gpkg", layer="leak_candidates").note
    assert "datum shift" in note
    assert note.startswith("The stretch holds the tee")


def test_replaces_only_its_own_kind(make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
    target = tmp_path / "phone.geojson"
    write_wgs84(make_fix(), target)
    write_wgs84(make_fix(), target)
    other = tmp_path / "mains.geojson"
    other.write_text('{"type": "FeatureCollection", "name": "mains", "features": []}', "utf-8")
    with pytest.raises(ExportError, match="not an earlier copy"):
        write_wgs84(make_fix(), other)
    assert "mains" in other.read_text("utf-8")


@pytest.mark.parametrize("name", ["phone.kmz", "phone", "no/such/folder/phone.geojson"])
def test_refuses_other_names(make_fix: Callable[..., SurveyFix], tmp_path: Path, name: str) -> None:
    with pytest.raises(ExportError, match="phone"):
        write_wgs84(make_fix(), tmp_path / name)
    assert not list(tmp_path.iterdir())


def test_refuses_a_source_that_is_no_result(make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
    with pytest.raises(ExportError, match="no such file"):
        write_wgs84(tmp_path / "none.gpkg", tmp_path / "phone.gpkg")
    (tmp_path / "notes.gpkg").write_text("notes", "utf-8")
    with pytest.raises(ExportError, match="not a complete result"):
        write_wgs84(tmp_path / "notes.gpkg", tmp_path / "phone.gpkg")


def test_full_disk_leaves_the_old_copy(
    make_fix: Callable[..., SurveyFix], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "phone.geojson"
    write_wgs84(make_fix(), target)
    before = target.read_bytes()

    def fail(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(pyogrio, "write_dataframe", fail)
    with pytest.raises(ExportError, match=r"phone\.geojson.*disk has room"):
        write_wgs84(make_fix(), target)
    assert target.read_bytes() == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["phone.geojson"]
