"""Writing simulated rounds as a survey: sound files and a table of deployments."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
import soundfile

from netcorr.errors import SimulationError
from netcorr.simulation.survey import SimulatedRecording, SimulatedRound

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Sound files: container and bits.
AudioFormat = Literal["wav16", "wav24", "flac16"]

TABLE_NAME = "deployments.csv"
_COLUMNS = (
    "logger",
    "fitting",
    "recording",
    "start",
    "clock_offset_ms",
    "clock_sd_ms",
    "lead_m",
    "note",
)
#: Suffix, container, and bits of a sample.
_FORMATS: dict[AudioFormat, tuple[str, str, int]] = {
    "wav16": (".wav", "WAV", 16),
    "wav24": (".wav", "WAV", 24),
    "flac16": (".flac", "FLAC", 16),
}


@dataclass(frozen=True)
class LoggerRecord:
    """What the crew wrote down of one logger, and how it stores sound.

    Attributes
    ----------
    audio : {'wav16', 'wav24', 'flac16'}
        Format of its files.
    clock_offset_ms : float
        What the crew found its clock to be ahead; the truth is in `SensorSetup.clock_error_s`. [ms]
    clock_sd_ms : float or None
        How well they know it; None leaves the cell empty. [ms]
    note : str
        Free text.
    """

    audio: AudioFormat = "wav16"
    clock_offset_ms: float = 0.0
    clock_sd_ms: float | None = None
    note: str = ""


@dataclass(frozen=True)
class _Row:
    record: LoggerRecord
    recording: SimulatedRecording
    number: int
    name: str = field(init=False)

    def __post_init__(self) -> None:
        suffix = _FORMATS[self.record.audio][0]
        plain = "".join(c if c.isalnum() else "-" for c in self.recording.sensor.logger)
        object.__setattr__(self, "name", f"{plain}_round{self.number}{suffix}")

    def cells(self) -> list[str]:
        sensor, record = self.recording.sensor, self.record
        return [
            sensor.logger,
            sensor.fitting,
            self.name,
            self.recording.start.isoformat(timespec="milliseconds"),
            f"{record.clock_offset_ms:g}",
            "" if record.clock_sd_ms is None else f"{record.clock_sd_ms:g}",
            f"{sensor.lead_m:g}",
            record.note,
        ]


def write_survey(
    rounds: Sequence[SimulatedRound],
    folder: Path,
    *,
    records: Mapping[str, LoggerRecord] | None = None,
) -> Path:
    """Write rounds as sound files with the table of deployments beside them.

    Parameters
    ----------
    rounds : sequence of SimulatedRound
        The rounds.
    folder : pathlib.Path
        Made when it is not there. The table is written last, so a folder with one is complete.
    records : mapping of str to LoggerRecord, optional
        By the name of the logger; the default record for those not named.

    Returns
    -------
    pathlib.Path
        The table, `deployments.csv`.

    Raises
    ------
    SimulationError
        If there is nothing to write, two files would have one name, or the folder holds a survey already.
    """
    given = records or {}
    rows = [
        _Row(given.get(recording.sensor.logger, LoggerRecord()), recording, one.number)
        for one in rounds
        for recording in one.recordings
    ]
    table = folder / TABLE_NAME
    _check(rows, table)
    folder.mkdir(parents=True, exist_ok=True)
    for row in rows:
        _, container, bits = _FORMATS[row.record.audio]
        soundfile.write(
            folder / row.name,
            _integers(row.recording.samples, bits),
            int(row.recording.sensor.sample_rate_hz),
            subtype=f"PCM_{bits}",
            format=container,
        )
    with table.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(_COLUMNS)
        writer.writerows(row.cells() for row in rows)
    return table


def _integers(samples: NDArray[np.float32], bits: int) -> NDArray[np.int32]:
    """Round to the nearest step, in the upper bits of 32; left to itself the writer would cut off."""
    steps = np.round(samples.astype(np.float64) * 2 ** (bits - 1))
    clipped = np.clip(steps, -(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
    return np.asarray(clipped.astype(np.int32) << (32 - bits), dtype=np.int32)


def _check(rows: Sequence[_Row], table: Path) -> None:
    if not rows:
        raise SimulationError(
            str(table), found="no recordings to write", remedy="simulate at least one round"
        )
    names = [row.name for row in rows]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise SimulationError(
            str(table),
            found=f"two recordings named {twice[0]}",
            remedy="give the loggers names that differ in letters or digits",
        )
    if table.exists():
        raise SimulationError(
            str(table), found="a survey is there already", remedy="choose another folder or remove it first"
        )
