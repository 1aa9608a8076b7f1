"""The product of this folder: what two recordings say about the delay between them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from netcorr.errors import DelayError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from netcorr.delay.blocks import RoundSplit


@dataclass(frozen=True, eq=False)
class BesideEvidence:
    """What a round shows beside its strongest delay, what arrives near which is taken out.

    Attributes
    ----------
    known_s : float
        The delay that was taken out. [s]
    log_likelihood : numpy.ndarray
        Shape (m,): log of the likelihood of one more source, of the same polarity, over that of none.
    strength : numpy.ndarray
        Shape (m,): height of the correlogram against that of the strongest delay, in the band of the latter.
    repeated : numpy.ndarray
        Shape (m,): share of its power that one of the two recordings repeats after as long as each delay is
        from the known one, against the same: an echo that comes so much later shows there, a source of its
        own does not.
    """

    known_s: float
    log_likelihood: NDArray[np.float64]
    strength: NDArray[np.float64]
    repeated: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class DelayEvidence:
    """Evidence of one pair in one round.

    Attributes
    ----------
    logger_a, logger_b : str
        Names of the two loggers.
    round_number : int
        Round of the survey.
    delay_s : numpy.ndarray
        Shape (m,): evenly spaced delays, arrival at B minus arrival at A, positive when A hears it first. [s]
    log_likelihood : numpy.ndarray
        Shape (m,): log of the likelihood of one common source with that delay over that of none.
    peak_delay_s : float
        Most likely delay within the search range. [s]
    standard_error_s : float
        Standard error of `peak_delay_s` from the recordings alone (no clock error). [s]
    coherence : float
        Magnitude-squared coherence in the band, debiased, 0 to 1.
    band_hz : (float, float)
        Band that carries the evidence. [Hz]
    significance : float
        Probability that noise alone would give a peak this high anywhere in the search range.
    second_opinion_s : float
        Peak of the plain correlation of the cleaned recordings. [s]
    duration_s : float
        Length of common record used. [s]
    frequency_hz, coherence_spectrum, phase_rad : numpy.ndarray
        Shape (k,): coherence and phase over frequency, for plots.
    polarity : {1, -1}
        -1 when one sensor's signal is reversed against the other's.
    notes : tuple of str
        What was removed, bounded or disagrees, one sentence each.
    splits : tuple of RoundSplit
        Where the strongest delay is there only part of the time: the blocks that hold it and the rest, each
        with its own likelihood.
    beside : BesideEvidence or None
        What is left when the strongest delay is taken out; None where nothing was heard.
    """

    logger_a: str
    logger_b: str
    round_number: int
    delay_s: NDArray[np.float64]
    log_likelihood: NDArray[np.float64]
    peak_delay_s: float
    standard_error_s: float
    coherence: float
    band_hz: tuple[float, float]
    significance: float
    second_opinion_s: float
    duration_s: float
    frequency_hz: NDArray[np.float64]
    coherence_spectrum: NDArray[np.float64]
    phase_rad: NDArray[np.float64]
    polarity: int = 1
    notes: tuple[str, ...] = ()
    splits: tuple[RoundSplit, ...] = ()
    beside: BesideEvidence | None = None

    def __post_init__(self) -> None:
        if self.delay_s.shape != self.log_likelihood.shape or self.delay_s.size < 3:
            raise DelayError(
                f"pair {self.logger_a} - {self.logger_b}, round {self.round_number}",
                found=f"{self.delay_s.size} delays and {self.log_likelihood.size} likelihoods",
                remedy="give one likelihood for each of at least three delays",
            )

    @property
    def step_s(self) -> float:
        """Spacing of the delays. [s]"""
        return float(self.delay_s[1] - self.delay_s[0])


def shifted(evidence: DelayEvidence, offset_s: float) -> DelayEvidence:
    """The same evidence with a known offset of the two clocks taken off every delay.

    Parameters
    ----------
    evidence : DelayEvidence
        As the recordings give it.
    offset_s : float
        B's clock minus A's. [s]

    Returns
    -------
    DelayEvidence
        All delays less by the offset; the phase is that about the strongest delay and stays.
    """
    beside = evidence.beside
    return replace(
        evidence,
        delay_s=evidence.delay_s - offset_s,
        peak_delay_s=evidence.peak_delay_s - offset_s,
        second_opinion_s=evidence.second_opinion_s - offset_s,
        beside=None if beside is None else replace(beside, known_s=beside.known_s - offset_s),
    )
