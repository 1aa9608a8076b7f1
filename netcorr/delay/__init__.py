"""Two recordings to evidence of the delay between them."""

from netcorr.delay.beside import log_likelihood_beside
from netcorr.delay.bound import coherence_moments, coherence_threshold, delay_bound_s, peak_probability
from netcorr.delay.closure import (
    EndStops,
    LoggerOffsets,
    Misclosure,
    loop_misclosure,
    offset_from_end_stops,
    offsets_of_loggers,
)
from netcorr.delay.dispersion import Dispersion
from netcorr.delay.drift import DriftEstimate, correct_drift, estimate_drift, pool_drifts
from netcorr.delay.evidence import DelayEvidence, shifted
from netcorr.delay.pair import delay_evidence, prepare_round
from netcorr.delay.prepare import PreparedRecording, prepare_recording
from netcorr.delay.screen import Screening, screen_pairs, screen_stretches
from netcorr.delay.weightings import CrossSpectra, correlogram, cross_spectra

__all__ = [
    "CrossSpectra",
    "DelayEvidence",
    "Dispersion",
    "DriftEstimate",
    "EndStops",
    "LoggerOffsets",
    "Misclosure",
    "PreparedRecording",
    "Screening",
    "coherence_moments",
    "coherence_threshold",
    "correct_drift",
    "correlogram",
    "cross_spectra",
    "delay_bound_s",
    "delay_evidence",
    "estimate_drift",
    "log_likelihood_beside",
    "loop_misclosure",
    "offset_from_end_stops",
    "offsets_of_loggers",
    "peak_probability",
    "pool_drifts",
    "prepare_recording",
    "prepare_round",
    "screen_pairs",
    "screen_stretches",
    "shifted",
]
