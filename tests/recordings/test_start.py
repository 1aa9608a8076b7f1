"""Which start counts, and in which zone."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.errors import ClockError
from netcorr.recordings import Deployment, find_start
from netcorr.recordings.start import in_zone, parse_time_zone

Deploy = Callable[..., Deployment]
SAMPLES = np.arange(100, dtype=np.int16)
TABLE_START = datetime(2026, 3, 1, 2, tzinfo=timezone(timedelta(hours=1)))


def test_table_wins(deploy: Deploy, write_wave: Callable[..., Path], bext: Callable[..., bytes]) -> None:
    write_wave(SAMPLES, "a_20260301T050000Z.wav", before=bext(clock="04:00:00"))
    found = find_start(deploy("a_20260301T050000Z.wav", start=TABLE_START), sample_rate_hz=4000)
    assert (found.time, found.source) == (TABLE_START, "table")


def test_chunk_before_name(
    deploy: Deploy, write_wave: Callable[..., Path], bext: Callable[..., bytes]
) -> None:
    write_wave(SAMPLES, "a_20260301T050000Z.wav", before=bext(clock="04:00:00", count=4 * 3600 * 4000 + 2))
    found = find_start(deploy("a_20260301T050000Z.wav"), sample_rate_hz=4000, time_zone="+02:00")
    assert found.time == datetime(2026, 3, 1, 2, 0, 0, 500, tzinfo=UTC)
    assert found.source == "broadcast-wave chunk"


def test_name_last(deploy: Deploy, write_wave: Callable[..., Path]) -> None:
    write_wave(SAMPLES, "a_20260301T050000Z.wav")
    found = find_start(deploy("a_20260301T050000Z.wav"), sample_rate_hz=4000)
    assert (found.time, found.source) == (datetime(2026, 3, 1, 5, tzinfo=UTC), "file name")


def test_none_at_all(deploy: Deploy, write_wave: Callable[..., Path]) -> None:
    write_wave(SAMPLES, "a.wav")
    with pytest.raises(ClockError, match=r"t\.csv, row 2 \(logger A\): no start time .*column start"):
        find_start(deploy("a.wav"), sample_rate_hz=4000)


def test_zone_is_asked_for(
    deploy: Deploy, write_wave: Callable[..., Path], bext: Callable[..., bytes]
) -> None:
    write_wave(SAMPLES, "a.wav", before=bext())
    with pytest.raises(ClockError, match="2026-03-01 02:00:00 without a time zone; give the time zone"):
        find_start(deploy("a.wav"), sample_rate_hz=4000)
    write_wave(SAMPLES, "20260301T020000.wav")
    with pytest.raises(ClockError, match=r"file name 20260301T020000\.wav: .*without a time zone"):
        find_start(deploy("20260301T020000.wav"), sample_rate_hz=4000)


def test_summer_and_winter(deploy: Deploy, write_wave: Callable[..., Path]) -> None:
    """Berlin is an hour ahead of UTC in winter and two in summer (tz database)."""
    for name, hour in (("20260115T020000", 1), ("20260715T020000", 0)):
        write_wave(SAMPLES, f"{name}.wav")
        found = find_start(deploy(f"{name}.wav"), sample_rate_hz=4000, time_zone="Europe/Berlin")
        assert found.time.astimezone(UTC).hour == hour


@pytest.mark.parametrize(
    ("zone", "local", "what"),
    [
        ("Europe/Berlin", datetime(2026, 10, 25, 2, 30), "happened twice"),
        ("Europe/Berlin", datetime(2026, 3, 29, 2, 30), "did not happen"),
        ("America/Denver", datetime(2026, 11, 1, 1, 30), "happened twice"),
        ("America/Denver", datetime(2026, 3, 8, 2, 30), "did not happen"),
    ],
)
def test_night_of_the_clock_change(zone: str, local: datetime, what: str) -> None:
    with pytest.raises(ClockError, match=f"{what} in {zone}"):
        in_zone(local, ZoneInfo(zone), item="x")


@pytest.mark.parametrize("year", [1904, 1970, 1980, 2000])
def test_clock_that_was_never_set(year: int, deploy: Deploy, write_wave: Callable[..., Path]) -> None:
    with pytest.raises(ClockError, match=f"{year}-01-01T00:03:00.* never set"):
        find_start(deploy("a.wav", start=datetime(year, 1, 1, 0, 3, tzinfo=UTC)), sample_rate_hz=4000)
    name = f"{year}0101T000300Z.wav"
    write_wave(SAMPLES, name)
    with pytest.raises(ClockError, match="from the file name: a clock that was never set"):
        find_start(deploy(name), sample_rate_hz=4000)


@pytest.mark.parametrize(
    ("name", "zone", "told"),
    [
        ("20260301T010000Z", None, False),  # the table's 02:00+01:00
        ("20260301T010001Z", None, False),  # to the second
        ("20260301T013000Z", None, True),
        ("20260301T020000", None, False),  # its own zone, probably
        ("20260301T073000", None, False),  # another zone, perhaps
        ("20260301T020700", None, True),  # no zone is 7 minutes away
        ("20260301T020000", "Europe/Berlin", False),
        ("20260301T020000", "UTC", True),
        ("20260301T010000Z_20260301T030000Z", None, False),  # says nothing clear
    ],
)
def test_contradiction_with_the_table_is_told(
    name: str, zone: str | None, told: bool, deploy: Deploy, write_wave: Callable[..., Path]
) -> None:
    write_wave(SAMPLES, f"{name}.wav")
    found = find_start(deploy(f"{name}.wav", start=TABLE_START), sample_rate_hz=4000, time_zone=zone)
    assert found.time == TABLE_START
    assert bool(found.findings) is told
    assert all("make sure that the row names the right file" in text for text in found.findings)


def test_zones_by_name_and_offset() -> None:
    assert parse_time_zone("UTC").utcoffset(datetime(2026, 1, 1)) == timedelta(0)
    assert parse_time_zone("+05:30").utcoffset(None) == timedelta(hours=5, minutes=30)
    assert parse_time_zone("-0700").utcoffset(None) == timedelta(hours=-7)
    assert parse_time_zone(UTC) is UTC


@pytest.mark.parametrize("zone", ["Middle/Earth", "", "Europe", "+99:99", "../etc", "CEST+1\0"])
def test_no_such_zone(zone: str) -> None:
    with pytest.raises(ClockError, match="no such zone; give a name"):
        parse_time_zone(zone)


@settings(max_examples=30, deadline=None)
@given(
    local=st.datetimes(datetime(2002, 1, 1), datetime(2030, 1, 1)),
    zone=st.sampled_from(["Europe/Berlin", "America/Denver", "Asia/Kolkata", "Australia/Sydney"]),
)
def test_local_time_comes_back_from_utc(local: datetime, zone: str) -> None:
    try:
        moment = in_zone(local, ZoneInfo(zone), item="x")
    except ClockError:
        return  # the hours of a clock change are tested above
    assert moment.astimezone(UTC).astimezone(ZoneInfo(zone)).replace(tzinfo=None) == local
