"""Clocks and speeds of a survey from noise that its pairs hear from beyond both loggers."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from netcorr.position.network.end_noise import agreeing, as_delays, end_noise
from netcorr.position.network.known_noise import clock_priors
from netcorr.position.network.linear import learn
from netcorr.position.network.pipes import pipes_within_reach
from netcorr.position.network.speeds import group_shares
from netcorr.position.taught import Taught, taught_by
from netcorr.speed.calibration import BY_BEYOND
from netcorr.units import format_count

if TYPE_CHECKING:
    from netcorr.delay.evidence import DelayEvidence
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.position.network.linear import Measured, Name
    from netcorr.position.network.pipes import ReachedPipes
    from netcorr.position.planned import PlannedPair
    from netcorr.position.settings import LocateSettings
    from netcorr.position.sites import Site

#: Evidence of each pair, one for each round, with what is uncertain of the delay because of drift. [s]
Compared = Mapping[tuple[str, str], Sequence[tuple["DelayEvidence", float]]]

#: Of many pairs that are compared, at least so many hear noise from beyond both loggers, or it was chance.
FEWEST_OF_MANY, MANY = 2, 4


def learn_from_beyond(
    network: PipeNetwork,
    sites: Sequence[Site],
    planned: Sequence[PlannedPair],
    compared: Compared,
    *,
    settings: LocateSettings,
) -> Taught:
    """Use noise from beyond both loggers of pairs, where it is clear, for clocks and speeds of all.

    Parameters
    ----------
    network : PipeNetwork
        The map.
    sites : sequence of Site
        Where the loggers stand.
    planned : sequence of PlannedPair
        Pairs that were compared.
    compared : mapping
        Their evidence, by names of the loggers.
    settings : LocateSettings
        Speeds and standard deviations as they were known before.

    Returns
    -------
    Taught
        The settings as they were where nothing of the kind is heard clearly.
    """
    found: list[tuple[PlannedPair, tuple[Measured, Measured], int]] = []
    pipes: ReachedPipes | None = None
    for pair in planned:
        for evidence, drift_sd_s in compared.get((pair.a.logger, pair.b.logger), ()):
            noise = end_noise(evidence, pair.times, clock_sd_s=pair.times.clock_sd_s, drift_sd_s=drift_sd_s)
            if noise is None:
                continue
            if pipes is None:
                nodes = [node for one in planned for node in _ends(one)]
                pipes = pipes_within_reach(network, nodes, settings=settings)
            delays = as_delays(noise, _in_way(pair, pipes), drift_sd_s=drift_sd_s)
            found.append((pair, delays, noise.round_number))
    fewest = FEWEST_OF_MANY if len(planned) >= MANY else 1
    if pipes is None or len({id(pair) for pair, _, _ in found}) < fewest:
        return Taught(settings)
    rounds = {number for _, _, number in found}
    prior = _priors(pipes, sites, [pair for pair, _, _ in found], rounds, settings=settings)
    kept = agreeing([delays for _, delays, _ in found], prior)
    hearing = {id(pair) for pair, delays, _ in found if any(delays is one for one in kept)}
    if len(hearing) < fewest:
        return Taught(settings)
    measured = [one for delays in kept for one in delays]
    taught = taught_by(
        learn(prior, measured),
        measured,
        pipes,
        sites,
        settings=settings,
        source=BY_BEYOND,
        rounds=rounds,
    )
    who = f"{format_count(len(hearing), 'pair')} of loggers {'hears' if len(hearing) == 1 else 'hear'}"
    note = f"{who} noise from beyond both, which tells their travel times and their clocks"
    return Taught(taught.settings, taught.clocks, taught.scales, (note, *taught.notes))


def _ends(pair: PlannedPair) -> tuple[int, int]:
    """Nodes at which the two loggers hear the mains."""
    return pair.path.segments[0].from_node, pair.path.segments[-1].to_node


def _in_way(pair: PlannedPair, pipes: ReachedPipes) -> dict[Name, float]:
    """Time in each group and main between the two loggers. [s]"""
    main_of = {str(one["pipe_id"]): int(number) for one, number in zip(pipes.data, pipes.pipe, strict=True)}
    parts: dict[Name, float] = defaultdict(float)
    for segment, speed in zip(pair.path.segments, pair.speeds, strict=True):
        taken_s = segment.length_m / speed.speed_m_s
        parts["group", pipes.groups.index(speed.group)] += taken_s
        parts["main", main_of[segment.pipe_id]] += taken_s
    return dict(parts)


def _priors(
    pipes: ReachedPipes,
    sites: Sequence[Site],
    pairs: Sequence[PlannedPair],
    rounds: set[int],
    *,
    settings: LocateSettings,
) -> dict[Name, float]:
    """Standard deviations of all unknowns before."""
    prior = clock_priors(sites, sorted(rounds), settings=settings)
    shares = group_shares(pipes)
    prior |= {("group", number): float(share) for number, share in enumerate(shares)}
    for number, own in zip(pipes.pipe.tolist(), pipes.own_share.tolist(), strict=True):
        share = math.hypot(own, settings.length_sd_share)
        prior["main", number] = max(share, prior.get(("main", number), 0.0))
    for pair in pairs:
        slowness = 1 / float(pair.times.speed_m_s[0])
        prior["length", pair.a.logger, pair.b.logger] = settings.length_sd_m * slowness
        for site, lead_s in ((pair.a, pair.times.lead_a_s), (pair.b, pair.times.lead_b_s)):
            model_s = math.sqrt(2) * settings.model_sd_m * slowness
            prior["lead", site.logger] = math.hypot(settings.lead_sd_share * lead_s, model_s)
    return prior
