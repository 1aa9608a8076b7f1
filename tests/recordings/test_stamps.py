"""What a file says of its own start: the broadcast-wave chunk and the name."""

from __future__ import annotations

import struct
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.errors import ClockError
from netcorr.recordings.stamps import broadcast_wave_start, file_name_start

SAMPLES = np.arange(100, dtype=np.int16)
WHOLE_SECOND = "known to the whole second only"


def start_of(path: Path, *, rate: float = 4000) -> tuple[datetime, tuple[str, ...]]:
    found = broadcast_wave_start(path, sample_rate_hz=rate)
    assert found is not None
    return found


@pytest.mark.parametrize("place", ["before", "after"])
def test_chunk_before_or_after_the_samples(
    place: str, bext: Callable[..., bytes], write_wave: Callable[..., Path]
) -> None:
    count = 2 * 3600 * 4000 + 1001
    start, findings = start_of(write_wave(SAMPLES, **{place: bext(count=count)}))
    assert start == datetime(2026, 3, 1, 2, 0, 0, 250_250)
    assert findings == ()


def test_count_needs_more_than_32_bits(bext: Callable[..., bytes], write_wave: Callable[..., Path]) -> None:
    """192 kHz counts past 2**32 at 06:12:49; the high word must not be lost."""
    count = 7 * 3600 * 192_000
    assert count > 2**32
    path = write_wave(SAMPLES, before=bext(clock="07:00:00", count=count), rate=192_000)
    assert start_of(path, rate=192_000)[0] == datetime(2026, 3, 1, 7)


@pytest.mark.parametrize("clock", ["02:30:05", "02-30-05", "02_30_05", "02.30.05", "02 30 05"])
def test_separators_that_the_standard_allows(
    clock: str, bext: Callable[..., bytes], write_wave: Callable[..., Path]
) -> None:
    """EBU Tech 3285: hyphen, underscore, colon, space or stop."""
    day = "2026-03-01".replace("-", clock[2])
    start, findings = start_of(write_wave(SAMPLES, before=bext(day, clock)))
    assert start == datetime(2026, 3, 1, 2, 30, 5)
    assert WHOLE_SECOND in findings[0]


def test_midnight_needs_no_count(bext: Callable[..., bytes], write_wave: Callable[..., Path]) -> None:
    assert start_of(write_wave(SAMPLES, before=bext(clock="00:00:00"))) == (datetime(2026, 3, 1), ())


def test_count_past_midnight(bext: Callable[..., bytes], write_wave: Callable[..., Path]) -> None:
    """The stated second may be the last of the day, and the count already one of the next."""
    path = write_wave(SAMPLES, before=bext(clock="23:59:59", count=2000))
    assert start_of(path)[0] == datetime(2026, 3, 2, 0, 0, 0, 500_000)
    path = write_wave(SAMPLES, before=bext(clock="00:00:00", count=86_400 * 4000 - 2000))
    assert start_of(path)[0] == datetime(2026, 2, 28, 23, 59, 59, 500_000)


def test_two_times_that_contradict(bext: Callable[..., bytes], write_wave: Callable[..., Path]) -> None:
    path = write_wave(SAMPLES, before=bext(clock="02:00:00", count=3600 * 4000))
    with pytest.raises(ClockError, match=r"origination time 02:00:00, but 01:00:00 by its count"):
        start_of(path)


@pytest.mark.parametrize(
    ("day", "clock"), [("2026-13-01", "02:00:00"), ("2026-03-01", "25:00:00"), ("x", "y")]
)
def test_unreadable_date(
    day: str, clock: str, bext: Callable[..., bytes], write_wave: Callable[..., Path]
) -> None:
    with pytest.raises(ClockError, match=f"date '{day}' and time '{clock}'"):
        start_of(write_wave(SAMPLES, before=bext(day, clock)))


@pytest.mark.parametrize("day", ["", "0000-00-00", "----------"])
def test_empty_chunk_says_nothing(
    day: str, bext: Callable[..., bytes], write_wave: Callable[..., Path]
) -> None:
    path = write_wave(SAMPLES, before=bext(day, ""))
    assert broadcast_wave_start(path, sample_rate_hz=4000) is None


def test_no_chunk_and_short_chunk(write_wave: Callable[..., Path], write: Callable[..., Path]) -> None:
    assert broadcast_wave_start(write_wave(SAMPLES), sample_rate_hz=4000) is None
    short = b"bext" + struct.pack("<I", 10) + bytes(10)
    assert broadcast_wave_start(write_wave(SAMPLES, before=short), sample_rate_hz=4000) is None
    assert broadcast_wave_start(write(SAMPLES, "a.flac", kind="FLAC"), sample_rate_hz=4000) is None


@settings(max_examples=40, deadline=None)
@given(seconds=st.integers(0, 86_399), fraction=st.integers(0, 47_999))
def test_count_is_exact_to_a_microsecond(seconds: int, fraction: int) -> None:
    from netcorr.recordings.stamps import _counted_start

    stated = datetime(2026, 3, 1) + timedelta(seconds=seconds)
    start = _counted_start(stated, (seconds * 48_000 + fraction) / 48_000, item="x")
    assert abs((start - stated).total_seconds() - fraction / 48_000) <= 0.51e-6


NAMES = {
    "20260301T020000Z.wav": datetime(2026, 3, 1, 2, tzinfo=UTC),
    "K07_20260301T020000Z_site.wav": datetime(2026, 3, 1, 2, tzinfo=UTC),
    "20260301T020000+0100.wav": datetime(2026, 3, 1, 2, tzinfo=timezone(timedelta(hours=1))),
    "20260301T020000-0700.flac": datetime(2026, 3, 1, 2, tzinfo=timezone(-timedelta(hours=7))),
    "20260301_020000.wav": datetime(2026, 3, 1, 2),
    "20260301020000.wav": datetime(2026, 3, 1, 2),
    "2026-03-01_02-00-00.wav": datetime(2026, 3, 1, 2),
    "2026-03-01 02.00.00.wav": datetime(2026, 3, 1, 2),
    "2026-03-01T02:00:00.250Z.wav": datetime(2026, 3, 1, 2, 0, 0, 250_000, tzinfo=UTC),
    "2026-03-01_02-00-00.250.wav": datetime(2026, 3, 1, 2, 0, 0, 250_000),
    "20260301T020000,000125Z.wav": datetime(2026, 3, 1, 2, 0, 0, 125, tzinfo=UTC),
    "logger_12_20260301-020000-0003.wav": datetime(2026, 3, 1, 2),  # a counter is no zone
}


@pytest.mark.parametrize("name", NAMES)
def test_names_with_a_time(name: str) -> None:
    found = file_name_start(Path("2025-01-01_00-00-00") / name)  # folders are not looked at
    assert found is not None
    assert found == NAMES[name]
    assert found.utcoffset() == NAMES[name].utcoffset()


@pytest.mark.parametrize(
    "name", ["a.wav", "K07.wav", "20260301.wav", "123456789012345678.wav", "2026-03-01.wav"]
)
def test_names_without_a_time(name: str) -> None:
    assert file_name_start(Path(name)) is None


def test_names_that_cannot_be() -> None:
    with pytest.raises(ClockError, match=r"20261301T020000Z.*month"):
        file_name_start(Path("20261301T020000Z.wav"))
    with pytest.raises(ClockError, match="more than one time"):
        file_name_start(Path("20260301T020000Z_20260301T030000Z.wav"))


@settings(max_examples=50, deadline=None)
@given(
    moment=st.datetimes(datetime(2001, 1, 1), datetime(2099, 1, 1)),
    style=st.sampled_from(["%Y%m%dT%H%M%S", "%Y-%m-%d_%H-%M-%S", "%Y%m%d%H%M%S", "%Y_%m_%d %H_%M_%S"]),
    zone=st.sampled_from(["", "Z"]),
)
def test_any_time_survives_in_a_name(moment: datetime, style: str, zone: str) -> None:
    name = f"L3_{moment.strftime(style)}.{moment.microsecond:06d}{zone}.wav"
    assert file_name_start(Path(name)) == (moment.replace(tzinfo=UTC) if zone else moment)


def test_hand_made_chunk_is_what_libsndfile_reads(
    bext: Callable[..., bytes], write_wave: Callable[..., Path]
) -> None:
    """The fixture against an independent reader: libsndfile's command SFC_GET_BROADCAST_INFO (0x10F0)."""
    import soundfile

    count = 7 * 3600 * 192_000
    path = write_wave(SAMPLES, before=bext("2026-03-01", "07:00:00", count=count))
    info = soundfile._ffi.new("char[]", 3000)
    with soundfile.SoundFile(str(path)) as file:
        assert np.array_equal(file.read(dtype="int16"), SAMPLES)
        assert soundfile._snd.sf_command(file._file, 0x10F0, info, 3000)
    content = bytes(soundfile._ffi.buffer(info))
    assert content[320:338] == b"2026-03-0107:00:00"
    assert struct.unpack("<Q", content[340:348]) == (count,)  # libsndfile aligns the count to four bytes
