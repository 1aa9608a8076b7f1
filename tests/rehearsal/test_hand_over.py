"""Simulated rounds handed over as if they had been read from files."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest

from netcorr.errors import RecordingError
from netcorr.recordings import read_deployments, read_rounds
from netcorr.rehearsal.hand_over import as_recordings
from netcorr.simulation import SensorSetup, SimulatedRecording, SimulatedRound, write_survey

START = datetime(2026, 3, 1, 2, tzinfo=UTC)
RATE_HZ = 4000.0


def item(logger: str, *, late_s: float = 0.0, seed: int = 0, **sensor: float) -> SimulatedRecording:
    samples = 0.05 * np.random.default_rng(seed).standard_normal(20_000).astype(np.float32)
    setup = SensorSetup(logger=logger, fitting=f"fitting of {logger}", **sensor)
    return SimulatedRecording(setup, samples, START + timedelta(seconds=late_s), -3.0)


def test_recordings_keep_what_was_simulated() -> None:
    a, b = item("L1", seed=1, lead_m=0.8), item("L2", seed=2)
    survey = as_recordings([SimulatedRound(1, (a, b))], clock_sd_s=2e-4)
    (one,) = survey.rounds
    assert survey.rejected == ()
    assert (one.number, one.sample_rate_hz, one.start) == (1, RATE_HZ, START)
    np.testing.assert_array_equal(one.samples, [a.samples, b.samples])
    first, second = (recording.deployment for recording in one.recordings)
    assert (first.logger, first.fitting, first.lead_m, first.row) == ("L1", "fitting of L1", 0.8, 2)
    assert (second.logger, second.fitting, second.lead_m, second.row) == ("L2", "fitting of L2", 0.0, 3)
    assert first.clock_sd_s == second.clock_sd_s == 2e-4
    assert one.recordings[0].quality.rms == pytest.approx(0.05, rel=0.05)
    assert one.recordings[0].start_source == "table"


def test_clock_is_left_unsaid_by_default() -> None:
    (one,) = as_recordings([SimulatedRound(1, (item("L1"), item("L2", seed=2)))]).rounds
    assert all(recording.deployment.clock_sd_s is None for recording in one.recordings)


def test_rounds_keep_their_order_and_numbers() -> None:
    rounds = [SimulatedRound(n, (item("L1", seed=n), item("L2", seed=n + 10))) for n in (1, 2, 5)]
    assert [one.number for one in as_recordings(rounds).rounds] == [1, 2, 5]
    assert as_recordings([]).rounds == ()


def test_later_start_is_taken_out_exactly() -> None:
    # 400 samples at 4 kHz: the same noise, recorded from 0.1 s later on
    a = item("L1", seed=3)
    b = replace(
        item("L2", late_s=0.1), samples=np.concatenate([a.samples[400:], np.full(400, 0.01, np.float32)])
    )
    (one,) = as_recordings([SimulatedRound(1, (a, b))]).rounds
    assert one.start == START + timedelta(seconds=0.1)
    assert one.samples.shape == (2, 19_600)
    np.testing.assert_array_equal(one.samples[0], one.samples[1])


def test_start_in_another_zone_is_the_same_moment() -> None:
    a, b = item("L1"), item("L2", seed=2)
    b = replace(b, start=b.start.astimezone(timezone(timedelta(hours=-5))))
    (one,) = as_recordings([SimulatedRound(1, (a, b))]).rounds
    assert one.start == START
    assert one.recordings[1].start.utcoffset() == timedelta(0)


def test_same_rounds_written_and_read_again(tmp_path: object) -> None:
    from pathlib import Path

    folder = Path(str(tmp_path))
    rounds = [SimulatedRound(n, (item("L1", seed=n), item("L2", seed=n + 10))) for n in (1, 2)]
    rounds[1] = replace(
        rounds[1],
        recordings=tuple(replace(r, start=r.start + timedelta(hours=1)) for r in rounds[1].recordings),
    )
    table = write_survey(rounds, folder)
    read = read_rounds(read_deployments(table))
    handed = as_recordings(rounds)
    assert len(read.rounds) == len(handed.rounds) == 2
    for one, other in zip(read.rounds, handed.rounds, strict=True):
        assert (one.number, one.start, one.sample_rate_hz) == (
            other.number,
            other.start,
            other.sample_rate_hz,
        )
        # what is written is rounded to 16 or 24 bits
        np.testing.assert_allclose(one.samples, other.samples, atol=2**-15)


def test_silent_recording_is_refused() -> None:
    dead = replace(item("L2"), samples=np.zeros(20_000, dtype=np.float32))
    with pytest.raises(RecordingError):
        as_recordings([SimulatedRound(1, (item("L1"), dead))])


def test_no_time_in_common_is_refused() -> None:
    with pytest.raises(RecordingError, match="no shared time"):
        as_recordings([SimulatedRound(1, (item("L1"), item("L2", late_s=60.0)))])


def test_one_recording_is_no_round() -> None:
    with pytest.raises(RecordingError):
        as_recordings([SimulatedRound(1, (item("L1"),))])
