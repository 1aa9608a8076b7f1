"""One answer for a whole survey from the evidence of all its pairs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from netcorr.position.candidates import ranked
from netcorr.position.network.advice import next_fitting
from netcorr.position.network.answer import OnPath, Scene, candidate_of
from netcorr.position.network.area import likely_areas
from netcorr.position.network.doubts import believed_less, find_doubt
from netcorr.position.network.evidence import gather_evidence, heard_sites
from netcorr.position.network.layer import likely_stretches
from netcorr.position.network.learned import known_scale, learned_speeds
from netcorr.position.network.mended import place_if_exchanged
from netcorr.position.network.several import SURE, find_sources

if TYPE_CHECKING:
    from collections.abc import Sequence

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.position.fix import Candidate, LikelyStretch, PairFix
    from netcorr.position.network.area import Area
    from netcorr.position.network.doubts import Doubt
    from netcorr.position.network.evidence import NetworkEvidence
    from netcorr.position.network.learned import LearnedSpeed
    from netcorr.position.network.weigh import Weighed
    from netcorr.position.settings import LocateSettings
    from netcorr.position.sites import Site
    from netcorr.position.travel import PathTimes

#: Loggers that are not as the table says must explain so much more than another source does. In simulated
#: surveys with such loggers (10 exchanged, 10 elsewhere) all 17 that were told explained 10 nats or more, and
#: another source 3 at most; of 32 with two leaks in one a logger explained 7.1, the second leak 7.7. [nats]
FAULT_LEAD = 3.0
#: With two loggers exchanged no source is more probable than this: by what the others say alone the first
#: choice was within 5 m of the leak in 27 of 47 simulated surveys.
MOST_WITH_EXCHANGED = 0.6
#: A source that is less probable is not worth another visit with one more logger.
LEAST_LEAK = 0.5
#: Areas are made for the level asked for, or for the first of these below it at which they are no more than
#: this share of the mains within reach, or this length: what is left is spread thin over all mains. [m]
LEVELS = (0.9, 0.8, 0.65, 0.5)
LARGEST_SHARE = 0.1
LARGEST_M = 100.0
#: Of a leak that is likely there the place that is most probable metre by metre is told from this probability
#: on: a short place is soon checked, also where most of the probability lies in a long set of pipes.
LEAST_OF_BEST = 0.01
#: A leak that is known to be there is told by an area of the first of these levels that is small enough.
FEWER_LEVELS = (0.35, 0.2, 0.1, 0.05)
#: A place so near to the area of another candidate is no other. [m]
SAME_M = 0.5


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
    heard = heard_sites(sites, pairs)
    notes = list(evidence.pipes.assumed)
    taken = {site.fitting for site in sites}
    doubt = find_doubt(evidence, sources[0], network=network, taken=taken)
    if doubt is not None and _explained_by_another(doubt, sources):
        doubt = None
    if doubt is not None:
        notes.append(doubt.note(heard, mended=_if_mended(doubt, evidence, heard)))
        sources = find_sources(believed_less(evidence, doubt.sensors))
        if doubt.kind == "exchanged":
            sources = tuple(replace(one, leak=min(one.leak, MOST_WITH_EXCHANGED)) for one in sources)
    clearest = sources[0]
    speeds = learned_speeds(clearest, evidence.pipes) if doubt is None else ()
    notes += [one.told("this survey itself", known=known_scale(one, settings.calibration)) for one in speeds]
    if clearest.leak >= LEAST_LEAK:
        advice = next_fitting(evidence, clearest, network=network, taken=[site.fitting for site in heard])
        notes += [str(advice)] if advice is not None else []
    paths = tuple(OnPath.of(fix, number, network, evidence.pipes) for number, (fix, _) in enumerate(pairs))
    scenes = [Scene(network, evidence, source, paths) for source in sources]
    candidates, on_map = _listed(scenes, settings=settings)
    return NetworkFix(
        candidates=candidates,
        likelihood=likely_stretches(on_map, evidence.pipes),
        leak=clearest.leak,
        notes=tuple(notes),
        speeds=speeds,
    )


def _if_mended(doubt: Doubt, evidence: NetworkEvidence, heard: Sequence[Site]) -> str:
    """Where the source would be with two loggers exchanged; empty for any other doubt."""
    if doubt.kind != "exchanged":
        return ""
    a, b = doubt.sensors
    return place_if_exchanged(evidence, a, b, heard=heard)


def _explained_by_another(doubt: Doubt, sources: Sequence[Weighed]) -> bool:
    """Whether what does not fit the clearest source is as well explained by another one."""
    if doubt.kind == "deaf" or len(sources) < 2 or sources[1].leak < SURE:
        return False
    return doubt.gain < sources[1].log_evidence + FAULT_LEAD


def _listed(
    scenes: Sequence[Scene], *, settings: LocateSettings
) -> tuple[tuple[Candidate, ...], list[Weighed]]:
    """Candidates of all sources, each place once, and the sources that the map shows: those listed."""
    heads: list[Candidate] = []
    candidates: list[Candidate] = []
    on_map = [scenes[0].weighed]
    for number, scene in enumerate(scenes):
        told = _candidates(scene, settings=settings, at_least_one=number < settings.leaks)
        told = [one for one in ranked(told) if not _told_already(one, heads + candidates)]
        on_map += [scene.weighed] if told and number else []
        if number < settings.leaks:
            heads, told = heads + told[:1], told[1:]
        candidates += told
    return _numbered(heads, candidates), on_map


def _numbered(heads: Sequence[Candidate], others: Sequence[Candidate]) -> tuple[Candidate, ...]:
    """The best place of each leak that is known to be there before all others."""
    first, rest = ranked(heads), ranked(others)
    return (*first, *(replace(one, rank=one.rank + len(first)) for one in rest))


def _candidates(scene: Scene, *, settings: LocateSettings, at_least_one: bool = False) -> list[Candidate]:
    """Areas that are probable enough and small enough to be worth a visit."""
    pipes = scene.evidence.pipes
    largest_m = max(LARGEST_SHARE * float(np.sum(pipes.length_m)), LARGEST_M)
    for level in (settings.level, *(one for one in LEVELS if one < settings.level)):
        areas = likely_areas(scene.weighed, pipes, level=level)
        if sum(_told_m(area, scene) for area in areas) <= largest_m:
            break
    else:
        areas = ()
    told = [candidate_of(area, scene) for area in areas if _worth_telling(area, scene, settings=settings)]
    return told or ([_most_probable(scene, largest_m=largest_m)] if at_least_one else [])


def _worth_telling(area: Area, scene: Scene, *, settings: LocateSettings) -> bool:
    """Whether an area is probable enough to be listed; less is asked of the best place metre by metre."""
    least = settings.least_probability
    if scene.weighed.leak >= LEAST_LEAK and scene.weighed.best in area.rows:
        least = min(least, LEAST_OF_BEST)
    return area.mass * scene.weighed.leak >= least


def _most_probable(scene: Scene, *, largest_m: float) -> Candidate:
    """The most probable place of a leak that is known to be there, however improbable it is."""
    for level in FEWER_LEVELS:
        areas = likely_areas(scene.weighed, scene.evidence.pipes, level=level)
        if sum(_told_m(area, scene) for area in areas) <= largest_m:
            break
    about_best = [area for area in areas if scene.weighed.best in area.rows]
    return candidate_of((about_best or areas)[0], scene)


def _told_already(candidate: Candidate, others: Sequence[Candidate]) -> bool:
    """Whether a place lies in the area of another candidate: the sources before left it open."""
    return any(part.line.dwithin(candidate.point, SAME_M) for one in others for part in one.area)


def _told_m(area: Area, scene: Scene) -> float:
    """Length of main in an area, without the sets that cannot be told apart however clear a leak is. [m]"""
    rows = area.rows[scene.weighed.bracketed[area.rows]]
    return float(scene.weighed.places.width_m[rows].sum())
