"""Estimators of a delay side by side: the textbook's, those of other libraries, and netcorr."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from bench_pool import run_all
from bench_scenes import IRON, PLASTIC, SCENES, Pipe, Scene, record_scene
from bench_table import Target, table
from numpy.typing import NDArray
from scipy import signal
from scipy.special import logsumexp

from netcorr.delay import (
    correlogram,
    cross_spectra,
    delay_evidence,
    log_likelihood_beside,
    prepare_round,
)
from netcorr.position.posterior import pair_posterior
from netcorr.position.settings import LocateSettings
from netcorr.position.travel import PathTimes

Real = NDArray[np.float64]

GOOD_HIT_M = 0.9
#: Thresholds let this share of clean noise pass.
FALSE_ALARMS = 0.02
#: A leak is looked for within this share of the travel time; beyond lie sources at or beyond a sensor.
INSIDE = 0.97
#: Sources beyond the sensors that are taken out at most.
MOST_BEYOND = 2
#: Clean noise of each pipe, on which thresholds are set, for each recording of a scene.
CLEAN_PER_SCENE = 5


@dataclass(frozen=True)
class Found:
    """Delay of one estimator [s], and how sure it is of a leak, on a scale of its own."""

    delay_s: float
    score: float


def _peak(delay_s: Real, values: Real, *, inside_s: float) -> Found:
    """Highest value within the search, over the rms of the curve there."""
    near = np.flatnonzero(np.abs(delay_s) <= inside_s)
    best = int(near[np.argmax(values[near])])
    return Found(float(delay_s[best]), float(values[best] / np.sqrt(np.mean(values[near] ** 2))))


def plain(heard: Real, pipe: Pipe) -> Found:
    """scipy.signal.correlate of the recordings as they are."""
    values = signal.correlate(heard[1], heard[0], method="fft")
    lags_s = signal.correlation_lags(heard.shape[1], heard.shape[1]) / pipe.sample_rate_hz
    return _peak(lags_s, values, inside_s=INSIDE * pipe.travel_time_s)


def weighted(name: str) -> Callable[[Real, Pipe], Found]:
    """A textbook weighting with spectra averaged over segments of ten times the longest delay."""

    def found(heard: Real, pipe: Pipe) -> Found:
        segment = round(10 * pipe.travel_time_s * pipe.sample_rate_hz)
        spectra = cross_spectra(*heard, sample_rate_hz=pipe.sample_rate_hz, segment=segment)
        band_hz = (10.0, 0.46 * pipe.sample_rate_hz)
        curve = correlogram(spectra, name, band_hz=band_hz)  # type: ignore[arg-type]  # names of METHODS
        return _peak(*curve, inside_s=INSIDE * pipe.travel_time_s)

    return found


def by_obspy(heard: Real, pipe: Pipe) -> Found:
    """obspy: normalised correlation and its peak, to the sample."""
    from obspy.signal.cross_correlation import correlate, xcorr_max

    most = int(INSIDE * pipe.travel_time_s * pipe.sample_rate_hz)
    shift, value = xcorr_max(correlate(heard[0], heard[1], most))
    return Found(-float(shift) / pipe.sample_rate_hz, abs(float(value)))


def by_pyroomacoustics(heard: Real, pipe: Pipe) -> Found:
    """pyroomacoustics: GCC-PHAT over the whole record; its score is the correlogram at what it found."""
    from pyroomacoustics.experimental.localization import tdoa

    delay_s = -float(tdoa(*heard, interp=4, fs=pipe.sample_rate_hz))
    phases = np.exp(1j * np.angle(np.conj(np.fft.rfft(heard[0])) * np.fft.rfft(heard[1])))
    f = np.fft.rfftfreq(heard.shape[1], 1 / pipe.sample_rate_hz)
    return Found(delay_s, float(np.abs(np.mean(phases * np.exp(2j * np.pi * f * delay_s)).real)))


def by_evidence(heard: Real, pipe: Pipe) -> Found:
    """Netcorr's evidence of the delay between the sensors, as it is for one recording: peak and mean."""
    a, b = prepare_round(heard, pipe.sample_rate_hz, max_delay_s=pipe.travel_time_s)
    evidence = delay_evidence(a, b, max_delay_s=pipe.travel_time_s)
    inside_s = INSIDE * pipe.travel_time_s
    delay_s, row = evidence.delay_s, evidence.log_likelihood
    known_s: list[float] = []
    # a source at or beyond a sensor is no leak between them: it is taken out, one for each side at most
    while len(known_s) < MOST_BEYOND and abs(delay_s[np.argmax(row)]) > inside_s:
        known_s.append(float(delay_s[np.argmax(row)]))
        delay_s, row = log_likelihood_beside(a, b, known_s, max_delay_s=pipe.travel_time_s)
    near = np.abs(delay_s) <= inside_s
    row, delay_s = row[near], delay_s[near]
    best = int(np.argmax(row))
    refined_s = evidence.peak_delay_s if not known_s else float(delay_s[best])
    return Found(refined_s, float(logsumexp(row)) - math.log(row.size))


def by_netcorr(heard: Real, pipe: Pipe) -> Found:
    """Netcorr's answer: evidence weighed against noise from beyond the sensors, usage and silence."""
    times = _times(pipe)
    most_s = times.longest_delay_s
    a, b = prepare_round(heard, pipe.sample_rate_hz, max_delay_s=most_s)
    evidence = delay_evidence(a, b, max_delay_s=most_s)
    posterior = pair_posterior(times, [evidence], settings=LocateSettings())
    best = int(np.argmax(posterior.density_per_m))
    others = posterior.none + posterior.beyond_a + posterior.beyond_b
    return Found(float(times.delay_s[best]), math.log(posterior.between) - math.log(max(others, 1e-300)))


def _times(pipe: Pipe) -> PathTimes:
    """Delays along one pipe whose length and speed are known."""
    x = np.linspace(0.0, pipe.length_m, math.ceil(pipe.length_m / 0.05) + 1)
    small = np.full(x.size, 2e-5)
    return PathTimes(
        position_m=x,
        delay_s=(pipe.length_m - 2 * x) / pipe.speed_m_s,
        speed_m_s=np.full(x.size, pipe.speed_m_s),
        speed_sd_s=0 * small,
        length_sd_s=small,
        model_sd_s=small,
        clock_sd_s=1e-5,
        lead_a_s=0.0,
        lead_b_s=0.0,
    )


#: The last two are ours: the evidence alone, and the answer.
METHODS: dict[str, Callable[[Real, Pipe], Found]] = {
    "plain": plain,
    "PHAT": weighted("phat"),
    "SCOT": weighted("scot"),
    "Roth": weighted("roth"),
    "averaged ML": weighted("maximum likelihood"),
    "obspy": by_obspy,
    "pyroomacoustics": by_pyroomacoustics,
    "evidence": by_evidence,
    "netcorr": by_netcorr,
}


@dataclass(frozen=True)
class Trial:
    """One recording of a scene, with a leak or none; or of clean noise in the pipe of the scene."""

    scene: int
    seed: int
    number: int
    leak: bool
    clean: bool = False


@dataclass(frozen=True)
class Result:
    """What every method made of a trial, in the order of `METHODS`; errors are NaN without a leak."""

    trial: Trial
    errors_m: tuple[float, ...]
    scores: tuple[float, ...]


def run_trial(trial: Trial) -> Result:
    """Record a trial and let every method estimate its delay."""
    scene = SCENES[trial.scene]
    if trial.clean:
        scene = Scene(scene.pipe, 0.0)
    rng = np.random.default_rng([trial.seed, trial.scene, trial.number, 2 * trial.leak + trial.clean])
    heard, from_a_m = record_scene(scene, rng, leak=trial.leak)
    found = [method(heard, scene.pipe) for method in METHODS.values()]
    places_m = [(scene.pipe.length_m - scene.pipe.speed_m_s * one.delay_s) / 2 for one in found]
    errors_m = [abs(place_m - from_a_m) if trial.leak else math.nan for place_m in places_m]
    return Result(trial, tuple(errors_m), tuple(one.score for one in found))


def compare_estimators(*, surveys: int, seed: int, workers: int) -> list[Target]:
    """Run all scenes, print three tables, and return the targets.

    Parameters
    ----------
    surveys : int
        Recordings of each scene with a leak, and as many without.
    seed : int
        Another seed gives other noise.
    workers : int
        Processes.

    Returns
    -------
    list of Target
        In how many scenes netcorr finds most leaks within 0.9 m, and its false alarms.
    """
    firsts = [SCENES.index(next(one for one in SCENES if one.pipe is pipe)) for pipe in (PLASTIC, IRON)]
    trials = [
        Trial(scene, seed, number, leak)
        for scene in range(len(SCENES))
        for leak in (True, False)
        for number in range(surveys)
    ]
    trials += [
        Trial(scene, seed, number, False, clean=True)
        for scene in firsts
        for number in range(CLEAN_PER_SCENE * surveys)
    ]
    results = run_all(run_trial, trials, workers=workers)
    thresholds = {SCENES[scene].pipe: _thresholds(results, scene=scene) for scene in firsts}
    figures = [_figures(results, number, thresholds[one.pipe]) for number, one in enumerate(SCENES)]
    _print(figures, surveys=surveys)
    return estimator_targets(figures)


def _thresholds(results: Sequence[Result], *, scene: int) -> Real:
    """Score of each method that `FALSE_ALARMS` of the clean noise exceeds."""
    scores = np.array([one.scores for one in results if one.trial.clean and one.trial.scene == scene])
    return np.asarray(np.quantile(scores, 1 - FALSE_ALARMS, axis=0), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Figures:
    """Of one scene, each of shape (methods,): shares of leaks and of noise, 0 to 1, and metres."""

    near: Real
    called: Real
    alarms: Real
    median_m: Real


def _figures(results: Sequence[Result], scene: int, thresholds: Real) -> Figures:
    of = [one for one in results if one.trial.scene == scene and not one.trial.clean]
    errors_m = np.array([one.errors_m for one in of if one.trial.leak])
    with_leak, without = (
        np.array([one.scores for one in of if one.trial.leak is leak]) for leak in (True, False)
    )
    near = errors_m <= GOOD_HIT_M
    return Figures(
        near=near.mean(axis=0),
        called=(near & (with_leak > thresholds)).mean(axis=0),
        alarms=(without > thresholds).mean(axis=0),
        median_m=np.median(errors_m, axis=0),
    )


def _percent(values: Real) -> list[str]:
    return [f"{100 * value:.0f}" for value in values]


def _print(figures: Sequence[Figures], *, surveys: int) -> None:
    print(
        f"\nEstimators side by side: {surveys} recordings of each scene with a leak, {surveys} without; one "
        "round, speed and length known.\n"
        f"Each method calls a leak above the score that {100 * FALSE_ALARMS:.0f} % of clean noise exceeds. "
        "pyroomacoustics looks over the\nwhole record, all others between the sensors; 'evidence' and "
        "'netcorr' are ours: the likelihood of the delay\nalone, and the answer with its competing "
        "explanations.\n"
    )
    titles: dict[str, Callable[[Figures], list[str]]] = {
        f"within {GOOD_HIT_M} m, %": lambda one: _percent(one.near),
        f"within {GOOD_HIT_M} m and called a leak, %": lambda one: _percent(one.called),
        "no leak, yet called one, %": lambda one: _percent(one.alarms),
        "median error, m": lambda one: [f"{value:.2f}" for value in one.median_m],
    }
    for title, row in titles.items():
        rows = [(scene.name, *row(one)) for scene, one in zip(SCENES, figures, strict=True)]
        print(table((title, *METHODS), rows) + "\n")


def estimator_targets(figures: Sequence[Figures]) -> list[Target]:
    """Judge ours, the last two methods, against the best of the others in every scene."""
    best = sum(bool(one.near[-2:].max() >= one.near[:-2].max()) for one in figures)
    alarms = float(np.mean([one.alarms[-1] for one in figures]))
    others = float(np.min(np.mean([one.alarms[:-2] for one in figures], axis=0)))
    return [
        Target(
            f"scenes in which no other method is within {GOOD_HIT_M} m more often",
            f"{best} of {len(figures)}",
            "all",
            best == len(figures),
        ),
        Target(
            "false alarms over all scenes, against the best of the others",
            f"{100 * alarms:.1f} % against {100 * others:.1f} %",
            "no more",
            alarms <= others,
        ),
    ]
