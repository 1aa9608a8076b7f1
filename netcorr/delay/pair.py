"""Evidence of one pair of recordings: everything that the two say about the delay between them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from netcorr.delay.bound import peak_probability
from netcorr.delay.evidence import DelayEvidence
from netcorr.delay.likelihood import BandCorrelograms
from netcorr.delay.prepare import HIGHEST_HZ, LOWEST_HZ, PreparedRecording, prepare
from netcorr.delay.refine import coherence_and_phase, refine_delay
from netcorr.errors import DelayError

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Half of the search beyond the longest delay, so that the ends of the range can be judged. [s]
MARGIN_S = 0.002
#: Bands differ in width by factors, so about this many of them are independent; for the significance.
INDEPENDENT_BANDS = 60


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
        prepare(row, sample_rate_hz, band_hz=band_hz, pad_s=max_delay_s + MARGIN_S) for row in samples
    )


def delay_evidence(
    a: PreparedRecording,
    b: PreparedRecording,
    *,
    max_delay_s: float,
    band_hz: tuple[float, float] | None = None,
    logger_a: str = "A",
    logger_b: str = "B",
    round_number: int = 1,
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
    logger_a, logger_b : str
        Names of the loggers.
    round_number : int
        Round of the survey.

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
    if a.spectrum.size != b.spectrum.size or a.bin_hz != b.bin_hz:
        raise DelayError(item, found="recordings prepared differently", remedy="prepare the round as one")
    if max_delay_s > a.duration_s / 3:
        raise DelayError(
            item,
            found=f"{a.duration_s:.1f} s of common record for delays up to {max_delay_s:.2f} s",
            remedy="record at least three times the longest travel time",
        )
    cross = np.conj(a.spectrum) * b.spectrum
    usable = a.usable & b.usable
    frequency_hz = a.frequency_hz
    band = _usable_band(frequency_hz, usable, band_hz=band_hz, item=item)
    usable = usable & (frequency_hz >= band[0]) & (frequency_hz <= band[1])
    correlograms = BandCorrelograms(
        cross,
        usable,
        bin_hz=a.bin_hz,
        duration_s=a.duration_s,
        max_delay_s=max_delay_s + MARGIN_S,
        band_hz=band,
    )
    log_likelihood = correlograms.log_likelihood()
    delay_s = correlograms.delay_s
    searched = np.abs(delay_s) <= max_delay_s
    peak = int(np.flatnonzero(searched)[np.argmax(log_likelihood[searched])])
    first, last = correlograms.best_band(peak)
    best_band_hz = (float(correlograms.edges_hz[first]), float(correlograms.edges_hz[last]))
    refined = refine_delay(
        cross,
        usable,
        bin_hz=a.bin_hz,
        duration_s=a.duration_s,
        start_s=float(delay_s[peak]),
        band_hz=best_band_hz,
        reach_s=0.25 / max(best_band_hz[1], 1.0),
    )
    spectra = coherence_and_phase(
        cross, usable, bin_hz=a.bin_hz, duration_s=a.duration_s, delay_s=refined.delay_s
    )
    second_s = _second_opinion(a, b, cross, delay_s=delay_s, searched=searched)
    return DelayEvidence(
        logger_a=logger_a,
        logger_b=logger_b,
        round_number=round_number,
        delay_s=delay_s,
        log_likelihood=log_likelihood,
        peak_delay_s=refined.delay_s,
        standard_error_s=refined.standard_error_s,
        coherence=refined.coherence,
        band_hz=best_band_hz,
        significance=_significance(correlograms, peak=peak, band=(first, last), max_delay_s=max_delay_s),
        second_opinion_s=second_s,
        duration_s=a.duration_s,
        frequency_hz=spectra[0],
        coherence_spectrum=spectra[1],
        phase_rad=spectra[2],
        notes=_notes(a, b, logger_a=logger_a, logger_b=logger_b, second_s=second_s, peak_s=refined.delay_s),
    )


def _usable_band(
    frequency_hz: NDArray[np.float64],
    usable: NDArray[np.bool_],
    *,
    band_hz: tuple[float, float] | None,
    item: str,
) -> tuple[float, float]:
    """The band asked for, cut to what both recordings have."""
    low_hz, high_hz = band_hz if band_hz is not None else (LOWEST_HZ, HIGHEST_HZ)
    inside = usable & (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    if inside.sum() < 16:
        raise DelayError(
            item,
            found=f"nothing to compare between {low_hz:g} and {high_hz:g} Hz",
            remedy="choose a wider band",
        )
    # sub-bands begin at the same places in every recording
    return float(low_hz), float(min(high_hz, frequency_hz[inside][-1]))


def _significance(
    correlograms: BandCorrelograms, *, peak: int, band: tuple[int, int], max_delay_s: float
) -> float:
    """Chance that noise gives a peak this high in the best of all the bands tried."""
    r, bins = correlograms.mean(*band)
    low_hz, high_hz = correlograms.edges_hz[band[0]], correlograms.edges_hz[band[1]]
    rms_hz = float(np.sqrt((low_hz**2 + low_hz * high_hz + high_hz**2) / 3))
    single = peak_probability(float(r[peak]), bins=bins, search_s=2 * max_delay_s, rms_frequency_hz=rms_hz)
    return float(-np.expm1(INDEPENDENT_BANDS * np.log1p(-min(single, 1 - 1e-12))))


def _second_opinion(
    a: PreparedRecording,
    b: PreparedRecording,
    cross: NDArray[np.complex128],
    *,
    delay_s: NDArray[np.float64],
    searched: NDArray[np.bool_],
) -> float:
    """Peak of the plain correlation of the cleaned recordings: their own spectra are the weight."""
    size = 2 * cross.size
    values = np.fft.irfft(cross * a.amplitude * b.amplitude, size)
    step_s = 1 / (size * a.bin_hz)
    inside = delay_s[searched]
    lags = np.arange(int(np.floor(inside[0] / step_s)), int(np.ceil(inside[-1] / step_s)) + 1)
    best = int(lags[np.argmax(values[lags])])
    before, top, after = values[best - 1], values[best], values[(best + 1) % size]
    bend = before - 2 * top + after
    shift = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return float((best + shift) * step_s)


def _notes(
    a: PreparedRecording,
    b: PreparedRecording,
    *,
    logger_a: str,
    logger_b: str,
    second_s: float,
    peak_s: float,
) -> tuple[str, ...]:
    """What was taken out, and whether the second opinion disagrees."""
    notes = []
    for name, one in ((logger_a, a), (logger_b, b)):
        if one.line_share > 0.1:
            notes.append(f"hum and tones removed from {name} ({one.line_share:.0%} of its energy)")
        if one.burst_share > 0.02:
            notes.append(f"loud bursts in {name} were levelled ({one.burst_share:.0%} of the time)")
    if abs(second_s - peak_s) > 0.002:
        notes.append(
            f"plain correlation peaks at {second_s * 1000:+.1f} ms instead of {peak_s * 1000:+.1f} ms"
        )
    return tuple(notes)
