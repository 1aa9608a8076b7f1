"""Photos are made here with the tags that cameras write (EXIF 2.32), and read back."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from PIL import ExifTags, Image, TiffImagePlugin

from netcorr.errors import CancelledError, RecordingError
from netcorr.feedback import NoFeedback
from netcorr.recordings import photos as module
from netcorr.recordings.photos import PHOTO_SUFFIXES, read_photo, read_photos

GPS = ExifTags.GPS


def dms(angle_deg: float) -> tuple[float, float, float]:
    """Degrees, minutes and seconds of an angle."""
    minutes, degrees = math.modf(abs(angle_deg))
    seconds, minutes = math.modf(minutes * 60)
    return degrees, minutes, round(seconds * 60, 5)


def gps_of(lon: float, lat: float) -> dict[int, Any]:
    return {
        GPS.GPSLatitude: dms(lat),
        GPS.GPSLatitudeRef: "N" if lat >= 0 else "S",
        GPS.GPSLongitude: dms(lon),
        GPS.GPSLongitudeRef: "E" if lon >= 0 else "W",
    }


def take(path: Path, *, gps: dict[int, Any] | None = None, camera: dict[int, Any] | None = None) -> Path:
    """Make a photo; tags of the camera go where cameras put them."""
    exif = Image.Exif()
    for tag, value in (camera or {}).items():
        target = exif if tag == ExifTags.Base.DateTime else exif.get_ifd(ExifTags.IFD.Exif)
        target[tag] = value
    if gps:
        exif[ExifTags.IFD.GPSInfo] = gps
    picture = Image.new("RGB", (8, 6), (90, 120, 60))
    if path.suffix.startswith(".tif"):  # whose tags are written by another way
        tags = TiffImagePlugin.ImageFileDirectory_v2()
        tags[ExifTags.IFD.GPSInfo] = gps or {}
        picture.save(path, tiffinfo=tags)
    else:
        picture.save(path, exif=exif)
    return path


@pytest.mark.parametrize("suffix", PHOTO_SUFFIXES)
@pytest.mark.parametrize(("lon", "lat"), [(-16.9915861, 47.0064392), (151.2, -33.85), (9.0, 0.5)])
def test_place_of_every_kind_of_picture(tmp_path: Path, suffix: str, lon: float, lat: float) -> None:
    photo = read_photo(take(tmp_path / f"a{suffix}", gps=gps_of(lon, lat)))
    assert photo.lon_lat == (pytest.approx(lon, abs=1e-7), pytest.approx(lat, abs=1e-7))
    assert photo.accuracy_m is None
    assert photo.problems == ("no time in the photo",)


@settings(deadline=None)
@given(lon=st.floats(-180, 180), lat=st.floats(-90, 90))
def test_angles_come_back_whatever_the_hemisphere(lon: float, lat: float) -> None:
    assume(abs(lon) > 1e-8 or abs(lat) > 1e-8)  # what is nearer to 0, 0 may be written as just that
    place, problem = module._place(gps_of(lon, lat))
    assert not problem
    assert place == (pytest.approx(lon, abs=1e-7), pytest.approx(lat, abs=1e-7))


def test_zero_and_zero_is_no_place() -> None:
    place, problem = module._place(gps_of(0.0, 0.0))
    assert place is None
    assert problem


def test_accuracy_and_time_of_the_satellites(tmp_path: Path) -> None:
    gps = {
        **gps_of(9.0, 49.6),
        GPS.GPSHPositioningError: 3.5,
        GPS.GPSDateStamp: "2026:02:16",
        GPS.GPSTimeStamp: (22.0, 10.0, 30.5),
        GPS.GPSMapDatum: "WGS-84",
    }
    camera = {ExifTags.Base.DateTimeOriginal: "2026:02:16 23:55:00"}  # a clock that is wrong
    photo = read_photo(take(tmp_path / "a.jpg", gps=gps, camera=camera))
    assert photo.accuracy_m == pytest.approx(3.5)
    assert photo.taken == datetime(2026, 2, 16, 22, 10, 30, 500_000, tzinfo=UTC)
    assert photo.problems == ()


def test_time_of_the_camera_with_its_zone(tmp_path: Path) -> None:
    camera = {
        ExifTags.Base.DateTimeOriginal: "2026:02:16 23:10:30",
        ExifTags.Base.OffsetTimeOriginal: "-05:30",
    }
    photo = read_photo(take(tmp_path / "a.jpg", gps=gps_of(9, 49), camera=camera))
    assert photo.taken is not None
    assert photo.taken.utcoffset() == timedelta(hours=-5, minutes=-30)
    assert photo.problems == ()


def test_a_clock_without_zone_is_marked_or_told_its_zone(tmp_path: Path) -> None:
    path = take(
        tmp_path / "a.jpg", gps=gps_of(9, 49), camera={ExifTags.Base.DateTimeOriginal: "2026:07:16 23:10:30"}
    )
    bare = read_photo(path)
    assert bare.taken == datetime(2026, 7, 16, 23, 10, 30)
    assert bare.problems == ("its clock states no zone: give --time-zone",)
    told = read_photo(path, zone=ZoneInfo("Europe/Lisbon"))
    assert told.taken is not None
    assert told.taken.astimezone(UTC) == datetime(2026, 7, 16, 22, 10, 30, tzinfo=UTC)
    assert told.problems == ()


@pytest.mark.parametrize(
    ("stamp", "found"),
    [("0000:00:00 00:00:00", None), ("1970:01:01 00:00:00", None), ("yesterday", None), ("", None)],
)
def test_times_that_cannot_be_right_are_none(tmp_path: Path, stamp: str, found: None) -> None:
    photo = read_photo(take(tmp_path / "a.jpg", camera={ExifTags.Base.DateTime: stamp}))
    assert photo.taken is found
    assert "no time in the photo" in photo.problems


@pytest.mark.parametrize(
    "change",
    [
        {GPS.GPSLatitudeRef: None},
        {GPS.GPSLongitudeRef: "Q"},
        {GPS.GPSLatitude: (95.0, 0.0, 0.0)},
        {GPS.GPSLongitude: (181.0, 0.0, 0.0)},
        {GPS.GPSLatitude: (0.0, 0.0, 0.0), GPS.GPSLongitude: (0.0, 0.0, 0.0)},
    ],
)
def test_places_that_cannot_be_right_are_none(tmp_path: Path, change: dict[int, Any]) -> None:
    gps = {key: value for key, value in {**gps_of(9.0, 49.6), **change}.items() if value is not None}
    photo = read_photo(take(tmp_path / "a.jpg", gps=gps))
    assert photo.lon_lat is None
    assert "cannot be right" in photo.problems[0]


def test_a_fraction_with_nothing_below_it_is_no_place() -> None:
    class Nothing:
        def __float__(self) -> float:
            raise ZeroDivisionError

    gps = {**gps_of(9.0, 49.6), GPS.GPSLatitude: (Nothing(), 0.0, 0.0)}
    assert module._place(gps)[0] is None
    assert module._place({**gps_of(9.0, 49.6), GPS.GPSLatitude: (float("nan"), 0.0, 0.0)})[0] is None


def test_another_datum_is_said(tmp_path: Path) -> None:
    photo = read_photo(take(tmp_path / "a.jpg", gps={**gps_of(9.0, 49.6), GPS.GPSMapDatum: "TOKYO"}))
    assert photo.lon_lat is not None
    assert "datum TOKYO" in photo.problems[0]


def test_without_a_place(tmp_path: Path) -> None:
    photo = read_photo(take(tmp_path / "a.jpg"))
    assert photo.lon_lat is None
    assert photo.problems[0].startswith("no place in the photo")


@pytest.mark.parametrize(
    "content", [b"", b"no picture at all", b"\xff\xd8\xff\xe1\x00\x10Exif\x00\x00broken"]
)
def test_files_that_are_damaged_do_not_stop_the_others(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "bad.jpg").write_bytes(content)
    take(tmp_path / "good.jpg", gps=gps_of(9, 49))
    bad, good = read_photos(tmp_path)
    assert "cannot be read as a picture" in bad.problems[0]
    assert good.lon_lat is not None


def test_damaged_tags_never_raise(tmp_path: Path) -> None:
    whole = take(tmp_path / "whole.jpg", gps=gps_of(9, 49)).read_bytes()
    for place in range(2, min(len(whole), 260), 3):  # one byte after another spoilt
        path = tmp_path / "spoilt.jpg"
        path.write_bytes(whole[:place] + bytes([whole[place] ^ 0xFF]) + whole[place + 1 :])
        photo = read_photo(path)
        assert photo.lon_lat is None or all(math.isfinite(value) for value in photo.lon_lat)
    for length in range(0, len(whole), 40):
        path.write_bytes(whole[:length])
        read_photo(path)


def test_a_picture_of_any_size_is_only_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = take(tmp_path / "a.jpg", gps=gps_of(9, 49))
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 10)  # it has 48: more than twice is refused elsewhere
    with pytest.raises(Image.DecompressionBombError):
        Image.open(path)
    assert read_photo(path).lon_lat is not None
    assert Image.MAX_IMAGE_PIXELS == 10


def test_pictures_that_are_not_supported_are_named_with_the_remedy(tmp_path: Path) -> None:
    (tmp_path / "IMG_1.HEIC").write_bytes(b"\0\0\0\x18ftypheic")
    (photo,) = read_photos(tmp_path)
    assert "HEIC pictures are not read" in photo.problems[0]
    assert "JPEG" in photo.problems[0]


class Listen(NoFeedback):
    """Keeps what it is told."""

    def __init__(self) -> None:
        self.heard: list[str] = []
        self.shares: list[float] = []

    def message(self, text: str) -> None:
        self.heard.append(text)

    def progress(self, fraction: float, message: str = "") -> None:
        self.shares.append(fraction)


def test_folders_in_the_folder_are_read_and_hidden_ones_are_not(tmp_path: Path) -> None:
    for name in ("b/two.jpg", "a/one.JPG", ".thumbnails/three.jpg"):
        (tmp_path / name).parent.mkdir()
        take(tmp_path / name)
    (tmp_path / "notes.txt").write_text("x", encoding="utf-8")
    listen = Listen()
    found = read_photos(tmp_path, feedback=listen)
    assert [photo.path.relative_to(tmp_path).as_posix() for photo in found] == ["a/one.JPG", "b/two.jpg"]
    assert listen.heard == [f"{tmp_path.name}: 1 file passed over, no photos"]
    assert listen.shares[-1] == 1.0


def test_a_folder_without_photos_and_one_that_is_not_there(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("x", encoding="utf-8")
    with pytest.raises(RecordingError, match=r"no photo among its 1 file; .*\.jpg"):
        read_photos(tmp_path)
    with pytest.raises(RecordingError, match="no such folder"):
        read_photos(tmp_path / "gone")


def test_it_can_be_stopped(tmp_path: Path) -> None:
    class Stop(NoFeedback):
        cancelled = True

    take(tmp_path / "a.jpg")
    with pytest.raises(CancelledError):
        read_photos(tmp_path, feedback=Stop())
