"""When a recording began, by its logger's own clock."""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from netcorr.errors import ClockError
from netcorr.recordings.chunks import read_chunk, read_chunks

if TYPE_CHECKING:
    from pathlib import Path

    from netcorr.recordings.recording import Deployment

#: No recording of this kind is older; clocks that were never set begin at 1904, 1970, 1980 or 2000.
EARLIEST = datetime(2001, 1, 1, tzinfo=UTC)

_WRITE_IT = "write it in column start of the table, as 2026-03-01T02:00:00+01:00"
_GIVE_ZONE = (
    "give the time zone that the loggers' clocks keep, as Europe/Berlin, America/Denver or +01:00, "
    "or fill in column start of the table"
)
_STAMP = re.compile(
    r"(?<!\d)(?P<year>\d{4})(?P<d>[-_.]?)(?P<month>\d\d)(?P=d)(?P<day>\d\d)"
    r"[T_ -]?(?P<hour>\d\d)(?P<t>[-_.:]?)(?P<minute>\d\d)(?P=t)(?P<second>\d\d)"
    r"(?:[.,](?P<fraction>\d{6}|\d{3})(?!\d))?"
    r"(?P<zone>Z|[+-](?:0\d|1[0-4]):?(?:00|15|30|45)(?!\d))?(?!\d)"
)


@dataclass(frozen=True)
class Start:
    """When the first sample was taken, by the logger's own clock.

    Attributes
    ----------
    time : datetime.datetime
        With a time zone.
    source : str
        'table', 'broadcast-wave chunk' or 'file name'.
    findings : tuple of str
        What a technician should know about it, one sentence each.
    """

    time: datetime
    source: str
    findings: tuple[str, ...] = ()


def find_start(
    deployment: Deployment, *, sample_rate_hz: float, time_zone: str | tzinfo | None = None
) -> Start:
    """When a recording began: from the table, else from the file, else from its name.

    Parameters
    ----------
    deployment : Deployment
        Row of the table; its `start` wins.
    sample_rate_hz : float
        Sample rate of the file; a broadcast-wave chunk counts time in samples. [Hz]
    time_zone : str or datetime.tzinfo, optional
        Zone of the loggers' clocks, for times that do not say it: a name as 'Europe/Berlin', or an offset
        as '+01:00' for clocks that do not follow summer time.

    Returns
    -------
    Start
        Time with a zone, and where it was found.

    Raises
    ------
    ClockError
        If no start is found, its zone is unknown, it is no possible time, or the clock was never set.
    """
    if deployment.start is not None:
        found = Start(deployment.start, "table")
    else:
        zone = None if time_zone is None else parse_time_zone(time_zone)
        broadcast = broadcast_wave_start(deployment.recording, sample_rate_hz=sample_rate_hz)
        named = file_name_start(deployment.recording) if broadcast is None else None
        if broadcast is not None:
            local, findings = broadcast
            item = f"{deployment.label}, broadcast-wave chunk of {deployment.recording.name}"
            found = Start(in_zone(local, zone, item=item), "broadcast-wave chunk", findings)
        elif named is not None:
            item = f"{deployment.label}, file name {deployment.recording.name}"
            found = Start(in_zone(named, zone, item=item), "file name")
        else:
            raise ClockError(
                deployment.label,
                found=f"no start time in the table, in {deployment.recording.name} or in its name",
                remedy=_WRITE_IT,
            )
    if found.time < EARLIEST:
        raise ClockError(
            deployment.label,
            found=f"start {found.time.isoformat()} from the {found.source}: a clock that was never set",
            remedy="set the logger's clock; if the true start is known, " + _WRITE_IT,
        )
    return found


def parse_time_zone(time_zone: str | tzinfo) -> tzinfo:
    """Time zone by its name or by its offset from UTC.

    Parameters
    ----------
    time_zone : str or datetime.tzinfo
        'Europe/Berlin', 'UTC', '+01:00', or a zone itself.

    Returns
    -------
    datetime.tzinfo
        The zone.

    Raises
    ------
    ClockError
        If there is no such zone.

    Examples
    --------
    >>> parse_time_zone("-07:00").utcoffset(None)
    datetime.timedelta(days=-1, seconds=61200)
    """
    if isinstance(time_zone, tzinfo):
        return time_zone
    if re.fullmatch(r"[+-]\d\d:?\d\d", time_zone):
        try:
            offset = datetime.strptime(time_zone, "%z").tzinfo
        except ValueError:
            offset = None
        if offset is not None:
            return offset
    try:
        return ZoneInfo(time_zone)
    except (KeyError, ValueError, OSError) as error:
        raise ClockError(
            f"time zone {time_zone!r}",
            found="no such zone",
            remedy="give a name as Europe/Berlin or America/Denver, or an offset as +01:00",
        ) from error


def in_zone(local: datetime, zone: tzinfo | None, *, item: str) -> datetime:
    """Give a local time its zone.

    Parameters
    ----------
    local : datetime.datetime
        Time, with or without a zone.
    zone : datetime.tzinfo or None
        Zone for a time that has none.
    item : str
        How messages name the time.

    Returns
    -------
    datetime.datetime
        With a zone; a time that had one is returned as it is.

    Raises
    ------
    ClockError
        If no zone is known, or the time happened twice or not at all when clocks were changed there.
    """
    if local.tzinfo is not None:
        return local
    shown = local.isoformat(sep=" ")
    if zone is None:
        raise ClockError(item, found=f"{shown} without a time zone", remedy=_GIVE_ZONE)
    early, late = (local.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if early.utcoffset() != late.utcoffset():
        back = early.astimezone(UTC).astimezone(zone).replace(tzinfo=None)
        what = "happened twice" if back == local else "did not happen"
        raise ClockError(
            item, found=f"{shown} {what} in {zone}, where clocks were changed that night", remedy=_WRITE_IT
        )
    return early


def broadcast_wave_start(path: Path, *, sample_rate_hz: float) -> tuple[datetime, tuple[str, ...]] | None:
    """Start by the broadcast-wave chunk of a file: local time without a zone.

    Parameters
    ----------
    path : pathlib.Path
        Sound file.
    sample_rate_hz : float
        Its sample rate. [Hz]

    Returns
    -------
    (datetime.datetime, tuple of str) or None
        Local time of the first sample and what to know about it; None when the file has no such chunk or
        the chunk holds no date.

    Raises
    ------
    ClockError
        If the chunk's date or time cannot be read, or its two times contradict each other.

    Notes
    -----
    ``TimeReference`` counts samples since midnight and is exact; ``OriginationTime`` ends at the whole
    second. Many recorders leave the count at zero, so then the time of day stands alone.

    References
    ----------
    EBU Tech 3285, Specification of the Broadcast Wave Format (BWF), version 2.0, 2011.
    """
    chunk = next((chunk for chunk in read_chunks(path) if chunk.name == "bext"), None)
    content = b"" if chunk is None else read_chunk(path, chunk, limit=346)
    if len(content) < 346:
        return None
    texts = (content[320:330], content[330:338])
    day_text, time_text = (text.split(b"\0")[0].decode("latin-1").strip() for text in texts)
    if not day_text or re.fullmatch(r"[0\W]*", day_text):
        return None
    item = f"{path}, broadcast-wave chunk"
    try:
        day = date(*_three_numbers(day_text))
        stated = datetime.combine(day, time(*_three_numbers(time_text)))
    except ValueError as error:
        raise ClockError(item, found=f"date {day_text!r} and time {time_text!r}", remedy=_WRITE_IT) from error
    (count,) = struct.unpack("<Q", content[338:346])
    if count == 0:
        if stated.time() == time():
            return stated, ()
        note = (
            "its start is known to the whole second only, as the file does not count samples since midnight"
        )
        return stated, (note,)
    return _counted_start(stated, count / sample_rate_hz, item=item), ()


def _three_numbers(text: str) -> tuple[int, int, int]:
    first, second, third = (int(part) for part in re.split(r"\D", text))
    return first, second, third


def _counted_start(stated: datetime, seconds: float, *, item: str) -> datetime:
    """Exact start from the count since midnight, on the day that the stated time belongs to."""
    half_day = timedelta(hours=12)
    counted = datetime.combine(stated.date(), time()) + timedelta(seconds=seconds)
    apart = (counted - stated + half_day) % timedelta(days=1) - half_day
    if abs(apart) > timedelta(seconds=2):
        raise ClockError(
            item,
            found=f"origination time {stated.time()}, "
            f"but {counted.time()} by its count of samples since midnight",
            remedy=_WRITE_IT,
        )
    return stated + apart


def file_name_start(path: Path) -> datetime | None:
    """Start by the name of a file.

    Parameters
    ----------
    path : pathlib.Path
        Sound file; only its name is looked at.

    Returns
    -------
    datetime.datetime or None
        With a zone when the name gives one; None when the name holds no date and time.

    Raises
    ------
    ClockError
        If the name holds two times, or one that cannot be.

    Examples
    --------
    >>> from pathlib import Path
    >>> print(file_name_start(Path("K07_20260301T020000Z.wav")))
    2026-03-01 02:00:00+00:00
    >>> print(file_name_start(Path("2026-03-01_02-00-00.250.wav")))
    2026-03-01 02:00:00.250000
    """
    stamps = list(_STAMP.finditer(path.stem))
    if len(stamps) > 1:
        raise ClockError(f"file name {path.name}", found="more than one time", remedy=_WRITE_IT)
    if not stamps:
        return None
    part = stamps[0].groupdict()
    text = (
        f"{part['year']}-{part['month']}-{part['day']}T{part['hour']}:{part['minute']}:{part['second']}"
        f".{part['fraction'] or '000'}{part['zone'] or ''}"
    )
    try:
        return datetime.fromisoformat(text)
    except ValueError as error:
        raise ClockError(
            f"file name {path.name}", found=f"{stamps[0].group()}: {error}", remedy=_WRITE_IT
        ) from error
