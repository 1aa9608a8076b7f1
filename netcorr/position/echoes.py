"""Ways by which the sound of a leak reaches two sensors on the map's own pipes: direct, and thrown back.

A wave that meets a tee, a dead end or a change of pipe is split as `netcorr.speed.junction` says. Where a
branch is larger than its main, what it throws back can be louder than what comes directly, and the delay that
the recordings show is then not that of the direct wave. For a leak at every point of the path the strongest
pairs of ways, one to A and one to B, are listed with their delay and strength.

The way from a leak to a sensor is the way from the sensor to the leak (reciprocity), so rays are followed
from the two sensors alone; within a segment of the path every arrival moves evenly with the leak.
"""

from __future__ import annotations

import heapq
import itertools
import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from netcorr.errors import SpeedError
from netcorr.path.branches import path_edges
from netcorr.speed import pipe_wall, pipe_wave_speed, water_at
from netcorr.speed.junction import relative_admittance, transmission, wave_loss_np_m

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.path.correlation_path import CorrelationPath
    from netcorr.position.settings import LocateSettings
    from netcorr.position.travel import PathTimes
    from netcorr.speed.wave_speed import WaveSpeed

#: Rays weaker than this share of the direct wave at the other sensor are not followed,
LEAST_AMPLITUDE = 0.2
#: nor more than so many from each sensor,
MOST_RAYS = 4000
#: nor later than the direct wave by more than so many times the longest delay that is searched.
LATEST = 2.0
#: Rays are timed to this. [s]
TIME_STEP_S = 1e-4
#: Pairs of ways kept for each segment, and the least strength of one against the direct pair.
MOST_PAIRS = 16
LEAST_STRENGTH = 0.3
#: Of what the joints leave of an echo so much shows in the evidence: arrivals of one echo differ a little in
#: time, and high frequencies lose more on the detour (simulated streets with branches of twice the main).
ECHO_SHOWN = 0.8

#: Bore of a pipe whose size the map does not say. [mm]
USUAL_MM = 150.0

#: Pipe in the direction of a wave: node where it sets out, node that it runs to, key.
_Edge = tuple[int, int, int]


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


@dataclass(frozen=True)
class _Pipe:
    """What a wave feels of one edge of the graph."""

    travel_s: float
    kept: float
    admittance: float


@dataclass(eq=False)
class _Waves:
    """The pipes round a path as waves feel them, each looked up once."""

    network: PipeNetwork
    frequency_hz: float
    settings: LocateSettings
    usual: WaveSpeed
    pipes: dict[_Edge, _Pipe] = field(default_factory=dict)
    splits: dict[_Edge, list[tuple[_Edge, float]]] = field(default_factory=dict)

    @cached_property
    def water_speed_m_s(self) -> float:
        """Speed of sound in the water of the mains. [m/s]"""
        return water_at(self.settings.temperature_c).speed_m_s

    def pipe(self, edge: _Edge) -> _Pipe:
        if edge not in self.pipes:
            self.pipes[edge] = self._pipe(self.network.edge(*edge))
        return self.pipes[edge]

    def around(self, node: int) -> Iterator[_Edge]:
        """Open pipes at a node, from it."""
        for _, other, key, data in self.network.graph.edges(node, keys=True, data=True):
            if data["is_open"]:
                yield node, other, key

    def onward(self, edge: _Edge) -> list[tuple[_Edge, float]]:
        """Pipes into which a wave at the end of one goes on or back, each with its share of the pressure."""
        if edge not in self.splits:
            back = (edge[1], edge[0], edge[2])
            others = [one for one in self.around(edge[1]) if one != back]
            through = transmission(self.pipe(edge).admittance, [self.pipe(one).admittance for one in others])
            self.splits[edge] = [(back, through - 1), *((one, through) for one in others)]
        return self.splits[edge]

    def _pipe(self, data: dict[str, Any]) -> _Pipe:
        """Wave in one pipe; where the map does not say of what it is, as in the first pipe of the path."""
        wall_mm, year, size_mm = data["wall_mm"], data["year"], data["diameter_mm"]
        try:
            wall = pipe_wall(data["material"], size_mm, wall_mm=wall_mm, year=year)
            bore_m, loss_factor = wall.inside_diameter_m, wall.loss_factor
        except SpeedError:
            bore_m, loss_factor = (size_mm if size_mm > 0 else USUAL_MM) / 1000, 0.0
        try:
            speed_m_s = pipe_wave_speed(
                data["material"],
                size_mm,
                wall_mm=wall_mm,
                year=year,
                temperature_c=self.settings.temperature_c,
                wave_speed_m_s=data["wave_speed_m_s"],
            ).speed_m_s
        except SpeedError:
            speed_m_s = self.usual.speed_m_s
        loss_np_m = wave_loss_np_m(
            self.frequency_hz,
            speed_m_s=speed_m_s,
            water_speed_m_s=self.water_speed_m_s,
            wall_loss_factor=loss_factor,
        )
        return _Pipe(
            travel_s=data["length_m"] / speed_m_s,
            kept=math.exp(-loss_np_m * data["length_m"]),
            admittance=relative_admittance(bore_m=bore_m, speed_m_s=speed_m_s),
        )


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
    waves = _Waves(network, frequency_hz, settings, speeds[0])
    keys = dict(path_edges(network, path))
    edges = [(s.from_node, s.to_node, keys[frozenset((s.from_node, s.to_node))]) for s in path.segments]
    back = [(v, u, key) for u, v, key in edges]
    latest_s = times.travel_time_s + LATEST * times.longest_delay_s
    from_a, from_b = (
        _trace(waves, way[0][0], least=LEAST_AMPLITUDE * _direct(waves, way), latest_s=latest_s)
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


def _direct(waves: _Waves, way: Sequence[_Edge]) -> float:
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


#: Time and pressure of the arrivals at one sensor, strongest first.
_Arrivals = list[tuple[float, float]]


def _strongest_pairs(heard: Sequence[tuple[_Arrivals, _Arrivals]]) -> list[_Pair]:
    """Pairs of ways beside the direct one, strongest first, by what both ends of a segment send."""
    if not heard[0][0] or not heard[1][1]:
        return []  # so little comes directly that nothing can be said
    direct_a, direct_b = min(heard[0][0]), min(heard[1][1])
    pairs = [
        _Pair(
            end_a,
            end_b,
            extra_s=(b[0] - direct_b[0]) - (a[0] - direct_a[0]),
            share=ECHO_SHOWN * abs(a[1] * b[1] / (direct_a[1] * direct_b[1])),
        )
        for end_a in (0, 1)
        for end_b in (0, 1)
        for a in heard[end_a][0]
        for b in heard[end_b][1]
        if (a, b, end_a, end_b) != (direct_a, direct_b, 0, 1)
    ]
    strong = [pair for pair in pairs if pair.share >= LEAST_STRENGTH]
    return sorted(strong, key=lambda pair: -pair.share)


def _trace(waves: _Waves, sensor: int, *, least: float, latest_s: float) -> dict[_Edge, _Arrivals]:
    """Waves that a source at a sensor sends into every pipe: directed edge to times and pressures.

    What a source at the sensor would send to a point is what a source at the point sends to the sensor.
    Rays that run into a pipe at the same time are one from there on.
    """
    entered: dict[_Edge, _Arrivals] = {}
    pressures: dict[tuple[int, _Edge], float] = {(0, edge): 1.0 for edge in waves.around(sensor)}
    queue = list(pressures)
    heapq.heapify(queue)
    for _ in range(MOST_RAYS):
        if not queue:
            break
        step, edge = heapq.heappop(queue)
        pressure = pressures.pop((step, edge))
        if abs(pressure) < least:
            continue
        entered.setdefault(edge, []).append((step * TIME_STEP_S, pressure))
        pipe = waves.pipe(edge)
        arrives = step + round(pipe.travel_s / TIME_STEP_S)
        if arrives * TIME_STEP_S > latest_s:
            continue
        for onward, factor in waves.onward(edge):
            key = (arrives, onward)
            if key not in pressures:
                heapq.heappush(queue, key)
            pressures[key] = pressures.get(key, 0.0) + pressure * pipe.kept * factor
    return entered
