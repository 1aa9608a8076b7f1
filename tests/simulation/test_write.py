"""What is written reads back as it was: samples to the step of the format, times, names."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

from netcorr.errors import SimulationError
from netcorr.network.pipe_network import PipeNetwork
from netcorr.simulation.setup import Conditions, SensorSetup
from netcorr.simulation.survey import SimulatedRound, simulate_survey
from netcorr.simulation.write import AudioFormat, LoggerRecord, write_survey

NetworkMaker = Callable[..., PipeNetwork]
SENSORS = (
    SensorSetup("K-1", "A", lead_m=1.5),
    SensorSetup("K 2", "B", sample_rate_hz=8000.0, start_delay_s=0.25, clock_error_s=0.002),
)
RECORDS = {
    "K-1": LoggerRecord("wav24", clock_offset_ms=-0.4, clock_sd_ms=0.2, note="valve key, rain"),
    "K 2": LoggerRecord("flac16", note='says "ok"'),
}


@pytest.fixture
def rounds(network_of: NetworkMaker) -> tuple[SimulatedRound, ...]:
    return simulate_survey(
        network_of([(0, 1, 100.0)], {"A": 0, "B": 1}),
        sensors=SENSORS,
        leak=None,
        conditions=Conditions(duration_s=0.5),
        rng=np.random.default_rng(4),
    )


def read(table: Path) -> list[dict[str, str]]:
    with table.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_table_says_what_was_recorded(rounds: tuple[SimulatedRound, ...], tmp_path: Path) -> None:
    table = write_survey(rounds, tmp_path / "survey", records=RECORDS)
    rows = read(table)
    assert table.name == "deployments.csv"
    assert [row["logger"] for row in rows] == ["K-1", "K 2"] * 2
    assert [row["fitting"] for row in rows] == ["A", "B"] * 2
    assert [float(row["lead_m"]) for row in rows] == [1.5, 0.0] * 2
    assert rows[0]["clock_offset_ms"] == "-0.4"
    assert [row["clock_sd_ms"] for row in rows[:2]] == ["0.2", ""]
    assert rows[0]["note"] == "valve key, rain"
    assert rows[1]["note"] == 'says "ok"'
    starts = [datetime.fromisoformat(row["start"]) for row in rows]
    assert starts == [r.start for one in rounds for r in one.recordings]
    assert all(start.tzinfo is not None for start in starts)


@pytest.mark.parametrize(
    ("audio", "step", "suffix"),
    [("wav16", 2**-15, ".wav"), ("wav24", 2**-23, ".wav"), ("flac16", 2**-15, ".flac")],
)
def test_samples_come_back(
    rounds: tuple[SimulatedRound, ...], tmp_path: Path, audio: AudioFormat, step: float, suffix: str
) -> None:
    records = {sensor.logger: LoggerRecord(audio) for sensor in SENSORS}
    table = write_survey(rounds, tmp_path, records=records)
    written = [r for one in rounds for r in one.recordings]
    for row, recording in zip(read(table), written, strict=True):
        samples, rate = soundfile.read(tmp_path / row["recording"])
        assert Path(row["recording"]).suffix == suffix
        assert rate == recording.sensor.sample_rate_hz
        assert np.abs(samples - recording.samples).max() <= 0.51 * step + 1e-8
        assert np.any(samples)


def test_same_rounds_same_bytes(rounds: tuple[SimulatedRound, ...], tmp_path: Path) -> None:
    for name in ("one", "two"):
        write_survey(rounds, tmp_path / name, records=RECORDS)
    files = sorted(path.name for path in (tmp_path / "one").iterdir())
    assert len(files) == 5
    for name in files:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_nothing_is_overwritten_or_confused(rounds: tuple[SimulatedRound, ...], tmp_path: Path) -> None:
    write_survey(rounds, tmp_path)
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    with pytest.raises(SimulationError, match="a survey is there already"):
        write_survey(rounds[:1], tmp_path)
    assert before == {path: path.read_bytes() for path in tmp_path.iterdir()}
    with pytest.raises(SimulationError, match="no recordings"):
        write_survey([], tmp_path / "empty")
    alike = replace(
        rounds[0],
        recordings=tuple(
            replace(r, sensor=replace(r.sensor, logger=name))
            for r, name in zip(rounds[0].recordings, ("K 1", "K/1"), strict=True)
        ),
    )
    with pytest.raises(SimulationError, match=r"two recordings named K-1_round1\.wav"):
        write_survey([alike], tmp_path / "alike")
    assert not (tmp_path / "empty").exists()
    assert not (tmp_path / "alike").exists()
