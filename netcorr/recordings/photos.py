"""Photos of loggers in place: where and when each was taken, by what the camera wrote into it."""

from __future__ import annotations

import math
import os
import re
import warnings
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any

from PIL import ExifTags, Image

from netcorr.errors import RecordingError
from netcorr.feedback import Feedback, NoFeedback, check_cancelled
from netcorr.units import format_count

#: Pictures that can be read.
PHOTO_SUFFIXES = (".jpg", ".jpeg", ".tif", ".tiff", ".png", ".webp")
#: Pictures that cannot, and how they can be made to.
UNREADABLE_SUFFIXES = (".heic", ".heif")
_CONVERT = (
    "HEIC pictures are not read: set the camera to its most compatible format (JPEG), or convert them to "
    "JPEG with their location kept"
)
_ZONE = re.compile(r"([+-])(\d\d):?(\d\d)")


@dataclass(frozen=True)
class Photo:
    """What a photo says of itself.

    Attributes
    ----------
    path : pathlib.Path
        Its file.
    lon_lat : (float, float) or None
        Longitude and latitude (WGS 84); None when it has none that can be right. [degree]
    accuracy_m : float or None
        Standard deviation of the place as the camera stated it. [m]
    taken : datetime or None
        When, with a zone where the photo states one.
    problems : tuple of str
        What is missing or cannot be right, one phrase each.
    """

    path: Path
    lon_lat: tuple[float, float] | None = None
    accuracy_m: float | None = None
    taken: datetime | None = None
    problems: tuple[str, ...] = ()


def read_photos(
    folder: str | os.PathLike[str], *, zone: tzinfo | None = None, feedback: Feedback | None = None
) -> tuple[Photo, ...]:
    """Read what the photos of a folder, and of folders in it, say of themselves; no picture is decoded.

    Parameters
    ----------
    folder : str or path-like
        Where they lie.
    zone : datetime.tzinfo, optional
        Zone of the cameras' clocks, for photos that state none.
    feedback : Feedback, optional
        Told of the progress, and how many files are no photos.

    Returns
    -------
    tuple of Photo
        In the order of their paths; one that cannot be read has that among its problems.

    Raises
    ------
    RecordingError
        If there is no such folder or no photo in it.
    CancelledError
        If `feedback` says so.
    """
    feedback = feedback or NoFeedback()
    root = Path(folder)
    if not root.is_dir():
        raise RecordingError(str(root), found="there is no such folder", remedy="give the folder of photos")
    files = list(_files(root))
    photos: list[Photo] = []
    others = 0
    for number, path in enumerate(files):
        check_cancelled(feedback)
        suffix = path.suffix.lower()
        if suffix in PHOTO_SUFFIXES:
            photos.append(read_photo(path, zone=zone))
        elif suffix in UNREADABLE_SUFFIXES:
            photos.append(Photo(path, problems=(_CONVERT,)))
        else:
            others += 1
        feedback.progress((number + 1) / len(files))
    if not photos:
        endings = ", ".join(PHOTO_SUFFIXES)
        raise RecordingError(
            str(root),
            found=f"no photo among its {format_count(others, 'file')}",
            remedy=f"give the folder of photos ({endings})",
        )
    if others:
        feedback.message(f"{root.name}: {format_count(others, 'file')} passed over, no photos")
    return tuple(photos)


def _files(root: Path) -> Iterator[Path]:
    """Files of a folder and of folders in it, without hidden ones."""
    for path in sorted(root.rglob("*")):
        hidden = any(part.startswith(".") for part in path.relative_to(root).parts)
        if not hidden and path.is_file():
            yield path


def read_photo(path: str | os.PathLike[str], *, zone: tzinfo | None = None) -> Photo:
    """Read place and time of one photo.

    Parameters
    ----------
    path : str or path-like
        Picture with EXIF data.
    zone : datetime.tzinfo, optional
        Zone of the camera's clock, if the photo states none.

    Returns
    -------
    Photo
        What is missing or wrong stands in its `problems`.
    """
    path = Path(path)
    try:
        exif, gps = _tags(path)
    except (OSError, ValueError, SyntaxError, TypeError, KeyError, IndexError, OverflowError) as error:
        # what the readers of the many formats raise for a file that is damaged
        return Photo(path, problems=(f"cannot be read as a picture ({type(error).__name__}: {error})",))
    lon_lat, place_problem = _place(gps)
    taken, time_problem = _time(exif, gps, zone)
    accuracy_m = _number(gps.get(ExifTags.GPS.GPSHPositioningError))
    return Photo(
        path,
        lon_lat=lon_lat,
        accuracy_m=accuracy_m if accuracy_m is not None and accuracy_m > 0 else None,
        taken=taken,
        problems=tuple(problem for problem in (place_problem, time_problem) if problem),
    )


def _tags(path: Path) -> tuple[Mapping[int, Any], Mapping[int, Any]]:
    """What the camera wrote, and what its receiver did; a picture of any size is only opened, not decoded."""
    limit = Image.MAX_IMAGE_PIXELS
    Image.MAX_IMAGE_PIXELS = None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of tags that are out of order
            with Image.open(path) as picture:
                exif = picture.getexif()
                inner = {**exif, **exif.get_ifd(ExifTags.IFD.Exif)}
                return inner, dict(exif.get_ifd(ExifTags.IFD.GPSInfo))
    finally:
        Image.MAX_IMAGE_PIXELS = limit


def _place(gps: Mapping[int, Any]) -> tuple[tuple[float, float] | None, str]:
    """Longitude and latitude, and what is wrong with them."""
    tags = ExifTags.GPS
    if not gps.get(tags.GPSLatitude) and not gps.get(tags.GPSLongitude):
        return None, "no place in the photo: let the camera write its location"
    lat = _angle(gps.get(tags.GPSLatitude), gps.get(tags.GPSLatitudeRef), "NS", most_deg=90)
    lon = _angle(gps.get(tags.GPSLongitude), gps.get(tags.GPSLongitudeRef), "EW", most_deg=180)
    if lat is None or lon is None or (lat == 0 and lon == 0):
        return None, "its place cannot be right (hemisphere missing, out of range, or 0, 0)"
    datum = _text(gps.get(tags.GPSMapDatum))
    if datum and re.sub(r"[^A-Z0-9]", "", datum.upper()) not in {"WGS84", "WGS1984", "EPSG4326"}:
        return (lon, lat), f"its place is in the datum {datum}, taken as WGS 84"
    return (lon, lat), ""


def _angle(value: Any, side: Any, sides: str, *, most_deg: float) -> float | None:
    """Degrees, minutes and seconds as signed degrees; None when that cannot be right."""
    parts = [_number(part) for part in value] if isinstance(value, Iterable) else [_number(value)]
    letter = _text(side).upper()[:1]
    if not parts or len(parts) > 3 or letter not in set(sides):
        return None
    angle = 0.0
    for part, scale in zip(parts, (1.0, 60.0, 3600.0), strict=False):
        if part is None or part < 0:
            return None
        angle += part / scale
    if angle > most_deg:
        return None
    return -angle if (letter == sides[1] and sides == "NS") or letter == "W" else angle


def _time(
    exif: Mapping[int, Any], gps: Mapping[int, Any], zone: tzinfo | None
) -> tuple[datetime | None, str]:
    """When it was taken: by the satellites' clock, else by the camera's with its zone, else without."""
    if (sure := _satellite_time(gps)) is not None:
        return sure, ""
    tags = ExifTags.Base
    for moment, offset in (
        (tags.DateTimeOriginal, tags.OffsetTimeOriginal),
        (tags.DateTimeDigitized, tags.OffsetTimeDigitized),
        (tags.DateTime, tags.OffsetTime),
    ):
        found = _camera_time(_text(exif.get(moment)))
        if found is None:
            continue
        stated = _offset(_text(exif.get(offset))) or zone
        if stated is None:
            return found, "its clock states no zone: give --time-zone"
        return found.replace(tzinfo=stated), ""
    return None, "no time in the photo"


def _satellite_time(gps: Mapping[int, Any]) -> datetime | None:
    parts = gps.get(ExifTags.GPS.GPSTimeStamp)
    day = _camera_time(_text(gps.get(ExifTags.GPS.GPSDateStamp)) + " 00:00:00")
    if day is None or not isinstance(parts, Iterable):
        return None
    numbers = [_number(part) for part in parts]
    if len(numbers) != 3 or any(number is None or not 0 <= number <= 60 for number in numbers):
        return None
    hours, minutes, seconds = (float(number or 0.0) for number in numbers)
    return day.replace(tzinfo=UTC) + timedelta(hours=hours, minutes=minutes, seconds=round(seconds, 3))


def _camera_time(text: str) -> datetime | None:
    try:
        found = datetime.strptime(text.strip()[:19].replace("-", ":"), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    return found if found.year > 1980 else None  # a clock that was never set


def _offset(text: str) -> tzinfo | None:
    found = _ZONE.fullmatch(text.strip())
    if found is None:
        return None
    sign, hours, minutes = found.groups()
    text = f"2000-01-01T00:00:00{sign}{hours}:{minutes}"
    try:
        return datetime.fromisoformat(text).tzinfo
    except ValueError:
        return None


def _text(value: Any) -> str:
    if isinstance(value, bytes):
        value = value.decode("ascii", errors="replace")
    return value.replace("\0", "").strip() if isinstance(value, str) else ""


def _number(value: Any) -> float | None:
    """A number; None for what is none, or a fraction with nothing below it."""
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    return number if math.isfinite(number) else None
