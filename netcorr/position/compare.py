"""One pair of sensors in one round: clocks brought together, delays compared."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from netcorr.delay import correct_drift, delay_evidence, estimate_drift
from netcorr.delay.drift import LEAST_DURATION_S, TYPICAL_DRIFT_PPM

if TYPE_CHECKING:
    from netcorr.delay.dispersion import Dispersion
    from netcorr.delay.drift import DriftEstimate
    from netcorr.delay.evidence import DelayEvidence
    from netcorr.delay.prepare import PreparedRecording
    from netcorr.recordings.recording import Recording

#: What a round says when dispersion was taken out.
DISPERSION_NOTE = (
    "the speed changes with frequency along this path, which was taken out as material and size of the pipes "
    "say; the delay is that of waves at 100 Hz"
)


def compare(
    a: PreparedRecording,
    b: PreparedRecording,
    *,
    recordings: tuple[Recording, Recording],
    max_delay_s: float,
    band_hz: tuple[float, float] | None,
    round_number: int,
    dispersion: Dispersion | None = None,
    drift: DriftEstimate | None = None,
    beside: bool = True,
) -> tuple[DelayEvidence, float]:
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
    dispersion : Dispersion, optional
        Phase of the pipes beside their nominal speeds.
    drift : DriftEstimate, optional
        Of the two clocks from all rounds; from this one alone when not given.
    beside : bool
        Whether it is worked out what is left beside the strongest delay.

    Returns
    -------
    evidence : DelayEvidence
        Of the round.
    drift_sd_s : float
        What is uncertain of the delay because of drift. [s]

    Raises
    ------
    DelayError
        If the two cannot be compared.
    """
    logger_a, logger_b = recordings[0].logger, recordings[1].logger
    notes: tuple[str, ...] = ()
    drift_sd_s = 0.0
    # where the table says of both how well their drift is known, it is not estimated
    known = drift_is_known(*recordings)
    if a.duration_s < LEAST_DURATION_S and not known:
        # too short to read a drift from: at mid-record it has done what such clocks usually do
        drift_sd_s = 1e-6 * TYPICAL_DRIFT_PPM * a.duration_s / 2
    elif not known:
        drift = drift or estimate_drift(a, b, max_delay_s=max_delay_s)
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
        dispersion=dispersion,
        logger_a=logger_a,
        logger_b=logger_b,
        round_number=round_number,
        beside=beside,
    )
    if dispersion is not None:
        notes += (DISPERSION_NOTE,)
    return replace(evidence, notes=evidence.notes + notes), drift_sd_s


def drift_is_known(a: Recording, b: Recording) -> bool:
    """Whether the table says of both how well their drift is known, so that it is not estimated."""
    return all(one.deployment.clock_drift_sd_ppm is not None for one in (a, b))
