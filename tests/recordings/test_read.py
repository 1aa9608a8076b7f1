"""From a table and sound files to rounds, with all that can be wrong on the way."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from netcorr.errors import CancelledError, ClockError, RecordingError
from netcorr.recordings import Deployment, read_deployments, read_recording, read_rounds

Deploy = Callable[..., Deployment]
Write = Callable[..., Path]
Noise = Callable[..., NDArray[np.float32]]
RATE = 2000
#: The survey of `survey`: two rounds of three loggers.
LOGGERS, HOURS = ("A", "B", "C"), (2, 3)


@pytest.fixture
def survey(tmp_path: Path, night: datetime) -> Callable[..., Path]:
    """A table and its sound files; `change` may replace the samples or the file of one recording."""

    def make(change: dict[str, Any] | None = None) -> Path:
        lines = ["logger,fitting,recording,start"]
        for hour in HOURS:
            for place, logger in enumerate(LOGGERS):
                name = f"{logger}{hour}.wav"
                samples = np.random.default_rng([hour, place]).normal(0, 0.1, 6 * RATE)
                new = (change or {}).get(name)
                soundfile.write(
                    str(tmp_path / name),
                    samples if new is None or callable(new) else new,
                    RATE,
                    subtype="FLOAT",
                )
                if callable(new):
                    new(tmp_path / name)
                start = (night + timedelta(hours=hour - 2, seconds=0.1 * place)).isoformat()
                lines.append(f"{logger},V-{logger},{name},{start}")
        table = tmp_path / "t.csv"
        table.write_text("\n".join(lines))
        return table

    return make


class Listener:
    """Feedback that keeps what it was told, and cancels when asked to."""

    def __init__(self, *, cancel_at: float = 2.0) -> None:
        self.fractions: list[float] = []
        self.messages: list[str] = []
        self.cancel_at = cancel_at

    @property
    def cancelled(self) -> bool:
        return bool(self.fractions) and self.fractions[-1] >= self.cancel_at

    def progress(self, fraction: float, message: str = "") -> None:
        self.fractions.append(fraction)

    def message(self, text: str) -> None:
        self.messages.append(text)


def test_one_recording(deploy: Deploy, write: Write, noise: Noise) -> None:
    samples = noise(40_000)
    write(samples, subtype="FLOAT")
    start = datetime(2026, 3, 1, 2, 0, 0, 500_000, tzinfo=timezone(timedelta(hours=1)))
    got = read_recording(deploy(start=start, clock_offset_s=0.0025))
    assert np.array_equal(got.samples, samples)
    assert got.start == datetime(2026, 3, 1, 1, 0, 0, 497_500, tzinfo=UTC)
    assert (got.start.tzinfo, got.start_source, got.logger) == (UTC, "table", "A")
    assert (got.duration_s, got.end - got.start) == (10.0, timedelta(seconds=10))
    assert got.quality.findings == ()
    assert str(got).startswith("A | 2026-03-01T01:00:00.497+00:00 | 10.0 s at 4000 Hz | level -20 dB")


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(offset_us=st.integers(-10_000_000, 10_000_000))
def test_offset_moves_the_start_the_other_way(
    offset_us: int, deploy: Deploy, write: Write, noise: Noise
) -> None:
    """A clock that is ahead shows a time that is too late."""
    write(noise(500))
    start = datetime(2026, 3, 1, 2, tzinfo=UTC)
    got = read_recording(deploy(start=start, clock_offset_s=offset_us / 1e6))
    assert start - got.start == timedelta(microseconds=offset_us)


def test_findings_of_file_start_and_samples_come_together(
    deploy: Deploy, write_wave: Write, bext: Callable[..., bytes]
) -> None:
    samples = (np.random.default_rng(1).normal(0, 20_000, 8000)).clip(-32768, 32767).astype(np.int16)
    write_wave(samples, before=bext())
    findings = read_recording(deploy("b.wav"), time_zone="UTC").quality.findings
    assert [any(word in text for text in findings) for word in ("whole second", "clipped", "2.0 s long")] == [
        True,
        True,
        True,
    ]


@pytest.mark.parametrize(
    ("spoil", "what"),
    [
        (lambda path: path.unlink(), r"A\.wav: cannot be opened"),
        (lambda path: path.write_bytes(path.read_bytes()[:999]), r"A\.wav: truncated"),
        (lambda path: soundfile.write(str(path), np.zeros(9000), RATE), r"A\.wav: silence"),
        (
            lambda path: soundfile.write(str(path), np.full(9000, np.nan), RATE, subtype="FLOAT"),
            "not a number",
        ),
    ],
)
def test_errors_name_row_and_file(
    spoil: Callable[[Path], object], what: str, deploy: Deploy, write: Write, noise: Noise, night: datetime
) -> None:
    spoil(write(noise(9000), "A.wav"))
    with pytest.raises(RecordingError, match=rf"^t\.csv, row 2 \(logger A\), .*{what}"):
        read_recording(deploy("A.wav", start=night))


def test_no_start(deploy: Deploy, write: Write, noise: Noise) -> None:
    write(noise(9000))
    with pytest.raises(ClockError, match=r"^t\.csv, row 2 \(logger A\): no start time"):
        read_recording(deploy())


def test_survey_without_faults(survey: Callable[..., Path], night: datetime) -> None:
    got = read_rounds(read_deployments(survey()))
    assert got.rejected == ()
    assert [made.number for made in got.rounds] == [1, 2]
    for made, hour in zip(got.rounds, HOURS, strict=True):
        assert [r.logger for r in made.recordings] == list(LOGGERS)
        assert made.start == night + timedelta(hours=hour - 2, seconds=0.2)
        assert made.samples.shape == (3, round(5.8 * RATE))
        assert made.rejected == ()
        for row, recording in zip(made.samples, made.recordings, strict=True):
            first = round((made.start - recording.start).total_seconds() * RATE)
            assert np.array_equal(row, recording.samples[first : first + row.size])


def spoil_file(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:5000])


SPOILT = {
    "truncated": spoil_file,
    "cannot be opened": Path.unlink,
    "silence": np.zeros(6 * RATE),
    "deaf sensor": np.eye(1, 6 * RATE, 99)[0],
    "not a number": np.full(6 * RATE, np.nan),
    "2 channels that differ": np.random.default_rng(1).normal(0, 0.1, (6 * RATE, 2)),
    "only 1.00 s long": np.random.default_rng(1).normal(0, 0.1, RATE),
}


@pytest.mark.parametrize("what", SPOILT)
def test_one_bad_recording_does_not_stop_the_others(what: str, survey: Callable[..., Path]) -> None:
    listener = Listener()
    got = read_rounds(read_deployments(survey({"B3.wav": SPOILT[what]})), feedback=listener)
    assert [[r.logger for r in made.recordings] for made in got.rounds] == [["A", "B", "C"], ["A", "C"]]
    (rejected,) = got.rejected
    assert (rejected.deployment.row, rejected.deployment.logger) == (6, "B")
    assert what in rejected.reason
    assert got.rounds[1].rejected == got.rejected
    assert got.rounds[0].rejected == ()
    (message,) = listener.messages
    assert message.startswith("left out: t.csv, row 6 (logger B)")
    assert message.count("row 6") == 1


def test_round_with_one_left_is_no_round(survey: Callable[..., Path]) -> None:
    got = read_rounds(read_deployments(survey({"A2.wav": Path.unlink, "C2.wav": np.zeros(6 * RATE)})))
    assert [(made.number, len(made.recordings)) for made in got.rounds] == [(1, 3)]
    assert [item.deployment.row for item in got.rejected] == [2, 3, 4]
    assert got.rejected[1].reason.startswith("overlaps no other usable recording")
    assert got.rounds[0].rejected == ()


def test_clipped_recording_is_kept(survey: Callable[..., Path]) -> None:
    clipped = np.random.default_rng(1).normal(0, 2, 6 * RATE).clip(-1, 1)
    got = read_rounds(read_deployments(survey({"B3.wav": clipped})))
    assert got.rejected == ()
    assert "clipped" in got.rounds[1].recordings[1].quality.findings[0]


def test_nothing_usable_names_every_reason(
    deploy: Deploy, write: Write, noise: Noise, night: datetime
) -> None:
    for name, seed in (("a.wav", 1), ("b.wav", 2), ("c.wav", 3)):
        write(noise(20_000, seed=seed), name)
    spoil_file(write(noise(20_000), "d.wav"))
    rows = [
        deploy("a.wav", "A", 2, start=night),
        deploy("b.wav", "B", 3, start=night + timedelta(hours=1)),
        deploy("c.wav", "C", 4),
        deploy("d.wav", "D", 5, start=night),
    ]
    with pytest.raises(RecordingError) as caught:
        read_rounds(rows)
    message = str(caught.value)
    assert message.startswith("t.csv: no two recordings of the same moment can be used:\n")
    for piece in (
        "t.csv, row 2 (logger A): overlaps no other usable recording: it runs from 2026-03-01T02:00:00.000Z",
        "t.csv, row 3 (logger B): overlaps",
        "they are 1 h apart, so check the time zones first",
        "t.csv, row 4 (logger C): no start time in the table, in c.wav or in its name",
        "truncated: the header promises 40000 bytes",
    ):
        assert piece in message
    assert message.endswith("a delay needs two loggers that record at the same time")
    assert message.count("row 4") == 1


def test_no_rows() -> None:
    with pytest.raises(RecordingError, match="deployments: no rows"):
        read_rounds([])


def test_zone_is_checked_before_any_file_is_read(deploy: Deploy) -> None:
    with pytest.raises(ClockError, match="time zone 'Nowhere'"):
        read_rounds([deploy("nope.wav")], time_zone="Nowhere")


def test_starts_in_names_and_chunks_meet(
    deploy: Deploy, write_wave: Write, write: Write, noise: Noise, bext: Callable[..., bytes]
) -> None:
    """One logger says it in its chunk, one in its name, one in the table: one round."""
    count = 2 * 3600 * 4000 + 500
    write_wave((noise(40_000) * 32768).astype(np.int16), "a.wav", before=bext(count=count))
    write(noise(80_000, seed=2), "b_2026-03-01_02-00-00.250.flac", rate=8000, kind="FLAC")
    write(noise(40_000, seed=3), "c.w64", kind="W64")
    rows = [
        deploy("a.wav", "A", 2),
        deploy("b_2026-03-01_02-00-00.250.flac", "B", 3),
        deploy("c.w64", "C", 4, start=datetime(2026, 3, 1, 1, tzinfo=UTC)),
    ]
    (made,) = read_rounds(rows, time_zone="Europe/Berlin").rounds
    assert [r.start_source for r in made.recordings] == ["broadcast-wave chunk", "file name", "table"]
    assert made.start == datetime(2026, 3, 1, 1, 0, 0, 250_000, tzinfo=UTC)
    assert (made.sample_rate_hz, made.duration_s) == (4000, 9.75)


def test_progress_and_cancelling(survey: Callable[..., Path]) -> None:
    rows = read_deployments(survey())
    listener = Listener()
    read_rounds(rows, feedback=listener)
    assert listener.fractions == sorted(listener.fractions)
    assert listener.fractions[-1] == 1.0
    with pytest.raises(CancelledError):
        read_rounds(rows, feedback=Listener(cancel_at=0.5))


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(order=st.permutations(range(6)))
def test_order_of_rows_does_not_matter(order: list[int], survey: Callable[..., Path], tmp_path: Path) -> None:
    table = tmp_path / "t.csv"
    rows = read_deployments(table if table.exists() else survey())
    plain, mixed = read_rounds(rows), read_rounds([rows[index] for index in order])
    for one, other in zip(plain.rounds, mixed.rounds, strict=True):
        assert (one.number, one.start) == (other.number, other.start)
        by_logger = {r.logger: row for r, row in zip(other.recordings, other.samples, strict=True)}
        for recording, row in zip(one.recordings, one.samples, strict=True):
            assert np.array_equal(row, by_logger[recording.logger])
