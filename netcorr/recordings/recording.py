"""The products of this folder: recordings with a clock, and the rounds they form."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from netcorr.errors import ClockError, RecordingError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


#: A clock that is off by more than this is broken, or its drift is in another unit. [1e-6]
MOST_DRIFT_PPM = 1000.0


@dataclass(frozen=True)
class Deployment:
    """One row of the deployments table: which logger stood where and what it recorded.

    Attributes
    ----------
    table : str
        Name of the table, for messages.
    row : int
        Row number as a spreadsheet shows it (the header is row 1).
    logger : str
        Name of the logger.
    recording : pathlib.Path
        Path of the sound file.
    fitting : str or None
        Asset id of the fitting, when the table names one.
    lon_lat : (float, float) or None
        Longitude and latitude (WGS 84) of the logger, when the table gives a place instead. [degree]
    start : datetime or None
        Start by the logger's own clock, with a time zone, when the table gives one.
    clock_offset_s : float
        Logger's clock minus true time. [s]
    clock_sd_s : float or None
        Standard deviation of what remains of the clock's error; None when the table does not say. [s]
    clock_drift_ppm : float
        By how many millionths the logger's clock runs fast, its sampling included: a recorder said to take
        4000 samples a second takes 4000 * (1 + 1e-6 * ppm). `clock_offset_s` is that of the first sample
        of the recording, and the drift counts from there. [1e-6]
    clock_drift_sd_ppm : float or None
        Standard deviation of what remains of the drift; None when the table does not say. [1e-6]
    lead_m : float
        Pipe between the main as drawn and the point of contact. [m]
    note : str
        Free text.
    known_noise : str or None
        Asset id of the fitting at which a noise was made while this was recorded, such as a tap that was run
        to learn the wave speeds; None when none was.
    """

    table: str
    row: int
    logger: str
    recording: Path
    fitting: str | None = None
    lon_lat: tuple[float, float] | None = None
    start: datetime | None = None
    clock_offset_s: float = 0.0
    clock_sd_s: float | None = None
    lead_m: float = 0.0
    note: str = ""
    clock_drift_ppm: float = 0.0
    clock_drift_sd_ppm: float | None = None
    known_noise: str | None = None

    def __post_init__(self) -> None:
        if self.fitting is None and self.lon_lat is None:
            raise RecordingError(
                self.label, found="neither a fitting nor a place", remedy="fill in fitting, or lon and lat"
            )
        if self.start is not None and self.start.tzinfo is None:
            raise ClockError(
                self.label,
                found=f"start {self.start.isoformat()} without a time zone",
                remedy="write it as 2026-03-01T02:00:00+01:00 or with Z for UTC",
            )
        if not abs(self.clock_drift_ppm) <= MOST_DRIFT_PPM:
            raise ClockError(
                self.label,
                found=f"a clock drift of {self.clock_drift_ppm:g} millionths",
                remedy=f"crystals keep to some 20; give at most {MOST_DRIFT_PPM:g}",
            )

    @property
    def label(self) -> str:
        """How messages name this row."""
        return f"{self.table}, row {self.row} (logger {self.logger})"


@dataclass(frozen=True)
class RecordingQuality:
    """What can be said of a recording before it is compared with another.

    Attributes
    ----------
    rms : float
        Root mean square of the samples, 1 = full scale.
    peak : float
        Largest magnitude of the samples, 1 = full scale.
    clipped_share : float
        Share of samples at the limit, 0 to 1.
    hum_hz : float or None
        Mains frequency whose harmonics stand out, 50 or 60. [Hz]
    hum_share : float
        Share of the energy in mains hum and its harmonics, 0 to 1.
    usual_level : float
        Level of the noise about the mean that knocks do not change, 1 = full scale; not a number when it was
        not measured.
    findings : tuple of str
        What a technician should know, one sentence each; empty when all is well.
    """

    rms: float
    peak: float
    clipped_share: float = 0.0
    hum_hz: float | None = None
    hum_share: float = 0.0
    usual_level: float = math.nan
    findings: tuple[str, ...] = ()

    def __str__(self) -> str:
        """One line."""
        level_db = 20 * math.log10(max(self.rms, 1e-9))
        return f"level {level_db:.0f} dB of full scale" + "".join(f"; {text}" for text in self.findings)


@dataclass(frozen=True, eq=False)
class Recording:
    """Samples of one logger with the true time of the first one.

    Attributes
    ----------
    deployment : Deployment
        The row it belongs to.
    samples : numpy.ndarray
        Shape (n,), float32, 1 = full scale, finite.
    sample_rate_hz : float
        Sample rate by the logger's own clock, as the file says it. [Hz]
    start : datetime
        True time of the first sample (UTC), the clock offset taken out.
    start_source : str
        'table', 'broadcast-wave chunk' or 'file name'.
    quality : RecordingQuality
        What was found in the samples.
    """

    deployment: Deployment
    samples: NDArray[np.float32]
    sample_rate_hz: float
    start: datetime
    start_source: str
    quality: RecordingQuality

    def __post_init__(self) -> None:
        if self.samples.ndim != 1 or not self.samples.size:
            raise RecordingError(
                self.deployment.label,
                found=f"samples of shape {self.samples.shape}",
                remedy="give one channel",
            )
        if not (math.isfinite(self.sample_rate_hz) and self.sample_rate_hz > 0):
            raise RecordingError(
                self.deployment.label,
                found=f"sample rate {self.sample_rate_hz} Hz",
                remedy="give the rate the logger recorded at",
            )
        if self.start.tzinfo is None:
            raise ClockError(
                self.deployment.label, found="a start without a time zone", remedy="give the start in UTC"
            )

    @property
    def logger(self) -> str:
        """Name of the logger."""
        return self.deployment.logger

    @property
    def duration_s(self) -> float:
        """Length in true time: a clock that is fast by some millionths is done that much sooner. [s]"""
        fast = 1 + 1e-6 * self.deployment.clock_drift_ppm
        return float(self.samples.size / (self.sample_rate_hz * fast))

    @property
    def end(self) -> datetime:
        """True time just after the last sample (UTC)."""
        return self.start + timedelta(seconds=self.duration_s)

    def __str__(self) -> str:
        """One line: who, when, how long."""
        return (
            f"{self.logger} | {self.start.isoformat(timespec='milliseconds')} | {self.duration_s:.1f} s "
            f"at {self.sample_rate_hz:g} Hz | {self.quality}"
        )


@dataclass(frozen=True)
class Rejected:
    """A recording that could not be used, and why."""

    deployment: Deployment
    reason: str


@dataclass(frozen=True, eq=False)
class Round:
    """Recordings made at the same time, brought to one clock and one sample rate.

    Attributes
    ----------
    number : int
        1 for the first round of the survey.
    start : datetime
        True time of sample 0 of `samples` (UTC).
    sample_rate_hz : float
        Common sample rate. [Hz]
    recordings : tuple of Recording
        The recordings as read, in the order of the rows of `samples`.
    samples : numpy.ndarray
        Shape (recordings, n), float32: the time that all share, aligned to a fraction of a sample.
    rejected : tuple of Rejected
        Recordings of this round that could not be used.
    """

    number: int
    start: datetime
    sample_rate_hz: float
    recordings: tuple[Recording, ...]
    samples: NDArray[np.float32]
    rejected: tuple[Rejected, ...] = field(default=())

    @property
    def duration_s(self) -> float:
        """Length of the time that all recordings share. [s]"""
        return float(self.samples.shape[1] / self.sample_rate_hz)

    @property
    def known_noises(self) -> tuple[str, ...]:
        """Fittings at which the table says that a noise was made during the round, each once."""
        named = (recording.deployment.known_noise for recording in self.recordings)
        return tuple(dict.fromkeys(fitting for fitting in named if fitting is not None))
