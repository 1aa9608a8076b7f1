"""Deployments to recordings, and recordings to rounds."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, tzinfo

from netcorr.errors import RecordingError
from netcorr.feedback import Feedback, NoFeedback, check_cancelled
from netcorr.recordings.align import align
from netcorr.recordings.compare import compare_recordings
from netcorr.recordings.quality import measure_quality
from netcorr.recordings.recording import Deployment, Recording, Rejected, Round
from netcorr.recordings.rounds import group_by_time
from netcorr.recordings.sound import read_sample_rate, read_sound
from netcorr.recordings.start import find_start, parse_time_zone


@dataclass(frozen=True)
class SurveyRecordings:
    """All that a deployments table led to.

    Attributes
    ----------
    rounds : tuple of Round
        In the order of time, numbered from 1; each holds two or more recordings.
    rejected : tuple of Rejected
        Every recording that is in no round, and why, in the order of the table. One that was made at the
        time of a round stands in that round's `rejected` too.
    """

    rounds: tuple[Round, ...]
    rejected: tuple[Rejected, ...]


def read_recording(deployment: Deployment, *, time_zone: str | tzinfo | None = None) -> Recording:
    """Read and check the recording of one row.

    Parameters
    ----------
    deployment : Deployment
        Row of the deployments table.
    time_zone : str or datetime.tzinfo, optional
        Zone of the loggers' clocks, for starts in files and file names that do not say it.

    Returns
    -------
    Recording
        Its start is the logger's start minus the clock offset, in UTC.

    Raises
    ------
    RecordingError
        If the file cannot be read whole, or there is nothing to hear in it.
    ClockError
        If its start is not known.
    """
    try:
        sound = read_sound(deployment.recording)
        start = find_start(deployment, sample_rate_hz=sound.sample_rate_hz, time_zone=time_zone)
        quality = measure_quality(
            sound.samples, sound.sample_rate_hz, item=f"{deployment.label}, {deployment.recording.name}"
        )
    except RecordingError as error:
        raise _named(error, deployment) from error
    return Recording(
        deployment=deployment,
        samples=sound.samples,
        sample_rate_hz=sound.sample_rate_hz,
        start=_true_time(start.time, deployment),
        start_source=start.source,
        quality=replace(quality, findings=(*sound.findings, *start.findings, *quality.findings)),
    )


def _true_time(logger_time: datetime, deployment: Deployment) -> datetime:
    return logger_time.astimezone(UTC) - timedelta(seconds=deployment.clock_offset_s)


def _named(error: RecordingError, deployment: Deployment) -> RecordingError:
    """The same error, naming the row of the table."""
    if error.item.startswith(deployment.table):
        return error
    return type(error)(f"{deployment.label}, {error.item}", found=error.found, remedy=error.remedy)


def read_rounds(
    deployments: Iterable[Deployment],
    *,
    time_zone: str | tzinfo | None = None,
    feedback: Feedback | None = None,
) -> SurveyRecordings:
    """Read all recordings of a survey and bring those made at the same time together.

    Parameters
    ----------
    deployments : iterable of Deployment
        Rows of the table.
    time_zone : str or datetime.tzinfo, optional
        Zone of the loggers' clocks, for starts in files and file names that do not say it.
    feedback : Feedback, optional
        Told of the progress and of every recording that is rejected.

    Returns
    -------
    SurveyRecordings
        The rounds, and what could not be used: one bad recording does not stop the others.

    Raises
    ------
    RecordingError
        If no round remains; every reason is named.
    ClockError
        If there is no such time zone.
    CancelledError
        If the feedback asks for it.
    """
    feedback = feedback or NoFeedback()
    rows = list(deployments)
    zone = None if time_zone is None else parse_time_zone(time_zone)
    recordings: list[Recording] = []
    rejected: list[Rejected] = []
    for done, deployment in enumerate(rows):
        check_cancelled(feedback)
        feedback.progress(done / len(rows), f"reading {deployment.recording.name}")
        try:
            recordings.append(read_recording(deployment, time_zone=zone))
        except RecordingError as error:
            rejected.append(Rejected(deployment, str(error)))
    groups, alone = group_by_time(recordings)
    bad = [(_start_if_known(item.deployment, zone), item) for item in (*rejected, *alone)]
    order = {id(deployment): place for place, deployment in enumerate(rows)}
    rejected = sorted((*rejected, *alone), key=lambda item: order[id(item.deployment)])
    for item in rejected:
        feedback.message(f"left out: {_with_row(item)}")
    if not groups:
        raise _nothing_usable(rows, rejected)
    rounds = []
    compared = compare_recordings([group.recordings for group in groups])
    for number, (group, together) in enumerate(zip(groups, compared, strict=True), start=1):
        check_cancelled(feedback)
        first, last = _times(group.recordings)
        there = [item for start, item in bad if start is not None and first <= start < last]
        of_round = (*group.rejected, *(item for item in there if item not in group.rejected))
        rounds.append(align(together, number=number, rejected=of_round))
    feedback.progress(1.0)
    return SurveyRecordings(tuple(rounds), tuple(rejected))


def _times(recordings: Sequence[Recording]) -> tuple[datetime, datetime]:
    """From when to when a recording begins that counts as one of the round."""
    start, end = max(r.start for r in recordings), min(r.end for r in recordings)
    return start - (end - start), end


def _start_if_known(deployment: Deployment, zone: tzinfo | None) -> datetime | None:
    """True start of a recording that could not be used, to tell which round it belongs to."""
    try:
        rate = read_sample_rate(deployment.recording)
        start = find_start(deployment, sample_rate_hz=rate or 1.0, time_zone=zone)
    except RecordingError:
        return None
    return _true_time(start.time, deployment)


def _with_row(item: Rejected) -> str:
    label = item.deployment.label
    return item.reason if item.reason.startswith(label) else f"{label}: {item.reason}"


def _nothing_usable(rows: Sequence[Deployment], rejected: Sequence[Rejected]) -> RecordingError:
    tables = ", ".join(dict.fromkeys(deployment.table for deployment in rows)) or "deployments"
    if not rows:
        return RecordingError(tables, found="no rows", remedy="add one row for each recording")
    reasons = "".join(f"\n  {_with_row(item)}" for item in rejected)
    return RecordingError(
        tables,
        found=f"no two recordings of the same moment can be used:{reasons}\n",
        remedy="a delay needs two loggers that record at the same time",
    )
