"""Up to which frequency pipes let anything through to both sensors of a pair, wherever it comes from.

Plastic takes a share of the sound in every wavelength: of what is above a few hundred hertz nothing is left
after some hundred metres. A source anywhere loses, on its ways to A and to B together, at least what is lost
on the quietest way from A to B: one of the two sensors hears it with half of that or more gone.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import networkx as nx

from netcorr.delay.prepare import HIGHEST_HZ
from netcorr.position.rays import Waves

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.path.correlation_path import CorrelationPath
    from netcorr.position.settings import LocateSettings

#: Sound that has lost more than this on the way to one of the sensors is not heard there: leaks are some tens
#: of decibels above what else is there (judgement). [dB]
INAUDIBLE_DB = 80.0
#: Speed of a pipe that the map says too little of: that of iron, which loses least. [m/s]
UNKNOWN_M_S = 1200.0
#: Pipes lose no less than this share of what the tables say (judgement; loss factors differ by half).
LEAST_LOSS = 0.5
DB_PER_NP = 20 / math.log(10)


def highest_audible_hz(network: PipeNetwork, path: CorrelationPath, *, settings: LocateSettings) -> float:
    """Frequency above which no source is heard by both sensors of a path.

    Parameters
    ----------
    network : PipeNetwork
        The map: sound may go by other ways than the path.
    path : CorrelationPath
        From A to B.
    settings : LocateSettings
        Water temperature.

    Returns
    -------
    float
        Infinite where all is let through that is looked at. [Hz]
    """
    waves = Waves(network, 1.0, settings, UNKNOWN_M_S)
    most = INAUDIBLE_DB / DB_PER_NP / (0.5 * LEAST_LOSS)
    ends = (path.segments[0].from_node, path.segments[-1].to_node)

    def lost(u: int, v: int, between: Mapping[Any, Mapping[str, Any]]) -> float | None:
        """Least loss from one node to the next, at 1 Hz; none where a valve is closed. [Np]"""
        open_ = [key for key, data in between.items() if data["is_open"]]
        return min((-math.log(waves.pipe((u, v, key)).kept) for key in open_), default=None)

    by_path = sum(
        min(
            -math.log(waves.pipe((s.from_node, s.to_node, key)).kept)
            for key in network.graph[s.from_node][s.to_node]
        )
        for s in path.segments
    )
    if by_path * HIGHEST_HZ <= most:
        return math.inf
    least = nx.dijkstra_path_length(network.graph, *ends, weight=lost)
    return most / least if least * HIGHEST_HZ > most else math.inf
