"""The products of the folder: a recording that exists is one that can be used."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import FrozenInstanceError, replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from netcorr.errors import ClockError, RecordingError
from netcorr.recordings import Deployment, Recording, RecordingQuality

Deploy = Callable[..., Deployment]
Record = Callable[..., Recording]


def test_row_needs_a_place(deploy: Deploy) -> None:
    with pytest.raises(RecordingError, match=r"t\.csv, row 9 \(logger K\): neither a fitting nor a place"):
        deploy(logger="K", row=9, fitting=None)
    assert deploy(fitting=None, lon_lat=(7.5, 51.5)).lon_lat == (7.5, 51.5)


def test_start_needs_a_zone(deploy: Deploy) -> None:
    with pytest.raises(ClockError, match="start 2026-03-01T02:00:00 without a time zone"):
        deploy(start=datetime(2026, 3, 1, 2))


def test_recording_needs_samples_a_rate_and_a_zone(record: Record) -> None:
    fine = record()
    for samples in (np.zeros(0, np.float32), np.zeros((2, 5), np.float32)):
        with pytest.raises(RecordingError, match="give one channel"):
            replace(fine, samples=samples)
    for rate in (0.0, -1.0, np.nan, np.inf):
        with pytest.raises(RecordingError, match="sample rate"):
            replace(fine, sample_rate_hz=rate)
    with pytest.raises(ClockError, match="without a time zone"):
        replace(fine, start=datetime(2026, 3, 1, 2))


def test_end_follows_from_start_and_length(record: Record) -> None:
    made = record(seconds=2.5, rate=500)
    assert (made.duration_s, made.end - made.start) == (2.5, timedelta(seconds=2.5))
    with pytest.raises(FrozenInstanceError):
        made.start = made.end  # type: ignore[misc]


@pytest.mark.parametrize(("rms", "level"), [(1.0, "0 dB"), (0.1, "-20 dB"), (0.5, "-6 dB"), (0.0, "-180 dB")])
def test_quality_in_one_line(rms: float, level: str) -> None:
    """Decibels of full scale: 20 log10 of the root mean square."""
    assert str(RecordingQuality(rms=rms, peak=1.0)) == f"level {level} of full scale"
    told = RecordingQuality(rms=rms, peak=1.0, findings=("one", "two"))
    assert str(told).endswith("of full scale; one; two")
