"""What a sound file itself says about its start: in its broadcast-wave chunk, or in its name."""

from __future__ import annotations

import re
import struct
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING

from netcorr.errors import ClockError
from netcorr.recordings.chunks import read_chunk, read_chunks

if TYPE_CHECKING:
    from pathlib import Path

#: What to do when the file does not tell.
WRITE_IT = "write it in column start of the table, as 2026-03-01T02:00:00+01:00"

_STAMP = re.compile(
    r"(?<!\d)(?P<year>\d{4})(?P<d>[-_.]?)(?P<month>\d\d)(?P=d)(?P<day>\d\d)"
    r"[T_ -]?(?P<hour>\d\d)(?P<t>[-_.:]?)(?P<minute>\d\d)(?P=t)(?P<second>\d\d)"
    r"(?:[.,](?P<fraction>\d{6}|\d{3})(?!\d))?"
    r"(?P<zone>Z|[+-](?:0\d|1[0-4]):?(?:00|15|30|45)(?!\d))?(?!\d)",
    re.ASCII,
)


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
        raise ClockError(item, found=f"date {day_text!r} and time {time_text!r}", remedy=WRITE_IT) from error
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
            remedy=WRITE_IT,
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
        raise ClockError(f"file name {path.name}", found="more than one time", remedy=WRITE_IT)
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
            f"file name {path.name}", found=f"{stamps[0].group()}: {error}", remedy=WRITE_IT
        ) from error
