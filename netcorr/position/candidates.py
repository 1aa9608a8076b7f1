"""From a posterior to candidates: points and stretches on the map, with what a crew should know."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from netcorr.path import branch_lines, point_at, segment_at, side_branches, stretch
from netcorr.position.candidate_id import candidate_id
from netcorr.position.fix import BESIDE_NOTE, Branch, Candidate, ErrorBudget
from netcorr.position.region import highest_density_stretches
from netcorr.position.reliability import candidate_probability, second_probability

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.delay.evidence import DelayEvidence
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.path.correlation_path import CorrelationPath
    from netcorr.position.fix import Outcome
    from netcorr.position.posterior import PairPosterior
    from netcorr.position.region import Stretch
    from netcorr.position.second import SecondSource
    from netcorr.position.settings import LocateSettings
    from netcorr.position.travel import PathTimes

#: How far up a side pipe or beyond a sensor pipes are listed that cannot be told apart. [m]
BRANCH_REACH_M = 150.0
#: An area that is most of the path says nothing: it is not listed as a candidate.
LARGEST_SHARE = 0.6
#: An area may have to hold more than this; what it takes in for that must still stand out from the path.
SURE_LEVEL = 0.95
#: A tee this near a stretch belongs to it. [m]
TEE_MARGIN_M = 0.5


def find_candidates(
    posterior: PairPosterior,
    times: PathTimes,
    *,
    path: CorrelationPath,
    network: PipeNetwork,
    evidence: Sequence[DelayEvidence],
    settings: LocateSettings,
    second: SecondSource | None = None,
) -> tuple[Candidate, ...]:
    """Candidates of one pair, most probable first, ranks within the pair.

    Parameters
    ----------
    posterior : PairPosterior
        Density along the path and the probabilities of the hypotheses.
    times : PathTimes
        Delays along the path.
    path : CorrelationPath
        From A to B.
    network : PipeNetwork
        For side pipes.
    evidence : sequence of DelayEvidence
        One for each round.
    settings : LocateSettings
        Level of the areas, least probability.
    second : SecondSource, optional
        One more leak between the sensors.

    Returns
    -------
    tuple of Candidate
        Between the sensors, and at or beyond either of them.
    """
    x = posterior.position_m
    likely = [
        (candidate_probability(one.mass * posterior.between, settings.level), one, "")
        for one in listed_stretches(x, posterior.density_per_m, settings=settings)
    ]
    if second is not None:
        beside = second_probability(second.probability)
        likely += [
            (candidate_probability(one.mass, settings.level) * beside, one, BESIDE_NOTE)
            for one in listed_stretches(x, second.density_per_m, settings=settings)
        ]
    found: list[Candidate] = []
    for probability, one, note in likely:
        if probability < settings.least_probability:
            continue
        place = _between(one, probability, times, path=path, network=network, evidence=evidence)
        if not any(_same_place(place, other) for other in found):
            found.append(_noted(place, note))
    ends: tuple[tuple[Outcome, float], ...] = (
        ("at or beyond A", posterior.beyond_a),
        ("at or beyond B", posterior.beyond_b),
    )
    found += [
        _beyond(
            outcome,
            candidate_probability(probability),
            times,
            path=path,
            network=network,
            evidence=evidence,
        )
        for outcome, probability in ends
        # below its prior nothing was heard from there
        if probability > max(settings.least_probability, settings.prior_beyond / 2)
    ]
    return ranked(found)


def listed_stretches(
    position_m: NDArray[np.float64], density_per_m: NDArray[np.float64], *, settings: LocateSettings
) -> tuple[Stretch, ...]:
    """Stretches of the area, none where it takes in too much of the path.

    Parameters
    ----------
    position_m : numpy.ndarray
        Shape (n,): evenly spaced. [m]
    density_per_m : numpy.ndarray
        Shape (n,). [1/m]
    settings : LocateSettings
        Level of the area.

    Returns
    -------
    tuple of Stretch
        Most probable first.
    """
    stretches = highest_density_stretches(
        position_m, density_per_m, level=settings.level, sure_level=SURE_LEVEL
    )
    spread_m = math.fsum(one.high_m - one.low_m for one in stretches)
    return stretches if spread_m <= LARGEST_SHARE * float(position_m[-1] - position_m[0]) else ()


def _same_place(one: Candidate, other: Candidate) -> bool:
    """Whether either point lies in the other's stretch; what speeds leave in doubt shifts both alike."""
    return one.low_m <= other.from_a_m <= one.high_m or other.low_m <= one.from_a_m <= other.high_m


def _noted(candidate: Candidate, note: str) -> Candidate:
    return replace(candidate, note="; ".join(filter(None, (note, candidate.note))))


def ranked(candidates: Sequence[Candidate]) -> tuple[Candidate, ...]:
    """Order candidates by probability and number them from 1."""
    ordered = sorted(candidates, key=lambda one: -one.probability)
    return tuple(replace(one, rank=rank) for rank, one in enumerate(ordered, start=1))


def error_budget(
    posterior: PairPosterior, times: PathTimes, *, evidence: Sequence[DelayEvidence]
) -> ErrorBudget:
    """What the standard deviation of the most probable position is made of.

    Parameters
    ----------
    posterior : PairPosterior
        For the most probable position.
    times : PathTimes
        Standard deviations of the delay there.
    evidence : sequence of DelayEvidence
        For the standard error of the delay; rounds average.

    Returns
    -------
    ErrorBudget
        Standard deviations along the main. [m]
    """
    i = int(np.argmax(posterior.density_per_m))
    half_speed = float(times.speed_m_s[i]) / 2
    information = math.fsum(1 / one.standard_error_s**2 for one in evidence)
    return ErrorBudget(
        speed_m=half_speed * float(times.speed_sd_s[i]),
        length_m=half_speed * float(times.length_sd_s[i]),
        clock_m=half_speed * times.clock_sd_s,
        delay_m=half_speed / math.sqrt(information),
        model_m=half_speed * float(times.model_sd_s[i]),
    )


def _between(
    one: Stretch,
    probability: float,
    times: PathTimes,
    *,
    path: CorrelationPath,
    network: PipeNetwork,
    evidence: Sequence[DelayEvidence],
) -> Candidate:
    """Build the candidate of one stretch between the sensors."""
    index, _ = segment_at(path, one.best_m)
    segment = path.segments[index]
    delay_s = float(np.interp(one.best_m, times.position_m, times.delay_s))
    branches = _branches(network, path, low_m=one.low_m, high_m=one.high_m)
    used = rounds_that_agree(evidence, delay_s=delay_s, sd_s=_sd_at(times, one.best_m))
    return Candidate(
        candidate_id=candidate_id(path.sensor_a, path.sensor_b, "between", one.best_m, probability, delay_s),
        rank=0,
        probability=probability,
        outcome="between",
        sensor_a=path.sensor_a,
        sensor_b=path.sensor_b,
        from_a_m=one.best_m,
        from_b_m=path.length_m - one.best_m,
        low_m=one.low_m,
        high_m=one.high_m,
        sd_m=one.sd_m,
        delay_s=delay_s,
        pipe_id=segment.pipe_id,
        material=segment.material,
        diameter_mm=segment.diameter_mm,
        speed_m_s=float(np.interp(one.best_m, times.position_m, times.speed_m_s)),
        rounds_used=used,
        point=point_at(path, one.best_m),
        stretches=(stretch(path, one.low_m, high_m=one.high_m),),
        stretch_m=((one.low_m, one.high_m),),
        branches=branches,
        note=_note(branches, path=path, used=used, rounds=len(evidence)),
    )


def _beyond(
    outcome: Outcome,
    probability: float,
    times: PathTimes,
    *,
    path: CorrelationPath,
    network: PipeNetwork,
    evidence: Sequence[DelayEvidence],
) -> Candidate:
    """Build the candidate of a source at or beyond a sensor: the pipes there are the answer."""
    at_a = outcome == "at or beyond A"
    segment = path.segments[0 if at_a else -1]
    at_m = 0.0 if at_a else path.length_m
    sensor, node = (path.sensor_a, segment.from_node) if at_a else (path.sensor_b, segment.to_node)
    pipe_ids, lines = branch_lines(network, path, node, reach_m=BRANCH_REACH_M)
    i = 0 if at_a else -1
    delay_s = float(times.delay_s[i])
    sd_s = _sd_at(times, at_m)
    return Candidate(
        candidate_id=candidate_id(path.sensor_a, path.sensor_b, outcome, at_m, probability, delay_s),
        rank=0,
        probability=probability,
        outcome=outcome,
        sensor_a=path.sensor_a,
        sensor_b=path.sensor_b,
        from_a_m=at_m,
        from_b_m=path.length_m - at_m,
        low_m=at_m,
        high_m=at_m,
        sd_m=float(times.speed_m_s[i]) / 2 * sd_s,
        delay_s=delay_s,
        pipe_id=segment.pipe_id,
        material=segment.material,
        diameter_mm=segment.diameter_mm,
        speed_m_s=float(times.speed_m_s[i]),
        rounds_used=rounds_that_agree(evidence, delay_s=delay_s, sd_s=sd_s),
        point=point_at(path, at_m),
        stretches=(),
        stretch_m=(),
        branches=(Branch(from_a_m=at_m, pipe_ids=pipe_ids, lines=lines),) if lines else (),
        note=f"the noise comes from at or beyond {sensor}, or from its lead: do not dig between the sensors",
    )


def _branches(
    network: PipeNetwork, path: CorrelationPath, *, low_m: float, high_m: float
) -> tuple[Branch, ...]:
    """Side pipes that leave the path inside a stretch: a leak in them gives the delay of their tee."""
    branches = []
    for tee in side_branches(network, path):
        if low_m - TEE_MARGIN_M <= tee.from_a_m <= high_m + TEE_MARGIN_M:
            pipe_ids, lines = branch_lines(network, path, tee.node, reach_m=BRANCH_REACH_M)
            if lines:
                branches.append(Branch(from_a_m=tee.from_a_m, pipe_ids=pipe_ids, lines=lines))
    return tuple(branches)


def _sd_at(times: PathTimes, at_m: float) -> float:
    """Standard deviation of the delay at one point, clocks included. [s]"""
    return float(np.interp(at_m, times.position_m, times.sd_s(clock_sd_s=times.clock_sd_s)))


def rounds_that_agree(evidence: Sequence[DelayEvidence], *, delay_s: float, sd_s: float) -> int:
    """Rounds in which a source near this delay is more likely than none."""
    count = 0
    for one in evidence:
        near = np.abs(one.delay_s - delay_s) <= 3 * sd_s + 2 * one.step_s
        count += bool(near.any() and one.log_likelihood[near].max() > math.log(3))
    return count


def _note(branches: tuple[Branch, ...], *, path: CorrelationPath, used: int, rounds: int) -> str:
    """What a crew should know of a candidate between the sensors."""
    notes = []
    for branch in branches:
        notes.append(
            f"a tee lies inside the stretch at {branch.from_a_m:.1f} m from A: a leak on the side pipe "
            f"({_some_of(branch.pipe_ids)}) would look the same"
        )
    if rounds == 1:
        notes.append("one round only: usage cannot be told from a leak; record again at another time")
    elif used < rounds:
        notes.append(f"heard in {used} of {rounds} rounds")
    assumed = tuple(dict.fromkeys(segment.pipe_id for segment in path.segments if segment.assumed))
    if assumed:
        notes.append(f"rests on what was assumed of {_some_of(assumed)}, as the map does not say it")
    return "; ".join(notes)


def _some_of(pipes: tuple[str, ...]) -> str:
    return ", ".join(pipes[:4]) + (" ..." if len(pipes) > 4 else "")
