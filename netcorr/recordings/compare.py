"""What shows only beside other recordings: a deaf sensor, a late start, a round louder than the rest."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import replace
from statistics import median
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from netcorr.recordings.recording import Recording

#: A sensor this far below the median of its round hears nothing that the others hear. [dB]
DEAF_DB = 30.0
#: A round of one logger this far above its other rounds holds what they do not. [dB]
LOUD_ROUND_DB = 10.0
#: A recording that cuts this share off its round, or this much [s], is told.
LATE_SHARE, LATE_S = 0.05, 1.0


def compare_recordings(groups: Sequence[Sequence[Recording]]) -> tuple[tuple[Recording, ...], ...]:
    """Recordings with what their company says of them added to their findings.

    Parameters
    ----------
    groups : sequence of sequence of Recording
        Recordings of each round.

    Returns
    -------
    tuple of tuple of Recording
        The same, in the same order; those of which nothing new is said are the same objects.

    Notes
    -----
    Levels are those that knocks do not change. A deaf sensor needs two others to tell; a loud round needs one
    other round of the same logger.

    Examples
    --------
    >>> compare_recordings([])
    ()
    """
    levels: dict[str, list[float]] = defaultdict(list)
    for group in groups:
        for recording in group:
            levels[recording.logger].append(recording.quality.usual_level)
    seen: dict[str, int] = defaultdict(int)
    compared = []
    for group in groups:
        told = []
        for recording in group:
            of_logger = levels[recording.logger]
            here = seen[recording.logger]
            seen[recording.logger] += 1
            rest = of_logger[:here] + of_logger[here + 1 :]
            findings = (
                *_deaf(recording, group),
                *_late(recording, group),
                *_loud_round(recording, rest),
            )
            told.append(_with(recording, findings) if findings else recording)
        compared.append(tuple(told))
    return tuple(compared)


def _with(recording: Recording, findings: tuple[str, ...]) -> Recording:
    quality = replace(recording.quality, findings=(*recording.quality.findings, *findings))
    return replace(recording, quality=quality)


def _deaf(recording: Recording, group: Sequence[Recording]) -> list[str]:
    others = [other.quality.usual_level for other in group if other is not recording]
    below_db = -_above_db(recording.quality.usual_level, others)
    if len(others) < 2 or not below_db >= DEAF_DB:
        return []
    return [
        f"{below_db:.0f} dB quieter than the others of its round: deaf, loose or set to another gain, so "
        "its pairs say little"
    ]


def _loud_round(recording: Recording, rest: Sequence[float]) -> list[str]:
    above_db = _above_db(recording.quality.usual_level, rest)
    if not above_db >= LOUD_ROUND_DB:
        return []
    return [
        f"{above_db:.0f} dB louder than this logger's other round{'s' if len(rest) > 1 else ''}: usage or "
        "traffic in this one only, which a leak would not be"
    ]


def _above_db(level: float, others: Sequence[float]) -> float:
    """Level over the median of others; not a number where either is not known."""
    known = [other for other in others if not math.isnan(other)]
    if not known or math.isnan(level):
        return math.nan
    least = 1e-7  # below the steps of any converter
    return 20 * math.log10(max(level, least) / max(median(known), least))


def _late(recording: Recording, group: Sequence[Recording]) -> list[str]:
    """Whether this recording alone cuts the time that the others share."""
    others = [other for other in group if other is not recording]
    if not others:
        return []
    start, end = max(other.start for other in others), min(other.end for other in others)
    late_s = (recording.start - start).total_seconds()
    early_s = (end - recording.end).total_seconds()
    all_others = "all others" if len(others) > 1 else "the other"
    findings = []
    worth_a_word_s = min(LATE_S, LATE_SHARE * (end - start).total_seconds())
    if late_s > worth_a_word_s:
        findings.append(f"began {late_s:.1f} s after {all_others}")
    # one that is as long as the others ends early only because another began late
    shorter_s = median(other.duration_s for other in others) - recording.duration_s
    if early_s > worth_a_word_s and shorter_s > early_s / 2:
        findings.append(f"ended {early_s:.1f} s before {all_others}")
    left_s = (min(end, recording.end) - max(start, recording.start)).total_seconds()
    return [f"{' and '.join(findings)}: {left_s:.1f} s are left in common"] if findings else []
