"""One pair of sensors, round by round: clocks together, delays compared, bursts told from what lasts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from netcorr.delay import block_log_likelihood, correct_drift, delay_evidence, estimate_drift
from netcorr.delay.drift import LEAST_DURATION_S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from netcorr.delay.evidence import DelayEvidence
    from netcorr.delay.prepare import PreparedRecording
    from netcorr.recordings.recording import Recording

#: A round has heard something when noise alone would give its peak more rarely than this.
HEARD = 0.01
#: Rounds put their source at the same place when their peaks lie this near. [s]
SAME_DELAY_S = 0.001


@dataclass(frozen=True, eq=False)
class Comparison:
    """Evidence of one round with the recordings behind it.

    Attributes
    ----------
    evidence : DelayEvidence
        Of the whole round.
    a, b : PreparedRecording
        What was compared, drift corrected.
    drift_sd_s : float
        What is uncertain of the delay because of drift. [s]
    """

    evidence: DelayEvidence
    a: PreparedRecording
    b: PreparedRecording
    drift_sd_s: float


def compare(
    a: PreparedRecording,
    b: PreparedRecording,
    *,
    recordings: tuple[Recording, Recording],
    max_delay_s: float,
    band_hz: tuple[float, float] | None,
    round_number: int,
) -> Comparison:
    """Compare two recordings of one round; drift between their clocks is taken out where it shows.

    Parameters
    ----------
    a, b : PreparedRecording
        Of one round, prepared alike.
    recordings : (Recording, Recording)
        What they were made from.
    max_delay_s : float
        Half width of the search range. [s]
    band_hz : (float, float) or None
        Band to use. [Hz]
    round_number : int
        Round of the survey.

    Returns
    -------
    Comparison
        Evidence, and what it came from.

    Raises
    ------
    DelayError
        If the two cannot be compared.
    """
    logger_a, logger_b = recordings[0].logger, recordings[1].logger
    notes: tuple[str, ...] = ()
    drift_sd_s = 0.0
    # where the table says of both how well their drift is known, it is not estimated
    known = all(one.deployment.clock_drift_sd_ppm is not None for one in recordings)
    if a.duration_s >= LEAST_DURATION_S and not known:
        drift = estimate_drift(a, b, max_delay_s=max_delay_s)
        drift_sd_s = drift.remaining_sd_s
        if drift.significant:
            b = correct_drift(b, drift.drift_ppm)
            notes = (
                f"the clocks of {logger_a} and {logger_b} drift by {abs(drift.drift_ppm):.1f} ppm "
                f"against each other (sd {drift.standard_error_ppm:.1f}); corrected",
            )
    evidence = delay_evidence(
        a,
        b,
        max_delay_s=max_delay_s,
        band_hz=band_hz,
        logger_a=logger_a,
        logger_b=logger_b,
        round_number=round_number,
    )
    return Comparison(replace(evidence, notes=evidence.notes + notes), a, b, drift_sd_s)


def tell_bursts(
    comparisons: Sequence[Comparison], *, band_hz: tuple[float, float] | None
) -> tuple[DelayEvidence, ...]:
    """Evidence of all rounds; block by block where it takes that to tell a burst from what lasts.

    Rounds that agree need no such care. Where they put their source at different delays, or only one heard
    anything, or there is only one, each is looked at in blocks.

    Parameters
    ----------
    comparisons : sequence of Comparison
        One for each round.
    band_hz : (float, float) or None
        Band to use. [Hz]

    Returns
    -------
    tuple of DelayEvidence
        One for each round.
    """
    evidence = tuple(one.evidence for one in comparisons)
    peaks_s = np.array([one.peak_delay_s for one in evidence])
    agree = len(peaks_s) > 1 and float(np.ptp(peaks_s)) <= SAME_DELAY_S
    if agree or not any(one.significance < HEARD for one in evidence):
        return evidence
    return tuple(_in_blocks(one, band_hz=band_hz) for one in comparisons)


def _in_blocks(one: Comparison, *, band_hz: tuple[float, float] | None) -> DelayEvidence:
    """Add the evidence of each block of the round."""
    if band_hz is None:
        used_hz = one.a.frequency_hz[one.a.usable & one.b.usable]
        band_hz = (float(used_hz[0]), float(used_hz[-1]))
    rows = block_log_likelihood(one.a, one.b, delay_s=one.evidence.delay_s, band_hz=band_hz)
    return replace(one.evidence, block_log_likelihood=rows)
