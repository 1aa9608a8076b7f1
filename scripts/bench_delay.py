"""Delay estimates against the Cramer-Rao bound and against textbook correlograms on the same recordings."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from bench_estimators import compare_estimators
from bench_pool import run_all
from bench_table import Target, table
from numpy.typing import NDArray
from scipy import signal

from netcorr.delay import correlogram, cross_spectra, delay_evidence, prepare_round

DURATION_S = 10.0
SAMPLE_RATE_HZ = 4000.0
#: Half of the search; true delays are drawn evenly from the inner two thirds. [s]
MAX_DELAY_S = 0.15
#: Segments of ten times the longest delay for estimators that average. [s]
SEGMENT_S = 1.5
#: For the share of good hits on an iron main. [m/s], [m]
SPEED_M_S = 1250.0
GOOD_HIT_M = 0.9
#: What has to be reached.
LARGEST_RATIO = 1.15
SPREAD = (0.85, 1.15)
LARGEST_GROSS = 0.01

METHODS = ("netcorr", "plain", "PHAT", "SCOT", "averaged ML")


@dataclass(frozen=True)
class Case:
    """A source with a flat spectrum in a band, in white noise that is not shared.

    Attributes
    ----------
    low_hz, high_hz : float
        Band of the source. [Hz]
    snr_db : float
        Signal over noise in that band, at either sensor. [dB]
    above_threshold : bool
        Whether the bound can be reached; near and below it noise moves or wins peaks, and the figures are for
        information only.
    """

    low_hz: float
    high_hz: float
    snr_db: float
    above_threshold: bool = True

    @property
    def bound_s(self) -> float:
        """Cramer-Rao bound of the delay. [s]

        Knapp, C. and Carter, G. (1976), IEEE Trans. Acoust. Speech Signal Process. 24(4), 320-327, with
        constant coherence: ``var >= 3 (1 - C) / (8 pi^2 T C (f2^3 - f1^3))``.
        """
        ratio = 10 ** (self.snr_db / 10)
        coherence = (ratio / (1 + ratio)) ** 2
        information = 8 * math.pi**2 * DURATION_S * coherence * (self.high_hz**3 - self.low_hz**3)
        return math.sqrt(3 * (1 - coherence) / information)


CASES = (
    Case(200, 900, 6),
    Case(200, 900, 0),
    Case(200, 900, -6),
    Case(200, 900, -10),
    Case(200, 1500, -10),
    Case(400, 600, 0),
    Case(100, 300, -3),
    Case(40, 160, 0),
    Case(200, 900, -14, above_threshold=False),
    Case(40, 160, -6, above_threshold=False),
)


@dataclass(frozen=True)
class Draw:
    """One pair of recordings."""

    case: int
    seed: int
    number: int


@dataclass(frozen=True)
class Errors:
    """Error of every method, in the order of `METHODS`, and the standard error that netcorr states. [s]"""

    case: int
    errors_s: tuple[float, ...]
    stated_s: float


def bench_delay(*, surveys: int | None, seed: int, workers: int) -> list[Target]:
    """Run all cases, print what came out, and return the targets.

    Parameters
    ----------
    surveys : int or None
        Of each case; None for 300.
    seed : int
        Another seed gives other noise.
    workers : int
        Processes.

    Returns
    -------
    list of Target
        Ratio to the bound and truth of the stated standard error, worst over the cases above threshold; and
        how netcorr stands among other estimators.
    """
    count = surveys or 300
    jobs = [Draw(case, seed, number) for case in range(len(CASES)) for number in range(count)]
    results = run_all(run_draw, jobs, workers=workers)
    by_case = [[one for one in results if one.case == case] for case in range(len(CASES))]
    print(
        f"A flat source in white noise, {DURATION_S:.0f} s at {SAMPLE_RATE_HZ:.0f} Hz, {count} draws of each "
        "case; netcorr is not told the band.\nrms/bound and sd of error/stated without gross errors (half a "
        f"period or more off); with {count} draws both scatter by {100 / math.sqrt(2 * count):.0f} %.\n"
    )
    figures = [_figures(case, of) for case, of in zip(CASES, by_case, strict=True)]
    print(table(_HEADER, [_row(case, one) for case, one in zip(CASES, figures, strict=True)]))
    print(f"\nShare within {GOOD_HIT_M} m at {SPEED_M_S:.0f} m/s, on the same recordings, for information")
    print(
        "(plain, PHAT, SCOT: scipy.signal, no band chosen; averaged ML: weights from the averaged spectra):"
    )
    print(table(("source", *METHODS), [_hits(case, of) for case, of in zip(CASES, by_case, strict=True)]))
    judged = targets([one for case, one in zip(CASES, figures, strict=True) if case.above_threshold])
    return judged + compare_estimators(surveys=max(count // 5, 1), seed=seed, workers=workers)


def targets(figures: Sequence[Figures]) -> list[Target]:
    """Judge the worst of the cases above threshold."""
    ratio = max(one.ratio for one in figures)
    spreads = [one.spread for one in figures]
    gross = max(one.gross for one in figures)
    return [
        Target(
            "delay error over the Cramer-Rao bound",
            f"{min(one.ratio for one in figures):.2f} to {ratio:.2f}",
            f"{LARGEST_RATIO} or less",
            ratio <= LARGEST_RATIO,
        ),
        Target(
            "delay error over its stated standard error, spread",
            f"{min(spreads):.2f} to {max(spreads):.2f}",
            "0.85 to 1.15",
            SPREAD[0] <= min(spreads) and max(spreads) <= SPREAD[1],
        ),
        Target(
            "gross errors above threshold",
            f"{100 * gross:.1f} % at most",
            f"{100 * LARGEST_GROSS:.0f} % or less",
            gross <= LARGEST_GROSS,
        ),
    ]


def run_draw(draw: Draw) -> Errors:
    """Draw one pair of recordings and estimate its delay by every method."""
    case = CASES[draw.case]
    rng = np.random.default_rng([draw.seed, draw.case, draw.number])
    true_s = float(rng.uniform(-2 / 3, 2 / 3)) * MAX_DELAY_S
    heard = record(case, true_s, rng)
    a, b = prepare_round(heard, SAMPLE_RATE_HZ, max_delay_s=MAX_DELAY_S)
    evidence = delay_evidence(a, b, max_delay_s=MAX_DELAY_S)
    found_s = (evidence.peak_delay_s, *textbook_delays(heard))
    return Errors(draw.case, tuple(one - true_s for one in found_s), evidence.standard_error_s)


def record(case: Case, delay_s: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Two recordings, shape (2, n), of a source that reaches the second one later.

    The delay is a turn of phase over a record that is longer than what is kept, so it is exact for any
    fraction of a sample and what one sensor hears at its edges the other does not.
    """
    count, edge = round(DURATION_S * SAMPLE_RATE_HZ), round(SAMPLE_RATE_HZ)
    size = count + 2 * edge
    frequency_hz = np.fft.rfftfreq(size, 1 / SAMPLE_RATE_HZ)
    inside = (frequency_hz >= case.low_hz) & (frequency_hz <= case.high_hz)
    source = np.fft.rfft(rng.standard_normal(size)) * inside * 10 ** (case.snr_db / 20)
    turned = source * np.exp(-2j * np.pi * frequency_hz * delay_s)
    heard = np.fft.irfft(np.stack([source, turned]), n=size)[:, edge : edge + count]
    return np.asarray(heard + rng.standard_normal((2, count)))


def textbook_delays(heard: NDArray[np.float64]) -> tuple[float, ...]:
    """Peaks of four textbook correlograms: plain, PHAT, SCOT, averaged maximum likelihood. [s]"""
    a, b = heard
    plain = signal.correlate(b, a, method="fft")
    lags_s = signal.correlation_lags(b.size, a.size) / SAMPLE_RATE_HZ
    segment = round(SEGMENT_S * SAMPLE_RATE_HZ)
    _, cross = signal.csd(a, b, SAMPLE_RATE_HZ, nperseg=segment, detrend=False)
    power_a, power_b = (signal.welch(one, SAMPLE_RATE_HZ, nperseg=segment, detrend=False)[1] for one in heard)
    weighted = [
        _lags(weight * cross, segment)
        for weight in (1 / np.maximum(np.abs(cross), 1e-300), 1 / np.sqrt(power_a * power_b))
    ]
    spectra = cross_spectra(a, b, sample_rate_hz=SAMPLE_RATE_HZ, segment=segment)
    curves = [(lags_s, plain), *weighted, correlogram(spectra, "maximum likelihood")]
    return tuple(_peak_s(*curve) for curve in curves)


def _lags(spectrum: NDArray[np.complex128], segment: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Correlogram of a weighted cross-spectrum, four delays to a sample."""
    values = np.fft.fftshift(np.fft.irfft(spectrum, n=4 * segment))
    return (np.arange(values.size) - values.size // 2) / (4 * SAMPLE_RATE_HZ), values


def _peak_s(delay_s: NDArray[np.float64], values: NDArray[np.float64]) -> float:
    """Delay of the highest value within the search."""
    inside = np.flatnonzero(np.abs(delay_s) <= MAX_DELAY_S)
    return float(delay_s[inside[np.argmax(values[inside])]])


@dataclass(frozen=True)
class Figures:
    """What one case came to: share of gross errors, rms over the bound, mean and sd of error over stated."""

    gross: float
    ratio: float
    bias: float
    spread: float


def _figures(case: Case, results: Sequence[Errors]) -> Figures:
    error_s = np.array([one.errors_s[0] for one in results])
    stated_s = np.array([one.stated_s for one in results])
    fine = np.abs(error_s) < 0.5 / (0.5 * (case.low_hz + case.high_hz))
    z = error_s[fine] / stated_s[fine]
    rms_s = float(np.sqrt(np.mean(error_s[fine] ** 2)))
    return Figures(float(1 - fine.mean()), rms_s / case.bound_s, float(z.mean()), float(z.std()))


_HEADER = ("source", "bound us", "gross %", "rms/bound", "mean of error/stated", "sd of error/stated")


def _row(case: Case, one: Figures) -> tuple[str, ...]:
    figures = (
        f"{case.bound_s * 1e6:.1f}",
        f"{100 * one.gross:.1f}",
        f"{one.ratio:.2f}",
        f"{one.bias:+.2f}",
        f"{one.spread:.2f}",
    )
    return (_name(case), *figures)


def _hits(case: Case, results: Sequence[Errors]) -> tuple[str, ...]:
    allowed_s = 2 * GOOD_HIT_M / SPEED_M_S
    errors_s = np.array([one.errors_s for one in results])
    hits = np.mean(np.abs(errors_s) <= allowed_s, axis=0)
    return (_name(case), *(f"{100 * hit:.0f} %" for hit in hits))


def _name(case: Case) -> str:
    threshold = "" if case.above_threshold else ", near or below threshold"
    return f"{case.low_hz:.0f}-{case.high_hz:.0f} Hz, {case.snr_db:+.0f} dB{threshold}"
