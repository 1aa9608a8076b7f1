"""What the weighing of a whole survey rests on: mains, ways from every sensor, evidence of every pair."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from netcorr.position.network.arrivals import network_arrivals
from netcorr.position.network.hearing import alone, pair_hearing
from netcorr.position.network.pipes import alike_in_groups, pipes_within_reach
from netcorr.position.network.times import sensor_times

if TYPE_CHECKING:
    from collections.abc import Sequence

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.position.fix import PairFix
    from netcorr.position.network.arrivals import NetworkArrivals
    from netcorr.position.network.hearing import PairHearing
    from netcorr.position.network.pipes import ReachedPipes
    from netcorr.position.network.times import SensorTimes
    from netcorr.position.settings import LocateSettings
    from netcorr.position.sites import Site
    from netcorr.position.travel import PathTimes


@dataclass(frozen=True, eq=False)
class NetworkEvidence:
    """What the weighing rests on.

    Attributes
    ----------
    pipes : ReachedPipes
        Mains within reach.
    sensors : tuple of SensorTimes
        Ways from each sensor.
    hearings : tuple of PairHearing
        Evidence of each pair.
    settings : LocateSettings
        Priors and standard deviations.
    arrivals : NetworkArrivals or None
        Rays from every sensor; None where only what comes directly is weighed.
    """

    pipes: ReachedPipes
    sensors: tuple[SensorTimes, ...]
    hearings: tuple[PairHearing, ...]
    settings: LocateSettings
    arrivals: NetworkArrivals | None = None


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
    heard = heard_sites(sites, pairs)
    number = {site.logger: k for k, site in enumerate(heard)}
    nodes = [_node(network, site.fitting, pairs) for site in heard]
    pipes = pipes_within_reach(network, nodes, settings=settings)
    if len(pairs) > 1:  # a pair alone goes by the tables, as its own answer does
        pipes = alike_in_groups(pipes)
    sensors = sensor_times(pipes, nodes, lead_m=[site.lead_m for site in heard])
    hearings = tuple(
        pair_hearing(number[fix.logger_a], number[fix.logger_b], fix.evidence, clock_sd_s=times.clock_sd_s)
        for fix, times in pairs
    )
    if len(pairs) == 1:
        [(fix, times)] = pairs
        hearings = (alone(hearings[0], fix.evidence, times=times, settings=settings),)
        return NetworkEvidence(pipes, sensors, hearings, settings)
    frequency_hz = float(np.median([np.mean(one.band_hz) for fix, _ in pairs for one in fix.evidence]))
    arrivals = network_arrivals(network, pipes, sensors, frequency_hz=frequency_hz, settings=settings)
    return NetworkEvidence(pipes, sensors, hearings, settings, arrivals)


def heard_sites(sites: Sequence[Site], pairs: Sequence[tuple[PairFix, PathTimes]]) -> list[Site]:
    """Sites of loggers that are part of a pair, in the order in which sensors are numbered.

    Parameters
    ----------
    sites : sequence of Site
        All loggers.
    pairs : sequence of (PairFix, PathTimes)
        Pairs that were compared.

    Returns
    -------
    list of Site
        Those that heard something with another.
    """
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
