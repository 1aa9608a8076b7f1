"""Ways by which the sound of a leak reaches two sensors on the map's own pipes: direct, and thrown back.

A wave that meets a tee, a dead end or a change of pipe is split (`netcorr.position.rays`). Where a branch is
larger than its main, what it throws back can be louder than what comes directly, and the delay that the
recordings show is then not that of the direct wave. For a leak at every point of the path the strongest pairs
of ways, one to A and one to B, are listed with their delay and strength.

The way from a leak to a sensor is the way from the sensor to the leak (reciprocity), so rays are followed
from the two sensors alone; within a segment of the path every arrival moves evenly with the leak.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from netcorr.path.branches import path_edges
from netcorr.position.rays import Waves, trace_rays

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.path.correlation_path import CorrelationPath
    from netcorr.position.rays import Arrivals, DirectedEdge
    from netcorr.position.settings import LocateSettings
    from netcorr.position.travel import PathTimes
    from netcorr.speed.wave_speed import WaveSpeed

#: Rays weaker than this share of the direct wave at the other sensor are not followed,
LEAST_AMPLITUDE = 0.2
#: nor later than the direct wave by more than so many times the longest delay that is searched.
LATEST = 2.0
#: Pairs of ways kept for each segment, and the least strength of one against the direct pair.
MOST_PAIRS = 16
LEAST_STRENGTH = 0.3
#: Of what the joints leave of an echo so much shows in the evidence: arrivals of one echo differ a little in
#: time, and high frequencies lose more on the detour (simulated streets with branches of twice the main).
ECHO_SHOWN = 0.8


@dataclass(frozen=True, eq=False)
class PathEchoes:
    """Pairs of ways from a leak at each point of a path to both sensors; the first is the direct one.

    Attributes
    ----------
    delay_s : numpy.ndarray
        Shape (k, n): arrival at B minus arrival at A by each pair of ways. [s]
    strength : numpy.ndarray
        Shape (k, n): product of both amplitudes over that of the direct pair, 0 or more; 0 where there is no
        such pair.
    """

    delay_s: NDArray[np.float64]
    strength: NDArray[np.float64]


def path_echoes(
    network: PipeNetwork,
    path: CorrelationPath,
    speeds: Sequence[WaveSpeed],
    *,
    times: PathTimes,
    frequency_hz: float,
    settings: LocateSettings,
) -> PathEchoes:
    """Strongest pairs of ways for a leak at every point of a path.

    Parameters
    ----------
    network : PipeNetwork
        The network in which the path was found.
    path : CorrelationPath
        From A to B.
    speeds : sequence of WaveSpeed
        One for each segment of `path`.
    times : PathTimes
        Of `path` with `speeds`; its points are used.
    frequency_hz : float
        In the middle of the band that carries the evidence, for the losses on the way. [Hz]
    settings : LocateSettings
        Water temperature.

    Returns
    -------
    PathEchoes
        On the points of `times`, the direct pair first.

    Raises
    ------
    PathError
        If the path is not one of this network.

    References
    ----------
    Wylie, E. B. and Streeter, V. L. (1993). Fluid Transients in Systems. Prentice Hall.
    """
    waves = Waves(network, frequency_hz, settings, speeds[0].speed_m_s)
    keys = dict(path_edges(network, path))
    edges = [(s.from_node, s.to_node, keys[frozenset((s.from_node, s.to_node))]) for s in path.segments]
    back = [(v, u, key) for u, v, key in edges]
    latest_s = times.travel_time_s + LATEST * times.longest_delay_s
    from_a, from_b = (
        trace_rays(waves, way[0][0], least=LEAST_AMPLITUDE * _direct(waves, way), latest_s=latest_s)
        for way in (edges, back[::-1])
    )
    ends_m = np.cumsum([segment.length_m for segment in path.segments])
    which = np.minimum(np.searchsorted(ends_m, times.position_m, side="right"), len(path.segments) - 1)
    delay_s = np.repeat(times.delay_s[None, :], 1 + MOST_PAIRS, axis=0)
    strength = np.zeros_like(delay_s)
    strength[0] = 1.0
    for i, edge in enumerate(edges):
        here = np.flatnonzero(which == i)
        heard = [(from_a.get(way, []), from_b.get(way, [])) for way in (edge, back[i])]
        length_s = path.segments[i].length_m / speeds[i].speed_m_s
        to_b_s = (ends_m[i] - times.position_m[here]) / speeds[i].speed_m_s
        to_end_s = (length_s - to_b_s, to_b_s)
        row = 0
        for pair in _strongest_pairs(heard):
            extra_s = to_end_s[pair.end_b] - to_end_s[1] - (to_end_s[pair.end_a] - to_end_s[0])
            by_pair_s = times.delay_s[here] + pair.extra_s + extra_s
            # what lies outside the search range cannot be the peak that is found in it
            inside = np.abs(by_pair_s) <= times.longest_delay_s
            if row == MOST_PAIRS or not inside.any():
                continue
            row += 1
            lost = waves.pipe(edge).kept ** ((to_end_s[pair.end_a] + to_end_s[pair.end_b]) / length_s - 1)
            delay_s[row, here] = by_pair_s
            strength[row, here] = np.where(inside, pair.share * lost, 0.0)
    used = 1 + int(np.flatnonzero(strength.any(axis=1)).max())
    return PathEchoes(delay_s[:used], strength[:used])


def _direct(waves: Waves, way: Sequence[DirectedEdge]) -> float:
    """Pressure of the direct wave as it runs into the last pipe of a path."""
    pressure = 1.0
    for edge, onward in itertools.pairwise(way):
        pressure *= waves.pipe(edge).kept * dict(waves.onward(edge))[onward]
    return pressure


@dataclass(frozen=True)
class _Pair:
    """A way to A and a way to B, each by one end of the segment (0 nearer A, 1 nearer B)."""

    end_a: int
    end_b: int
    extra_s: float
    share: float


def _strongest_pairs(heard: Sequence[tuple[Arrivals, Arrivals]]) -> list[_Pair]:
    """Pairs of ways beside the direct one, strongest first, by what both ends of a segment send."""
    if not heard[0][0] or not heard[1][1]:
        return []  # so little comes directly that nothing can be said
    direct_a, direct_b = min(heard[0][0]), min(heard[1][1])
    pairs: list[_Pair] = []
    for end_a, end_b in itertools.product((0, 1), (0, 1)):
        a, b = (np.array(one).reshape(-1, 2) for one in (heard[end_a][0], heard[end_b][1]))
        share = ECHO_SHOWN * np.abs(np.outer(a[:, 1] / direct_a[1], b[:, 1] / direct_b[1]))
        extra_s = (b[:, 0] - direct_b[0])[None, :] - (a[:, 0] - direct_a[0])[:, None]
        for i, j in np.argwhere(share >= LEAST_STRENGTH).tolist():
            if (heard[end_a][0][i], heard[end_b][1][j], end_a, end_b) != (direct_a, direct_b, 0, 1):
                pairs.append(_Pair(end_a, end_b, float(extra_s[i, j]), float(share[i, j])))
    return sorted(pairs, key=lambda pair: -pair.share)
