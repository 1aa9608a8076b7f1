"""Sound files and recordings made on the spot; nothing is stored."""

from __future__ import annotations

import struct
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from netcorr.recordings import Deployment, Recording, RecordingQuality

#: The night on which all invented loggers recorded.
NIGHT = datetime(2026, 3, 1, 2, 0, tzinfo=UTC)


@pytest.fixture
def night() -> datetime:
    return NIGHT


@pytest.fixture
def noise() -> Callable[..., NDArray[np.float32]]:
    """Seeded noise at -20 dB of full scale."""

    def make(size: int = 8000, *, seed: int = 1, rms: float = 0.1) -> NDArray[np.float32]:
        return np.random.default_rng(seed).normal(0, rms, size).clip(-0.99, 0.99).astype(np.float32)

    return make


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Write samples to a sound file in the test's own folder."""

    def make(
        samples: Any,
        name: str = "a.wav",
        *,
        rate: int = 4000,
        kind: str | None = None,
        subtype: str = "PCM_16",
    ) -> Path:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        soundfile.write(str(path), samples, rate, format=kind, subtype=subtype)
        return path

    return make


@pytest.fixture
def deploy(tmp_path: Path) -> Callable[..., Deployment]:
    """A row of a table, by default of logger A in row 2."""

    def make(name: str | Path = "a.wav", logger: str = "A", row: int = 2, **more: Any) -> Deployment:
        more.setdefault("fitting", f"V-{logger}")
        return Deployment(table="t.csv", row=row, logger=logger, recording=tmp_path / name, **more)

    return make


@pytest.fixture
def record(deploy: Callable[..., Deployment]) -> Callable[..., Recording]:
    """A recording without a file: noise that differs from logger to logger and from row to row."""

    def make(
        logger: str = "A",
        *,
        at_s: float = 0.0,
        seconds: float = 10.0,
        rate: float = 500.0,
        samples: NDArray[np.float32] | None = None,
        row: int = 2,
    ) -> Recording:
        if samples is None:
            rng = np.random.default_rng([row, *logger.encode()])
            samples = rng.normal(0, 0.1, round(seconds * rate)).astype(np.float32)
        return Recording(
            deployment=deploy(f"{logger}{row}.wav", logger, row),
            samples=samples,
            sample_rate_hz=rate,
            start=NIGHT + timedelta(seconds=at_s),
            start_source="table",
            quality=RecordingQuality(rms=0.1, peak=0.4),
        )

    return make


@pytest.fixture
def bext() -> Callable[..., bytes]:
    """A broadcast-wave chunk built by hand from the table in EBU Tech 3285, version 1."""

    def make(day: str = "2026-03-01", clock: str = "02:00:00", *, count: int = 0) -> bytes:
        content = (
            b"invented logger".ljust(256, b"\0")  # Description
            + b"logger A".ljust(32, b"\0")  # Originator
            + b"ref".ljust(32, b"\0")  # OriginatorReference
            + day.encode().ljust(10, b"\0")  # OriginationDate
            + clock.encode().ljust(8, b"\0")  # OriginationTime
            + struct.pack("<II", count & 0xFFFFFFFF, count >> 32)  # TimeReferenceLow, High
            + struct.pack("<H", 1)  # Version
            + bytes(64 + 190)  # UMID, Reserved
        )
        assert len(content) == 602
        return b"bext" + struct.pack("<I", len(content)) + content

    return make


@pytest.fixture
def write_wave(tmp_path: Path) -> Callable[..., Path]:
    """A WAV file of 16-bit samples built by hand, with other chunks before or after its samples."""

    def make(
        samples: NDArray[np.int16],
        name: str = "b.wav",
        *,
        rate: int = 4000,
        before: bytes = b"",
        after: bytes = b"",
        declared: int | None = None,
    ) -> Path:
        content = samples.astype("<i2").tobytes()
        size = len(content) if declared is None else declared
        body = (
            b"WAVE"
            + struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, rate, 2 * rate, 2, 16)
            + before
            + struct.pack("<4sI", b"data", size)
            + content
            + after
        )
        path = tmp_path / name
        path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
        return path

    return make
