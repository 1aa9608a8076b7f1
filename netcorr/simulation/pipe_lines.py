"""From a network to the lines of the solver: the pipes within reach, cut at sources and sensors."""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import networkx as nx
import numpy as np
from scipy.interpolate import CubicSpline

from netcorr.errors import SimulationError
from netcorr.simulation.acoustics import Line, ResponseGrid, characteristic_impedance
from netcorr.simulation.setup import Place, SensorSetup, TrueSpeeds
from netcorr.speed.pipe import pipe_wall
from netcorr.speed.section import PipeWall
from netcorr.speed.soil import Soil
from netcorr.speed.water import Water, water_at
from netcorr.speed.wavenumber import TYPICAL_EXTRA_LOSS_FACTOR, pipe_wavenumber

if TYPE_CHECKING:
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.simulation.acoustics import Complex, Real

#: A point this near the end of a pipe is at its end. [m]
_AT_END_M = 1e-3
_KNOTS = 64
_LOWEST_HZ = 2.0
#: Frequency to which stated wave speeds and the elastic moduli of the materials belong. [Hz]
_SPEED_HZ = 100.0
#: Of the water; `TrueSpeeds` carries any difference. [deg C]
_WATER_C = 10.0


@dataclass(frozen=True)
class LocalPipes:
    """Lines of the part of a network within reach of the sensors and sources.

    Attributes
    ----------
    lines : tuple of Line
        Pipes and leads.
    terminations : dict of int to numpy.ndarray
        Admittance of what was cut off and of ends that take some of the sound, by node.
    source_nodes, sensor_nodes : tuple of int
        Nodes of the sources and of the sensors' points of contact, in the order given.
    """

    lines: tuple[Line, ...]
    terminations: dict[int, Complex]
    source_nodes: tuple[int, ...]
    sensor_nodes: tuple[int, ...]


def local_pipes(
    network: PipeNetwork,
    *,
    sensors: Sequence[SensorSetup],
    places: Sequence[Place],
    grid: ResponseGrid,
    speeds: TrueSpeeds,
    soil: Soil | None = None,
    reach_m: float = 300.0,
) -> LocalPipes:
    """Lines of all pipes within reach of a sensor or a source.

    Parameters
    ----------
    network : PipeNetwork
        The network; closed valves and mains out of service end the pipes on either side.
    sensors : sequence of SensorSetup
        The sensors.
    places : sequence of Place
        The sources.
    grid : ResponseGrid
        Frequencies.
    speeds : TrueSpeeds
        Factors on the wave speeds.
    soil : Soil, optional
        Around all pipes; none for pipes in air.
    reach_m : float
        Pipes that begin farther than this from all sensors and sources, along the pipes, are replaced by
        endless ones. [m]

    Returns
    -------
    LocalPipes
        Ready to be solved.

    Raises
    ------
    SimulationError
        If a place is not on an open pipe, or a sensor at none.
    SpeedError
        If a pipe within reach lacks material or diameter.
    """
    graph = network.graph
    stand = [network.node_of(sensor.fitting) for sensor in sensors]
    for place in places:
        _check_place(network, place)
    near = _nodes_in_reach(graph, {*stand, *(n for place in places for n in place.edge[:2])}, reach_m)
    model = _LineMaker(network=network, grid=grid, speeds=speeds, soil=soil)
    cuts = _new_nodes(network, places)
    lines: list[Line] = []
    terminations: dict[int, Complex] = {}
    for u, v, key, data in graph.edges(near, keys=True, data=True):
        if not data["is_open"]:
            continue
        if u in near and v in near:
            start, end = data["from_node"], data["to_node"]
            lines += model.pieces(data, start, end, cuts.inside.get(_ordered(u, v, key), []))
        else:
            node = u if u in near else v
            admittance = 1 / model.piece(data, u, v, 1.0).impedance_pa_s_m3
            terminations[node] = terminations.get(node, 0.0) + admittance
    contacts = []
    for i, (sensor, node) in enumerate(zip(sensors, stand, strict=True)):
        contacts.append(node if sensor.lead_m < _AT_END_M else -(1 + len(places) + i))
        if contacts[-1] != node:
            lines.append(model.lead(sensor, node, contacts[-1], graph))
            taken = (1 - sensor.lead_reflection) / (1 + sensor.lead_reflection)
            if taken:
                terminations[contacts[-1]] = taken / lines[-1].impedance_pa_s_m3
    return LocalPipes(tuple(lines), terminations, cuts.nodes, tuple(contacts))


@dataclass(frozen=True)
class _Cuts:
    nodes: tuple[int, ...]
    inside: dict[tuple[int, int, int], list[tuple[float, int]]]


def _ordered(u: int, v: int, key: int) -> tuple[int, int, int]:
    return (min(u, v), max(u, v), key)


def _new_nodes(network: PipeNetwork, places: Sequence[Place]) -> _Cuts:
    """Node of every place: an end of its pipe, or a new (negative) one inside it."""
    nodes: list[int] = []
    inside: dict[tuple[int, int, int], list[tuple[float, int]]] = {}
    for i, place in enumerate(places):
        data = network.edge(*place.edge)
        if place.offset_m < _AT_END_M:
            nodes.append(data["from_node"])
        elif place.offset_m > data["length_m"] - _AT_END_M:
            nodes.append(data["to_node"])
        else:
            here = inside.setdefault(_ordered(*place.edge), [])
            same = [node for offset_m, node in here if abs(offset_m - place.offset_m) < _AT_END_M]
            nodes.append(same[0] if same else -(1 + i))
            if not same:
                here.append((place.offset_m, nodes[-1]))
    return _Cuts(tuple(nodes), {edge: sorted(points) for edge, points in inside.items()})


def _check_place(network: PipeNetwork, place: Place) -> None:
    item = f"{network.source}, source on edge {place.edge}"
    data = network.edge(*place.edge) if network.graph.has_edge(*place.edge) else None
    if data is None or not data["is_open"]:
        raise SimulationError(item, found="no open pipe there", remedy="put sources on open pipes")
    if place.offset_m > data["length_m"] + _AT_END_M:
        raise SimulationError(
            item, found=f"offset {place.offset_m:.1f} m", remedy=f"the pipe is {data['length_m']:.1f} m long"
        )


def _nodes_in_reach(graph: nx.MultiGraph, centres: set[int], reach_m: float) -> set[int]:
    distances: Mapping[int, float] = nx.multi_source_dijkstra_path_length(
        graph, centres, cutoff=reach_m, weight=_open_length
    )
    return set(distances)


def _open_length(_u: int, _v: int, parallel: Mapping[int, Mapping[str, Any]]) -> float | None:
    """Length of the shortest open pipe between two nodes; None, where there is none, hides the edge."""
    return min((float(data["length_m"]) for data in parallel.values() if data["is_open"]), default=None)


@dataclass(frozen=True)
class _LineMaker:
    network: PipeNetwork
    grid: ResponseGrid
    speeds: TrueSpeeds
    soil: Soil | None

    def pieces(
        self, data: Mapping[str, Any], start: int, end: int, cuts: Sequence[tuple[float, int]]
    ) -> list[Line]:
        """One pipe as lines from `start` to `end`, cut at (offset, node)."""
        offsets = [0.0, *(offset_m for offset_m, _ in cuts), data["length_m"]]
        nodes = [start, *(node for _, node in cuts), end]
        return [
            self.piece(data, nodes[i], nodes[i + 1], offsets[i + 1] - offsets[i])
            for i in range(len(nodes) - 1)
        ]

    def piece(
        self, data: Mapping[str, Any], u: int, v: int, length_m: float, *, bore_mm: float | None = None
    ) -> Line:
        wall = pipe_wall(
            data["material"],
            data["diameter_mm"],
            wall_mm=data["wall_mm"],
            year=data["year"],
            item=f"{self.network.source}, pipe {data['pipe_id']}",
        )
        factor = self.speeds.factor(material=data["material"], pipe_id=data["pipe_id"])
        k, z = _wave(wall, float(data["wave_speed_m_s"]), factor, self.soil, self.grid)
        if bore_mm is not None:
            z = z * (wall.inside_diameter_m / (bore_mm / 1000)) ** 2
        return Line(u, v, max(length_m, _AT_END_M), k, z)

    def lead(self, sensor: SensorSetup, node: int, contact: int, graph: nx.MultiGraph) -> Line:
        mains = [data for _, _, data in graph.edges(node, data=True) if data["is_open"]]
        if not mains:
            raise SimulationError(
                f"{self.network.source}, fitting {sensor.fitting}",
                found="no open pipe at it",
                remedy="put sensors on open pipes",
            )
        main = max(mains, key=lambda data: data["length_m"])
        return self.piece(main, node, contact, sensor.lead_m, bore_mm=sensor.lead_diameter_mm)


@functools.lru_cache(maxsize=64)
def _wave(
    wall: PipeWall, wave_speed_m_s: float, factor: float, soil: Soil | None, grid: ResponseGrid
) -> tuple[Complex, Complex]:
    """Wavenumber and impedance on the damped grid; a stated wave speed sets that of low frequency."""
    water = water_at(_WATER_C)
    frequency_hz = grid.frequency_hz
    knots_hz, at_knots = _slowness(wall, soil, water, float(frequency_hz[-1]))
    slowness = CubicSpline(np.log(knots_hz), at_knots)(np.log(np.maximum(frequency_hz, knots_hz[0])))
    if math.isfinite(wave_speed_m_s):
        at_reference = np.interp(_SPEED_HZ, knots_hz, at_knots.real)
        slowness = slowness / (at_reference * wave_speed_m_s)
    k = 2 * np.pi * frequency_hz * slowness / factor
    damped = grid.damped(k)
    area_m2 = np.pi * wall.inside_diameter_m**2 / 4
    z = characteristic_impedance(
        damped, angular_rad_s=grid.angular_rad_s, area_m2=area_m2, density_kg_m3=water.density_kg_m3
    )
    return damped, z


@functools.lru_cache(maxsize=256)
def _slowness(wall: PipeWall, soil: Soil | None, water: Water, top_hz: float) -> tuple[Real, Complex]:
    """Complex slowness k / w at a few frequencies, smooth enough to be interpolated. [s/m]

    A loss factor that does not change with frequency is not causal alone; with it goes a phase speed that
    grows as f to the power of the loss factor over pi (Kramers and Kronig).
    """
    knots_hz = np.geomspace(_LOWEST_HZ, top_hz, _KNOTS)
    omega = 2 * np.pi * knots_hz
    alone = pipe_wavenumber(knots_hz, wall, water=water, extra_loss_factor=TYPICAL_EXTRA_LOSS_FACTOR)
    whole = alone
    if soil is not None:
        whole = pipe_wavenumber(
            knots_hz, wall, soil=soil, water=water, extra_loss_factor=TYPICAL_EXTRA_LOSS_FACTOR
        )
    loss = -2 * alone.imag / alone.real
    return knots_hz, np.asarray(whole / omega * (knots_hz / _SPEED_HZ) ** (-loss / np.pi))
