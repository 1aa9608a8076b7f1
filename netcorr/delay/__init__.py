"""Two recordings to evidence of the delay between them."""

from netcorr.delay.bound import coherence_moments, coherence_threshold, delay_bound_s, peak_probability
from netcorr.delay.evidence import DelayEvidence
from netcorr.delay.pair import delay_evidence, prepare_round
from netcorr.delay.prepare import PreparedRecording, prepare_recording
from netcorr.delay.weightings import CrossSpectra, correlogram, cross_spectra

__all__ = [
    "CrossSpectra",
    "DelayEvidence",
    "PreparedRecording",
    "coherence_moments",
    "coherence_threshold",
    "correlogram",
    "cross_spectra",
    "delay_bound_s",
    "delay_evidence",
    "peak_probability",
    "prepare_recording",
    "prepare_round",
]
