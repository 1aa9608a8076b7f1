"""One pair of sensors: path, speeds and the evidence of all rounds to a fix."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from netcorr.position.assumed import with_assumed
from netcorr.position.candidates import error_budget, find_candidates
from netcorr.position.echoes import path_echoes
from netcorr.position.fix import PairFix
from netcorr.position.posterior import pair_posterior
from netcorr.position.reliability import reliable
from netcorr.position.second import second_source
from netcorr.speed import pipe_wave_speed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from netcorr.delay.evidence import DelayEvidence
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.path.correlation_path import CorrelationPath, PathSegment
    from netcorr.position.fix import ErrorBudget, Outcome
    from netcorr.position.posterior import PairPosterior
    from netcorr.position.settings import LocateSettings
    from netcorr.position.travel import PathTimes
    from netcorr.speed.wave_speed import WaveSpeed

#: Note of a pair that heard a leak and cannot say where.
NO_PLACE = (
    "noise between the sensors, but the evidence is spread too widely to name a place: record again, with "
    "better clocks or known wave speeds"
)

#: What all rounds together teach must come to this, or the answer is what was assumed before. [nats]
LEAST_LEARNT_NATS = 0.02
#: Note of a pair that learnt nothing.
NOTHING_LEARNT = (
    "nothing was learnt: the recordings speak neither for a leak nor against one, and the probabilities are "
    "those assumed before; record longer, at a quieter hour, or nearer"
)

#: Noise in a narrower band leaves in doubt which cycle is meant, more than probabilities say. [Hz]
NARROW_HZ = 40.0
#: Twice the clocks' standard deviation, brought to the path, is said from this share of its length on,
CLOCK_SHARE = 0.25
#: or where it is the largest part of what is uncertain and more than a crew would dig anyway. [m]
CLOCK_WORTH_A_WORD_M = 1.0
CLOCK_REMEDY = (
    "set the clocks by one signal, or exchange the two loggers and record again, which takes out their offset"
)


def path_speeds(
    path: CorrelationPath, *, settings: LocateSettings, source: str = "the map"
) -> tuple[WaveSpeed, ...]:
    """Wave speed of every segment of a path.

    Parameters
    ----------
    path : CorrelationPath
        From A to B.
    settings : LocateSettings
        Water temperature, and what is known of the speeds of these pipes.
    source : str
        Name of the map, for messages.

    Returns
    -------
    tuple of WaveSpeed
        One for each segment.

    Raises
    ------
    SpeedError
        If a pipe has neither a measured speed nor material and diameter; the message names it.
    """
    return tuple(_segment_speed(segment, settings=settings, source=source) for segment in path.segments)


def _segment_speed(segment: PathSegment, *, settings: LocateSettings, source: str) -> WaveSpeed:
    """Speed of one segment: finds correct the tables, and what was assumed about it widens the spread."""
    if segment.pipe_id in settings.main_speeds:
        return settings.main_speeds[segment.pipe_id]

    def speed_of(pipe: PathSegment) -> WaveSpeed:
        speed = pipe_wave_speed(
            pipe.material,
            pipe.diameter_mm,
            wall_mm=pipe.wall_mm,
            year=pipe.year,
            temperature_c=settings.temperature_c,
            temperature_sd_c=settings.temperature_sd_c,
            wave_speed_m_s=pipe.wave_speed_m_s,
            item=_pipe_label(pipe.pipe_id, pipe.material_text, source=source),
        )
        if settings.calibration is None:
            return speed
        return settings.calibration.apply(
            speed, material=pipe.material, diameter_mm=pipe.diameter_mm, year=pipe.year
        )

    return with_assumed(speed_of(segment), segment, speed_of=speed_of)


def locate_pair(
    path: CorrelationPath,
    evidence: Sequence[DelayEvidence],
    *,
    times: PathTimes,
    speeds: Sequence[WaveSpeed],
    network: PipeNetwork,
    settings: LocateSettings,
) -> PairFix:
    """Weigh the evidence of all rounds along a path.

    Parameters
    ----------
    path : CorrelationPath
        From A to B.
    evidence : sequence of DelayEvidence
        One for each round, A first.
    times : PathTimes
        Of `path` with `speeds`.
    speeds : sequence of WaveSpeed
        One for each segment.
    network : PipeNetwork
        For side pipes.
    settings : LocateSettings
        Priors and standard deviations.

    Returns
    -------
    PairFix
        Outcome, candidates, density and error budget.

    Raises
    ------
    PositionError
        If there is no evidence or it does not reach the ends of the path.
    """
    echoes = path_echoes(
        network, path, speeds, times=times, frequency_hz=_middle_hz(evidence), settings=settings
    )
    posterior = pair_posterior(times, evidence, settings=settings, echoes=echoes)
    if posterior.learnt_nats >= LEAST_LEARNT_NATS:
        posterior = reliable(posterior)
    outcome = _outcome(posterior)
    second = second_source(posterior, times, evidence, echoes=echoes, settings=settings)
    candidates = find_candidates(
        posterior, times, path=path, network=network, evidence=evidence, settings=settings, second=second
    )
    notes = _notes(path, speeds=speeds, evidence=evidence, times=times)
    if outcome == "nothing learnt":
        candidates, notes = (), (NOTHING_LEARNT, *notes)
    if posterior.between > 0.5 and not any(candidate.in_bracket for candidate in candidates):
        notes += (NO_PLACE,)
    notes += _narrow_notes(posterior, times, evidence)
    budget = error_budget(posterior, times, evidence=evidence)
    if posterior.none < 0.5:
        notes += _clock_notes(budget, length_m=path.length_m)
    return PairFix(
        logger_a=evidence[0].logger_a,
        logger_b=evidence[0].logger_b,
        path=path,
        speeds=tuple(speeds),
        outcome=outcome,
        probability_between=posterior.between,
        probability_beyond_a=posterior.beyond_a,
        probability_beyond_b=posterior.beyond_b,
        probability_none=posterior.none,
        candidates=candidates,
        evidence=tuple(evidence),
        travel_time_s=times.travel_time_s,
        position_m=posterior.position_m,
        density_per_m=posterior.density_per_m,
        budget=budget,
        notes=notes,
    )


def _middle_hz(evidence: Sequence[DelayEvidence]) -> float:
    """Frequency in the middle, by octaves, of the bands that carry the evidence. [Hz]"""
    if not evidence:
        return 100.0
    low, high = np.median([one.band_hz for one in evidence], axis=0)
    return float(np.sqrt(max(low, 1.0) * max(high, 1.0)))


def _outcome(posterior: PairPosterior) -> Outcome:
    """Name the most probable hypothesis, unless nothing told it from the others."""
    if posterior.learnt_nats < LEAST_LEARNT_NATS:
        return "nothing learnt"
    named: tuple[tuple[float, Outcome], ...] = (
        (posterior.none, "no leak heard"),
        (posterior.between, "between"),
        (posterior.beyond_a, "at or beyond A"),
        (posterior.beyond_b, "at or beyond B"),
    )
    return max(named, key=lambda pair: pair[0])[1]


def _pipe_label(pipe_id: str, material_text: str | None, *, source: str) -> str:
    said = f" (material on the map: '{material_text}')" if material_text else ""
    return f"{source}, pipe {pipe_id}{said}"


def _notes(
    path: CorrelationPath,
    *,
    speeds: Sequence[WaveSpeed],
    evidence: Sequence[DelayEvidence],
    times: PathTimes,
) -> tuple[str, ...]:
    """Assumptions and doubts that the answer rests on, each once."""
    notes: dict[str, None] = {}
    for segment, speed in zip(path.segments, speeds, strict=True):
        for text in speed.assumptions:
            notes[f"{segment.pipe_id}: {text}"] = None
    if path.second_length_m is not None:
        notes[
            f"a second way of {path.second_length_m:.0f} m joins the sensors beside the one of "
            f"{path.length_m:.0f} m: the noise may have taken it"
        ] = None
    for one in evidence:
        for text in one.notes:
            notes[f"round {one.round_number}: {text}"] = None
    if _rounds_disagree(evidence, clock_sd_s=times.clock_sd_s):
        peaks = ", ".join(f"{one.peak_delay_s * 1000:+.2f} ms" for one in evidence)
        notes[f"the rounds disagree: their strongest delays are {peaks}"] = None
    return tuple(notes)


def _narrow_notes(
    posterior: PairPosterior, times: PathTimes, evidence: Sequence[DelayEvidence]
) -> tuple[str, ...]:
    """That a place a cycle off may be meant, where every round that heard something is narrow in band."""
    heard = [one.band_hz for one in evidence if one.significance < 0.01]
    if posterior.between < 0.5 or not heard or any(high - low >= NARROW_HZ for low, high in heard):
        return ()
    low_hz, high_hz = np.median(heard, axis=0)
    speed_m_s = float(times.speed_m_s[int(np.argmax(posterior.density_per_m))])
    return (
        f"the noise fills {low_hz:.0f} to {high_hz:.0f} Hz only: a place a cycle off, "
        f"{speed_m_s / (low_hz + high_hz):.1f} m to either side, may be meant",
    )


def _clock_notes(budget: ErrorBudget, *, length_m: float) -> tuple[str, ...]:
    """Whether the clocks alone could explain where the answer lies, or make up most of what is uncertain."""
    clock_m = 2 * budget.clock_m
    if clock_m > CLOCK_SHARE * length_m:
        return (
            f"the clocks alone could move the answer by {clock_m:.0f} m either way on a path of "
            f"{length_m:.0f} m, so the place may be of their making: {CLOCK_REMEDY}",
        )
    others_m = math.hypot(budget.speed_m, budget.length_m, budget.delay_m, budget.model_m)
    if budget.clock_m > others_m and clock_m > CLOCK_WORTH_A_WORD_M:
        return (
            f"most of what is uncertain comes from the clocks ({clock_m:.1f} m either way): {CLOCK_REMEDY}",
        )
    return ()


def _rounds_disagree(evidence: Sequence[DelayEvidence], *, clock_sd_s: float) -> bool:
    """Whether rounds that each heard something clearly put it at different delays."""
    clear = [one for one in evidence if one.significance < 0.01]
    if len(clear) < 2:
        return False
    peaks = np.array([one.peak_delay_s for one in clear])
    allowed_s = 4 * max(*(one.standard_error_s for one in clear), clock_sd_s, 5e-5)
    return bool(np.ptp(peaks) > allowed_s)
