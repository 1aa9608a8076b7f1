"""Simulated rounds handed to the locator as if they had been read from files."""

from __future__ import annotations

from datetime import UTC
from pathlib import Path
from typing import TYPE_CHECKING

from netcorr.recordings import (
    Deployment,
    Recording,
    SurveyRecordings,
    align,
    compare_recordings,
    measure_quality,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from netcorr.simulation.survey import SimulatedRecording, SimulatedRound


def as_recordings(rounds: Sequence[SimulatedRound], *, clock_sd_s: float | None = None) -> SurveyRecordings:
    """Hand simulated rounds to the locator as if they had been read from files.

    Parameters
    ----------
    rounds : sequence of SimulatedRound
        In the order of time.
    clock_sd_s : float, optional
        What the deployments table would say of the clocks. [s]

    Returns
    -------
    SurveyRecordings
        Aligned rounds, nothing rejected.

    Raises
    ------
    RecordingError
        If a recording is silent, or those of a round share no time.
    """
    groups = [
        [_recording(item, row=row, clock_sd_s=clock_sd_s) for row, item in enumerate(one.recordings, start=2)]
        for one in rounds
    ]
    aligned = tuple(
        align(group, number=one.number) for one, group in zip(rounds, compare_recordings(groups), strict=True)
    )
    return SurveyRecordings(rounds=aligned, rejected=())


def _recording(item: SimulatedRecording, *, row: int, clock_sd_s: float | None) -> Recording:
    sensor = item.sensor
    deployment = Deployment(
        table="rehearsal",
        row=row,
        logger=sensor.logger,
        recording=Path(f"{sensor.logger}.wav"),
        fitting=sensor.fitting,
        start=item.start,
        clock_sd_s=clock_sd_s,
        lead_m=sensor.lead_m,
    )
    return Recording(
        deployment=deployment,
        samples=item.samples,
        sample_rate_hz=sensor.sample_rate_hz,
        start=item.start.astimezone(UTC),
        start_source="table",
        quality=measure_quality(item.samples, sensor.sample_rate_hz),
    )
