"""One answer for a whole survey from the evidence of all its pairs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from netcorr.position.candidates import ranked
from netcorr.position.network.advice import next_fitting
from netcorr.position.network.answer import OnPath, Scene, candidate_of
from netcorr.position.network.area import likely_areas
from netcorr.position.network.doubts import believed_less, find_doubt
from netcorr.position.network.hearing import alone, pair_hearing
from netcorr.position.network.layer import likely_stretches
from netcorr.position.network.learned import learned_speeds
from netcorr.position.network.pipes import pipes_within_reach
from netcorr.position.network.several import find_sources
from netcorr.position.network.times import sensor_times
from netcorr.position.network.weigh import NetworkEvidence

if TYPE_CHECKING:
    from collections.abc import Sequence

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.position.fix import Candidate, LikelyStretch, PairFix
    from netcorr.position.network.area import Area
    from netcorr.position.network.learned import LearnedSpeed
    from netcorr.position.settings import LocateSettings
    from netcorr.position.sites import Site
    from netcorr.position.travel import PathTimes

#: A source that is less probable is not worth another visit with one more logger.
LEAST_LEAK = 0.5
#: Areas are made for the level asked for, or for the first of these below it at which they are no more than
#: this share of the mains within reach, or this length: what is left is spread thin over all mains. [m]
LEVELS = (0.9, 0.8, 0.65, 0.5)
LARGEST_SHARE = 0.1
LARGEST_M = 100.0


@dataclass(frozen=True, eq=False)
class NetworkFix:
    """What all loggers of a survey say together.

    Attributes
    ----------
    candidates : tuple of Candidate
        Ranked.
    likelihood : tuple of LikelyStretch
        Along the mains within reach.
    leak : float
        Probability that there is a lasting source.
    notes : tuple of str
        Assumptions, doubts and advice.
    speeds : tuple of LearnedSpeed
        Wave speeds that the survey knows better than the tables.
    """

    candidates: tuple[Candidate, ...]
    likelihood: tuple[LikelyStretch, ...]
    leak: float
    notes: tuple[str, ...]
    speeds: tuple[LearnedSpeed, ...] = ()


def locate_on_network(
    network: PipeNetwork,
    sites: Sequence[Site],
    pairs: Sequence[tuple[PairFix, PathTimes]],
    *,
    settings: LocateSettings,
) -> NetworkFix:
    """Weigh all pairs of a survey together.

    Parameters
    ----------
    network : PipeNetwork
        The map.
    sites : sequence of Site
        Where the loggers stood.
    pairs : sequence of (PairFix, PathTimes)
        Each pair with its evidence, and the times along its path.
    settings : LocateSettings
        Priors and standard deviations.

    Returns
    -------
    NetworkFix
        Candidates, and the probability along the mains.
    """
    evidence = gather_evidence(network, sites, pairs, settings=settings)
    sources = find_sources(evidence)
    heard = _heard(sites, pairs)
    notes = list(evidence.pipes.assumed)
    taken = {site.fitting for site in sites}
    doubt = find_doubt(evidence, sources[0].weighed, network=network, taken=taken)
    if doubt is not None:
        notes.append(doubt.note(heard))
        sources = find_sources(believed_less(evidence, doubt.sensors))
    clearest = sources[0].weighed
    speeds = learned_speeds(clearest, evidence.pipes) if doubt is None else ()
    notes += [str(one) for one in speeds]
    if clearest.leak >= LEAST_LEAK:
        advice = next_fitting(evidence, clearest, network=network, taken=[site.fitting for site in heard])
        notes += [str(advice)] if advice is not None else []
    paths = tuple(OnPath.of(fix, number, network, evidence.pipes) for number, (fix, _) in enumerate(pairs))
    candidates = [
        one
        for source in sources
        for one in _candidates(Scene(network, evidence, source.weighed, paths), settings=settings)
    ]
    return NetworkFix(
        candidates=ranked(candidates),
        likelihood=likely_stretches([source.weighed for source in sources], evidence.pipes),
        leak=sources[0].weighed.leak,
        notes=tuple(notes),
        speeds=speeds,
    )


def gather_evidence(
    network: PipeNetwork,
    sites: Sequence[Site],
    pairs: Sequence[tuple[PairFix, PathTimes]],
    *,
    settings: LocateSettings,
) -> NetworkEvidence:
    """Cut out the mains, find all ways and combine the rounds of every pair.

    Parameters
    ----------
    network : PipeNetwork
        The map.
    sites : sequence of Site
        Where the loggers stood.
    pairs : sequence of (PairFix, PathTimes)
        Each pair with its evidence, and the times along its path.
    settings : LocateSettings
        Priors and standard deviations.

    Returns
    -------
    NetworkEvidence
        What `weigh` needs.
    """
    heard = _heard(sites, pairs)
    number = {site.logger: k for k, site in enumerate(heard)}
    nodes = [_node(network, site.fitting, pairs) for site in heard]
    pipes = pipes_within_reach(network, nodes, settings=settings)
    sensors = sensor_times(pipes, nodes, lead_m=[site.lead_m for site in heard])
    hearings = tuple(
        pair_hearing(number[fix.logger_a], number[fix.logger_b], fix.evidence, clock_sd_s=times.clock_sd_s)
        for fix, times in pairs
    )
    if len(pairs) == 1:
        [(fix, times)] = pairs
        hearings = (alone(hearings[0], fix.evidence, times=times, settings=settings),)
    return NetworkEvidence(pipes, sensors, hearings, settings)


def _heard(sites: Sequence[Site], pairs: Sequence[tuple[PairFix, PathTimes]]) -> list[Site]:
    """Sites of loggers that are part of a pair, in the order in which sensors are numbered."""
    used = {name for fix, _ in pairs for name in (fix.logger_a, fix.logger_b)}
    return [site for site in sites if site.logger in used]


def _node(network: PipeNetwork, fitting: str, pairs: Sequence[tuple[PairFix, PathTimes]]) -> int:
    """Node at which a fitting hears the mains: of a closed valve the side that its paths start from."""
    for fix, _ in pairs:
        if fix.path.sensor_a == fitting:
            return fix.path.segments[0].from_node
        if fix.path.sensor_b == fitting:
            return fix.path.segments[-1].to_node
    return network.node_of(fitting)


def _candidates(scene: Scene, *, settings: LocateSettings) -> list[Candidate]:
    """Areas that are probable enough and small enough to be worth a visit."""
    pipes = scene.evidence.pipes
    largest_m = max(LARGEST_SHARE * float(np.sum(pipes.length_m)), LARGEST_M)
    for level in (settings.level, *(one for one in LEVELS if one < settings.level)):
        areas = likely_areas(scene.weighed, pipes, level=level)
        if sum(_told_m(area, scene) for area in areas) <= largest_m:
            break
    else:
        return []
    return [
        candidate_of(area, scene)
        for area in areas
        if area.mass * scene.weighed.leak >= settings.least_probability
    ]


def _told_m(area: Area, scene: Scene) -> float:
    """Length of main in an area, without the sets that cannot be told apart however clear a leak is. [m]"""
    rows = area.rows[scene.weighed.bracketed[area.rows]]
    return float(scene.weighed.places.width_m[rows].sum())
