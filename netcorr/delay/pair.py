"""Evidence of one pair of recordings: everything that the two say about the delay between them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import fft

from netcorr.delay.bands import MARGIN_S, contiguous_bands, usable_band
from netcorr.delay.beside import without_sources
from netcorr.delay.blocks import BlockCorrelograms, RoundSplit, split_round
from netcorr.delay.bound import peak_probability
from netcorr.delay.evidence import BesideEvidence, DelayEvidence
from netcorr.delay.likelihood import BandCorrelograms, average_polarities
from netcorr.delay.narrow import NarrowCorrelograms
from netcorr.delay.prepare import PreparedRecording, prepare_recording
from netcorr.delay.refine import coherence_and_phase, refine_delay
from netcorr.delay.repetition import repetition
from netcorr.errors import DelayError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.delay.dispersion import Dispersion

#: Narrow bands are a picture of their own where what is heard is no wider than this (chance adds a sub-band
#: or two). In a wide band echoes turn the phase of each narrow part, which then says the delay badly. [Hz]
WIDEST_NARROW_HZ = 100.0
#: The second opinion is worth a word only where something was heard, and where it differs by this much. [s]
SIGNIFICANT = 0.01
DISAGREEMENT_S = 0.002
#: Evidence by which one polarity leads the other when it is no longer in doubt. [nats]
SURE_OF_POLARITY = 12.0
#: Shares of the energy in lines, and of the time in bursts, that are worth a word.
NOTABLE_LINES = 0.1
NOTABLE_BURSTS = 0.02


def prepare_round(
    samples: NDArray[np.floating],
    sample_rate_hz: float,
    *,
    max_delay_s: float,
    band_hz: tuple[float, float] | None = None,
) -> tuple[PreparedRecording, ...]:
    """Prepare all recordings of a round once, for all its pairs.

    Parameters
    ----------
    samples : numpy.ndarray
        Shape (recordings, n).
    sample_rate_hz : float
        Sample rate. [Hz]
    max_delay_s : float
        Longest delay that will be asked for. [s]
    band_hz : (float, float), optional
        Band to use. [Hz]

    Returns
    -------
    tuple of PreparedRecording
        One for each row.

    Raises
    ------
    DelayError
        If a recording is too short, silent or without sound in the band.
    """
    return tuple(
        prepare_recording(row, sample_rate_hz, band_hz=band_hz, pad_s=max_delay_s + MARGIN_S)
        for row in samples
    )


def delay_evidence(
    a: PreparedRecording,
    b: PreparedRecording,
    *,
    max_delay_s: float,
    band_hz: tuple[float, float] | None = None,
    dispersion: Dispersion | None = None,
    logger_a: str = "A",
    logger_b: str = "B",
    round_number: int = 1,
    beside: bool = True,
) -> DelayEvidence:
    """Likelihood of every delay, and its peak, from two prepared recordings.

    Parameters
    ----------
    a, b : PreparedRecording
        Recordings of one round, prepared with the same sample rate and padding.
    max_delay_s : float
        Half width of the search range. [s]
    band_hz : (float, float), optional
        Band to use; by default all that was prepared. [Hz]
    dispersion : Dispersion, optional
        Phase of the pipe beside its nominal speed: delays are then those of the nominal speed.
    logger_a, logger_b : str
        Names of the loggers.
    round_number : int
        Round of the survey.
    beside : bool
        Whether it is worked out what is left beside the strongest delay: a third of the time.

    Returns
    -------
    DelayEvidence
        Likelihood, peak, standard error, coherence, band and significance.

    Raises
    ------
    DelayError
        If the recordings were not prepared alike, or the search is longer than a third of the record.

    Examples
    --------
    >>> rng = np.random.default_rng(7)
    >>> s = rng.normal(size=20100)
    >>> heard = np.stack([s[50:20050], s[20:20020]]) + rng.normal(size=(2, 20000))
    >>> a, b = prepare_round(heard, 4000.0, max_delay_s=0.05)
    >>> evidence = delay_evidence(a, b, max_delay_s=0.05)  # B hears 30 samples later
    >>> round(evidence.peak_delay_s, 5)
    0.0075
    """
    item = f"pair {logger_a} - {logger_b}, round {round_number}"
    _check_alike(a, b, max_delay_s=max_delay_s, item=item)
    cross = np.conj(a.spectrum) * b.spectrum
    band = usable_band(a.frequency_hz, a.usable & b.usable, band_hz=band_hz, item=item)
    usable = a.usable & b.usable & (a.frequency_hz >= band[0]) & (a.frequency_hz <= band[1])
    grid = {"bin_hz": a.bin_hz, "duration_s": a.duration_s * min(a.filled_share, b.filled_share)}
    correlograms = BandCorrelograms(
        cross, usable, **grid, max_delay_s=max_delay_s + MARGIN_S, band_hz=band, dispersion=dispersion
    )
    searched = np.flatnonzero(np.abs(correlograms.delay_s) <= max_delay_s)
    upright, reverse = correlograms.of_polarities()
    peak, polarity, (first, last) = _highest(correlograms, upright, reverse, searched=searched)
    if correlograms.edges_hz[last] - correlograms.edges_hz[first] <= WIDEST_NARROW_HZ:
        narrow = NarrowCorrelograms(
            cross, usable, **grid, delay_s=correlograms.delay_s, band_hz=band, dispersion=dispersion
        )
        upright, reverse = narrow.beside(upright, reverse)
        peak, polarity, (first, last) = _highest(correlograms, upright, reverse, searched=searched)
    log_likelihood = average_polarities(upright, reverse)
    best_band_hz = (float(correlograms.edges_hz[first]), float(correlograms.edges_hz[last]))
    start_s, reach_s = float(correlograms.delay_s[peak]), 0.25 / best_band_hz[1]
    cross = polarity * cross
    if dispersion is not None:
        cross = dispersion.steer(cross, bin_hz=a.bin_hz, delay_s=start_s)
    refined = refine_delay(cross, usable, **grid, start_s=start_s, band_hz=best_band_hz, reach_s=reach_s)
    frequency_hz, coherence, phase_rad = coherence_and_phase(cross, usable, **grid, delay_s=refined.delay_s)
    second_s = _second_opinion(a, b, cross, inside_s=correlograms.delay_s[searched])
    significance = _significance(
        correlograms, polarity, peak=peak, band=(first, last), max_delay_s=max_delay_s
    )
    notes = _cleaning_notes(a, logger_a) + _cleaning_notes(b, logger_b)
    splits: tuple[RoundSplit, ...] = ()
    left: BesideEvidence | None = None
    if beside and significance < SIGNIFICANT:
        without = without_sources(
            np.conj(a.spectrum) * b.spectrum, usable, [start_s], bin_hz=a.bin_hz, dispersion=dispersion
        )
        others = BandCorrelograms(
            without, usable, **grid, max_delay_s=max_delay_s + MARGIN_S, band_hz=band, dispersion=dispersion
        )
        one_r, left_r = (every.mean(first, last)[0] for every in (correlograms, others))
        height = max(abs(float(one_r[peak])), 1e-9)
        later_s = correlograms.delay_s - refined.delay_s
        left = BesideEvidence(
            known_s=refined.delay_s,
            log_likelihood=others.of_polarity(polarity),
            strength=polarity * left_r / height,
            repeated=np.maximum(
                *(repetition(one, usable, later_s, band_hz=best_band_hz) for one in (a, b)),
            )
            / height,
        )
    if significance < SIGNIFICANT:
        blocks = BlockCorrelograms(a, b, usable, whole=correlograms)
        sure = abs(upright[peak] - reverse[peak]) > SURE_OF_POLARITY
        splits = split_round(blocks, peak=peak, polarity=polarity if sure else 0)
        notes += _heard_notes(refined.delay_s, polarity=polarity, second_s=second_s, splits=splits)
    return DelayEvidence(
        logger_a=logger_a,
        logger_b=logger_b,
        round_number=round_number,
        delay_s=correlograms.delay_s,
        log_likelihood=log_likelihood,
        peak_delay_s=refined.delay_s,
        standard_error_s=refined.standard_error_s,
        coherence=refined.coherence,
        band_hz=best_band_hz,
        significance=significance,
        second_opinion_s=second_s,
        duration_s=a.duration_s,
        frequency_hz=frequency_hz,
        coherence_spectrum=coherence,
        phase_rad=phase_rad,
        polarity=polarity,
        notes=notes,
        splits=splits,
        beside=left,
    )


def _highest(
    correlograms: BandCorrelograms,
    upright: NDArray[np.float64],
    reverse: NDArray[np.float64],
    *,
    searched: NDArray[np.int64],
) -> tuple[int, int, tuple[int, int]]:
    """Most likely of the delays searched, its polarity, and the sub-bands that carry it."""
    peak = int(searched[np.argmax(average_polarities(upright, reverse)[searched])])
    polarity = 1 if upright[peak] >= reverse[peak] else -1
    return peak, polarity, correlograms.best_band(peak, polarity=polarity)


def _check_alike(a: PreparedRecording, b: PreparedRecording, *, max_delay_s: float, item: str) -> None:
    """Refuse recordings that cannot be compared."""
    if a.spectrum.size != b.spectrum.size or a.bin_hz != b.bin_hz:
        raise DelayError(item, found="recordings prepared differently", remedy="prepare the round as one")
    if max_delay_s > a.duration_s / 3:
        raise DelayError(
            item,
            found=f"{a.duration_s:.1f} s of common record for delays up to {max_delay_s:.2f} s",
            remedy="record at least three times the longest travel time",
        )


def _significance(
    correlograms: BandCorrelograms, polarity: int, *, peak: int, band: tuple[int, int], max_delay_s: float
) -> float:
    """Chance that noise gives a peak this high in the best of all the bands tried."""
    r, bins = correlograms.mean(*band)
    low_hz, high_hz = correlograms.edges_hz[band[0]], correlograms.edges_hz[band[1]]
    rms_hz = float(np.sqrt((low_hz**2 + low_hz * high_hz + high_hz**2) / 3))
    single = peak_probability(
        polarity * float(r[peak]), bins=bins, search_s=2 * max_delay_s, rms_frequency_hz=rms_hz
    )
    # the bands overlap, so counting each as a try of its own is on the safe side
    tries = 2 * len(contiguous_bands(correlograms.edges_hz.size - 1))
    return float(-np.expm1(tries * np.log1p(-min(single, 1 - 1e-12))))


def _second_opinion(
    a: PreparedRecording,
    b: PreparedRecording,
    cross: NDArray[np.complex128],
    *,
    inside_s: NDArray[np.float64],
) -> float:
    """Peak of the plain correlation of the cleaned recordings: their own spectra are the weight."""
    size = 2 * cross.size
    values = fft.irfft(cross * a.amplitude * b.amplitude, size)
    step_s = 1 / (size * a.bin_hz)
    lags = np.arange(int(np.floor(inside_s[0] / step_s)), int(np.ceil(inside_s[-1] / step_s)) + 1)
    best = int(lags[np.argmax(values[lags])])
    before, top, after = values[best - 1], values[best], values[(best + 1) % size]
    bend = float(before - 2 * top + after)
    shift = 0.5 * float(before - after) / bend if bend < 0 else 0.0
    return (best + shift) * step_s


def _heard_notes(
    delay_s: float, *, polarity: int, second_s: float, splits: tuple[RoundSplit, ...]
) -> tuple[str, ...]:
    """What is worth saying of a delay that was heard."""
    notes = []
    if polarity < 0:
        notes.append("the two sensors have opposite polarity")
    if abs(second_s - delay_s) > DISAGREEMENT_S:
        notes.append(
            f"plain correlation peaks at {second_s * 1000:+.1f} ms instead of {delay_s * 1000:+.1f} ms"
        )
    if splits:
        strongest = max(splits, key=lambda split: float(split.passing_log_likelihood.max()))
        notes.append(
            f"the strongest delay ({delay_s * 1000:+.1f} ms) is heard in {strongest.passing_share:.0%} of "
            "the time only: what passes is weighed apart from what lasts"
        )
    return tuple(notes)


def _cleaning_notes(one: PreparedRecording, logger: str) -> tuple[str, ...]:
    """What was taken out of a recording, where it is worth saying."""
    notes = []
    if one.line_share > NOTABLE_LINES:
        notes.append(f"hum and tones removed from {logger} ({one.line_share:.0%} of its energy)")
    if one.burst_share > NOTABLE_BURSTS:
        notes.append(f"loud bursts in {logger} were levelled ({one.burst_share:.0%} of the time)")
    return tuple(notes)
