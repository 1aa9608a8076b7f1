"""Rays of sound through the map's own pipes: what a source at one place sends into every pipe, and when.

A wave that meets a tee, a dead end or a change of pipe is split as `netcorr.speed.junction` says. The way
from a leak to a sensor is that from the sensor to the leak (reciprocity): rays are followed from sensors.
"""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Any

from netcorr.errors import SpeedError
from netcorr.speed import pipe_wall, pipe_wave_speed, water_at
from netcorr.speed.junction import relative_admittance, transmission, wave_loss_np_m

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.position.settings import LocateSettings

#: No more rays than so many are followed from each sensor, unless asked otherwise.
MOST_RAYS = 4000
#: Rays are timed to this. [s]
TIME_STEP_S = 1e-4
#: Bore of a pipe whose size the map does not say. [mm]
USUAL_MM = 150.0

#: Pipe in the direction of a wave: node where it sets out, node that it runs to, key.
DirectedEdge = tuple[int, int, int]
#: Time [s] and pressure of arrivals.
Arrivals = list[tuple[float, float]]


@dataclass(frozen=True)
class WavePipe:
    """What a wave feels of one edge of the graph.

    Attributes
    ----------
    travel_s : float
        Time from end to end. [s]
    kept : float
        Share of the pressure that is left at the other end.
    admittance : float
        Area over speed. [m s]
    """

    travel_s: float
    kept: float
    admittance: float


@dataclass(eq=False)
class Waves:
    """The pipes of a network as waves feel them, each looked up once.

    Attributes
    ----------
    network : PipeNetwork
        The map.
    frequency_hz : float
        In the middle of the band that matters, for the losses on the way. [Hz]
    settings : LocateSettings
        Water temperature.
    usual_m_s : float
        Wave speed where neither `speed_m_s` nor the map says one. [m/s]
    speed_m_s : mapping of DirectedEdge to float
        Wave speeds that are known, in either direction of a pipe. [m/s]
    pipes, splits, steps : dict
        What was looked up.
    """

    network: PipeNetwork
    frequency_hz: float
    settings: LocateSettings
    usual_m_s: float
    speed_m_s: Mapping[DirectedEdge, float] = field(default_factory=dict)
    pipes: dict[DirectedEdge, WavePipe] = field(default_factory=dict)
    splits: dict[DirectedEdge, list[tuple[DirectedEdge, float]]] = field(default_factory=dict)
    steps: dict[DirectedEdge, tuple[int, float, list[tuple[DirectedEdge, float]]]] = field(
        default_factory=dict
    )

    @cached_property
    def water_speed_m_s(self) -> float:
        """Speed of sound in the water of the mains. [m/s]"""
        return water_at(self.settings.temperature_c).speed_m_s

    def pipe(self, edge: DirectedEdge) -> WavePipe:
        """What a wave feels of a pipe."""
        if edge not in self.pipes:
            self.pipes[edge] = self._pipe(edge)
        return self.pipes[edge]

    def around(self, node: int) -> Iterator[DirectedEdge]:
        """Open pipes at a node, from it."""
        for _, other, key, data in self.network.graph.edges(node, keys=True, data=True):
            if data["is_open"]:
                yield node, other, key

    def onward(self, edge: DirectedEdge) -> list[tuple[DirectedEdge, float]]:
        """Pipes into which a wave at the end of one goes on or back, each with its share of the pressure."""
        if edge not in self.splits:
            back = (edge[1], edge[0], edge[2])
            others = [one for one in self.around(edge[1]) if one != back]
            through = transmission(self.pipe(edge).admittance, [self.pipe(one).admittance for one in others])
            self.splits[edge] = [(back, through - 1), *((one, through) for one in others)]
        return self.splits[edge]

    def through(self, edge: DirectedEdge) -> tuple[int, float, list[tuple[DirectedEdge, float]]]:
        """Steps of time that a pipe takes, the share of the pressure that it leaves, and `onward`."""
        if edge not in self.steps:
            pipe = self.pipe(edge)
            self.steps[edge] = (round(pipe.travel_s / TIME_STEP_S), pipe.kept, self.onward(edge))
        return self.steps[edge]

    def _pipe(self, edge: DirectedEdge) -> WavePipe:
        """Wave in one pipe."""
        data = self.network.edge(*edge)
        kind = _pipe_kind(data)
        bore_m, loss_factor, tabled_m_s = _material(*kind, temperature_c=self.settings.temperature_c)
        speed_m_s = self.speed_m_s.get(edge, self.speed_m_s.get((edge[1], edge[0], edge[2]), tabled_m_s))
        speed_m_s = self.usual_m_s if speed_m_s is None else speed_m_s
        loss_np_m = wave_loss_np_m(
            self.frequency_hz,
            speed_m_s=speed_m_s,
            water_speed_m_s=self.water_speed_m_s,
            wall_loss_factor=loss_factor,
        )
        return WavePipe(
            travel_s=data["length_m"] / speed_m_s,
            kept=math.exp(-loss_np_m * data["length_m"]),
            admittance=relative_admittance(bore_m=bore_m, speed_m_s=speed_m_s),
        )


def _pipe_kind(
    data: dict[str, Any],
) -> tuple[str | None, float | None, float | None, float | None, float | None]:
    """Material, size and wall [mm], year and measured speed [m/s] of an edge; None where the map lacks it."""
    numbers = (data[name] for name in ("diameter_mm", "wall_mm", "year", "wave_speed_m_s"))
    size_mm, wall_mm, year, speed_m_s = (None if one is None or math.isnan(one) else one for one in numbers)
    return data["material"], size_mm, wall_mm, year, speed_m_s


@lru_cache(maxsize=4096)
def _material(
    material: str | None,
    size_mm: float | None,
    wall_mm: float | None,
    year: float | None,
    speed_m_s: float | None,
    *,
    temperature_c: float,
) -> tuple[float, float, float | None]:
    """Bore [m], loss factor of the wall, and wave speed [m/s] by the tables; many pipes are of one kind."""
    try:
        wall = pipe_wall(material, size_mm, wall_mm=wall_mm, year=year)
        bore_m, loss_factor = wall.inside_diameter_m, wall.loss_factor
    except SpeedError:
        bore_m, loss_factor = (size_mm if size_mm and size_mm > 0 else USUAL_MM) / 1000, 0.0
    try:
        tabled = pipe_wave_speed(
            material,
            size_mm,
            wall_mm=wall_mm,
            year=year,
            temperature_c=temperature_c,
            wave_speed_m_s=speed_m_s,
        )
    except SpeedError:
        return bore_m, loss_factor, None
    return bore_m, loss_factor, tabled.speed_m_s


def trace_rays(
    waves: Waves,
    sensor: int,
    *,
    least: float,
    latest_s: float,
    least_share: float = 0.0,
    most: int = MOST_RAYS,
) -> dict[DirectedEdge, Arrivals]:
    """Waves that a source at a sensor sends into every pipe: directed edge to times and pressures.

    What a source at the sensor would send to a point is what a source at the point sends to the sensor.
    Rays that run into a pipe at the same time are one from there on.

    Parameters
    ----------
    waves : Waves
        The pipes.
    sensor : int
        Node of the network's graph.
    least : float
        Rays with less pressure than this are not followed; 1 sets out into every pipe at the sensor.
    latest_s : float
        Nor those that arrive later. [s]
    least_share : float
        Nor those with less than this share of the strongest that ran into the same pipe before.
    most : int
        No more than so many are followed, the earliest.

    Returns
    -------
    dict of DirectedEdge to Arrivals
        Rays as they run into each pipe, earliest first.
    """
    entered: dict[DirectedEdge, Arrivals] = {}
    strongest: dict[DirectedEdge, float] = {}
    waiting: dict[int, dict[DirectedEdge, float]] = {0: dict.fromkeys(waves.around(sensor), 1.0)}
    steps, last = [0], math.floor(latest_s / TIME_STEP_S + 1e-9)
    left = most
    # nothing arrives at most steps
    while steps and steps[0] <= last and left:
        step = heapq.heappop(steps)
        pressures = waiting.pop(step)
        while pressures and left:
            edge, pressure = pressures.popitem()
            left -= 1
            so_far = strongest.get(edge, 0.0)
            if abs(pressure) < max(least, least_share * so_far):
                continue
            strongest[edge] = max(abs(pressure), so_far)
            entered.setdefault(edge, []).append((step * TIME_STEP_S, pressure))
            takes, kept, splits = waves.through(edge)
            # what takes no time at all is part of this step
            if takes and step + takes not in waiting:
                waiting[step + takes] = {}
                heapq.heappush(steps, step + takes)
            then = waiting[step + takes] if takes else pressures
            pressure *= kept
            for onward, factor in splits:
                then[onward] = then.get(onward, 0.0) + pressure * factor
    return entered
