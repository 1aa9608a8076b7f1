"""When a recording began, by its logger's own clock."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from netcorr.errors import ClockError, RecordingError
from netcorr.recordings.stamps import WRITE_IT, broadcast_wave_start, file_name_start

if TYPE_CHECKING:
    from pathlib import Path

    from netcorr.recordings.recording import Deployment

#: No recording of this kind is older; clocks that were never set begin at 1904, 1970, 1980 or 2000.
EARLIEST = datetime(2001, 1, 1, tzinfo=UTC)

_GIVE_ZONE = (
    "give the time zone that the loggers' clocks keep, as Europe/Berlin, America/Denver or +01:00, "
    "or fill in column start of the table"
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
    zone = None if time_zone is None else parse_time_zone(time_zone)
    if deployment.start is not None:
        findings = _contradiction(deployment.start, deployment.recording, sample_rate_hz, zone)
        found = Start(deployment.start, "table", findings)
    else:
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
                remedy=WRITE_IT,
            )
    if found.time < EARLIEST:
        raise ClockError(
            deployment.label,
            found=f"start {found.time.isoformat()} from the {found.source}: a clock that was never set",
            remedy="set the logger's clock; if the true start is known, " + WRITE_IT,
        )
    return found


def _contradiction(
    start: datetime, path: Path, sample_rate_hz: float, zone: tzinfo | None
) -> tuple[str, ...]:
    """A finding when the file itself gives another start than the table: the row may name the wrong file."""
    try:
        broadcast = broadcast_wave_start(path, sample_rate_hz=sample_rate_hz)
        other = file_name_start(path) if broadcast is None else broadcast[0]
    except RecordingError:
        return ()
    if other is None:
        return ()
    if other.tzinfo is None and zone is not None:
        other = other.replace(tzinfo=zone)
    if other.tzinfo is None:
        # The zone is not known, but zones differ by quarters of an hour, so the minutes can be compared.
        quarter, half = timedelta(minutes=15), timedelta(minutes=7.5)
        apart = (other - start.replace(tzinfo=None) + half) % quarter - half
    else:
        apart = other - start
    if abs(apart) <= timedelta(seconds=2):
        return ()
    return (
        f"the table says it began at {start.isoformat()}, the file says {other.isoformat()}: "
        "make sure that the row names the right file",
    )


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
            item, found=f"{shown} {what} in {zone}, where clocks were changed that night", remedy=WRITE_IT
        )
    return early
