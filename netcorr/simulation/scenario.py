"""Random streets for tests and benchmarks: a main between two loggers, its branches, and the leak."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import networkx as nx
import numpy as np

from netcorr.errors import SimulationError
from netcorr.layers.network_layers import NetworkLayers
from netcorr.network.build import build_network
from netcorr.simulation.setup import LEAK_SPECTRUM, LeakSource, Place, SensorSetup, Spectrum, TrueSpeeds
from netcorr.simulation.street import MaterialMix, draw_street

if TYPE_CHECKING:
    from netcorr.network.pipe_network import PipeNetwork

#: End of the street, or the pipe between.
Side = Literal["A", "B"]


@dataclass(frozen=True, eq=False)
class Scenario:
    """A street with two fittings to put loggers on.

    Attributes
    ----------
    network : PipeNetwork
        Built from `layers`, and also the truth: what is drawn is what is there.
    layers : NetworkLayers
        The map.
    fitting_a, fitting_b : str
        Asset ids of the two fittings.
    lead_a_m, lead_b_m : float
        Pipe between main and point of contact. [m]
    material_mix : {'metal', 'mixed', 'plastic'}
        Of the pipe between them.
    """

    network: PipeNetwork
    layers: NetworkLayers
    fitting_a: str
    fitting_b: str
    lead_a_m: float
    lead_b_m: float
    material_mix: MaterialMix

    @property
    def path(self) -> tuple[tuple[int, int, int], ...]:
        """Edges from A to B, each as (node nearer A, node nearer B, key)."""
        return _path(self.network, self.network.node_of(self.fitting_a), self.network.node_of(self.fitting_b))

    @property
    def length_m(self) -> float:
        """Length of main between the two fittings. [m]"""
        return math.fsum(self.network.edge(*edge)["length_m"] for edge in self.path)


@dataclass(frozen=True)
class DrawnLeak:
    """A leak and the answer to it.

    Attributes
    ----------
    source : LeakSource
        To simulate.
    from_a_m : float
        Distance from A along the main: of the leak; of the tee, when it is on a branch; 0 or the whole
        length, when it is beyond a sensor. [m]
    side : {'between', 'A', 'B'}
        Between the sensors, or beyond one of them.
    """

    source: LeakSource
    from_a_m: float
    side: Literal["between", "A", "B"] = "between"


def random_street(
    rng: np.random.Generator,
    *,
    material_mix: MaterialMix,
    length_range_m: tuple[float, float] = (40.0, 220.0),
) -> Scenario:
    """Draw a street: pieces of main, bends, one to four branches, mains going on beyond both loggers.

    Parameters
    ----------
    rng : numpy.random.Generator
        Everything random comes from it.
    material_mix : {'metal', 'mixed', 'plastic'}
        Iron and steel; two or more kinds of pipe between the loggers; PVC and polyethylene.
    length_range_m : (float, float), default (40, 220)
        Length of main between the loggers is drawn evenly from this range. [m]

    Returns
    -------
    Scenario
        The street. It has no loops, so a leak beyond a logger reaches the other one only past it.

    Raises
    ------
    SimulationError
        If the shortest length is below 20 m or above the longest.
    """
    if not 20 <= length_range_m[0] <= length_range_m[1]:
        raise SimulationError(
            "random street", found=f"lengths {length_range_m} m", remedy="give 20 m or more, low before high"
        )
    street = draw_street(rng, material_mix=material_mix, length_m=float(rng.uniform(*length_range_m)))
    return Scenario(
        network=build_network(street.layers),
        layers=street.layers,
        fitting_a="A",
        fitting_b="B",
        lead_a_m=street.leads_m[0],
        lead_b_m=street.leads_m[1],
        material_mix=material_mix,
    )


def leak_between(
    scenario: Scenario,
    rng: np.random.Generator,
    *,
    margin_m: float = 3.0,
    spectrum: Spectrum = LEAK_SPECTRUM,
) -> DrawnLeak:
    """Draw a leak evenly along the main between the loggers.

    Parameters
    ----------
    scenario : Scenario
        The street.
    rng : numpy.random.Generator
        Source of chance.
    margin_m : float, default 3
        Least distance from either logger. [m]
    spectrum : Spectrum, optional
        Of the leak.

    Returns
    -------
    DrawnLeak
        The leak and its distance from A.

    Raises
    ------
    SimulationError
        If the loggers are nearer than twice the margin.
    """
    length_m = scenario.length_m
    if length_m <= 2 * margin_m:
        raise SimulationError(
            "leak between the loggers",
            found=f"{length_m:.1f} m of main and a margin of {margin_m} m",
            remedy="give a smaller margin",
        )
    from_a_m = float(rng.uniform(margin_m, length_m - margin_m))
    place = _along(scenario.network, scenario.path, from_a_m)
    return DrawnLeak(LeakSource(place, spectrum), from_a_m)


def leak_beyond(
    scenario: Scenario,
    rng: np.random.Generator,
    *,
    side: Side,
    range_m: tuple[float, float] = (3.0, 60.0),
    spectrum: Spectrum = LEAK_SPECTRUM,
) -> DrawnLeak:
    """Draw a leak on the main that goes on beyond a logger.

    Parameters
    ----------
    scenario : Scenario
        The street.
    rng : numpy.random.Generator
        Source of chance.
    side : {'A', 'B'}
        Beyond which logger.
    range_m : (float, float), default (3, 60)
        Distance from it, less where the main is shorter. [m]
    spectrum : Spectrum, optional
        Of the leak.

    Returns
    -------
    DrawnLeak
        The leak; all its sound passes the logger on its way to the other.

    Raises
    ------
    SimulationError
        If no main goes on there.
    """
    network = scenario.network
    here = network.node_of(scenario.fitting_a if side == "A" else scenario.fitting_b)
    beyond = _beyond(network, here, {frozenset(edge[:2]) for edge in scenario.path})
    length_m = math.fsum(network.edge(*edge)["length_m"] for edge in beyond)
    if length_m <= range_m[0]:
        raise SimulationError(
            f"leak beyond {side}", found=f"{length_m:.1f} m of main there", remedy="choose another street"
        )
    away_m = float(rng.uniform(range_m[0], min(range_m[1], length_m)))
    place = _along(network, beyond, away_m)
    return DrawnLeak(LeakSource(place, spectrum), 0.0 if side == "A" else scenario.length_m, side)


def leak_on_branch(
    scenario: Scenario, rng: np.random.Generator, *, spectrum: Spectrum = LEAK_SPECTRUM
) -> DrawnLeak | None:
    """Draw a leak on a branch that leaves the main between the loggers.

    Parameters
    ----------
    scenario : Scenario
        The street.
    rng : numpy.random.Generator
        Source of chance.
    spectrum : Spectrum, optional
        Of the leak.

    Returns
    -------
    DrawnLeak or None
        The leak and the distance of its tee from A; None when the street has no branch there.
    """
    network, path = scenario.network, scenario.path
    on_path = {frozenset(edge[:2]) for edge in path}
    tees: list[tuple[float, tuple[int, int, int]]] = []
    from_a_m = 0.0
    for u, v, key in path[:-1]:
        from_a_m += network.edge(u, v, key)["length_m"]
        branches = [(v, w, k) for _, w, k in network.graph.edges(v, keys=True)]
        tees += [(from_a_m, edge) for edge in branches if frozenset(edge[:2]) not in on_path]
    if not tees:
        return None
    tee_m, branch = tees[int(rng.integers(len(tees)))]
    length_m = network.edge(*branch)["length_m"]
    away_m = float(rng.uniform(min(2.0, length_m / 2), min(60.0, length_m)))
    return DrawnLeak(LeakSource(_along(network, [branch], away_m), spectrum), tee_m)


def pair_of_sensors(
    scenario: Scenario,
    rng: np.random.Generator,
    *,
    clock_sd_s: float = 0.0,
    unlike: bool = True,
    noise_spread_db: float = 0.0,
    sample_rate_hz: float = 4000.0,
) -> tuple[SensorSetup, SensorSetup]:
    """Put a logger on either fitting of a street.

    Parameters
    ----------
    scenario : Scenario
        The street.
    rng : numpy.random.Generator
        Source of chance.
    clock_sd_s : float, default 0
        Standard deviation of either clock. [s]
    unlike : bool, default True
        Whether the mountings differ in gain and resonance.
    noise_spread_db : float, default 0
        Standard deviation of the ambient level between places. [dB]
    sample_rate_hz : float, default 4000
        Of both. [Hz]

    Returns
    -------
    (SensorSetup, SensorSetup)
        At A and at B.
    """
    places = (
        ("logger A", scenario.fitting_a, scenario.lead_a_m),
        ("logger B", scenario.fitting_b, scenario.lead_b_m),
    )
    a, b = (
        SensorSetup(
            logger=logger,
            fitting=fitting,
            lead_m=lead_m,
            gain=float(10 ** (rng.normal(0, 3) / 20)) if unlike else 1.0,
            resonance_hz=float(rng.uniform(900, 3000)) if unlike else None,
            resonance_q=float(rng.uniform(2, 6)),
            clock_error_s=float(rng.normal(0, clock_sd_s)),
            noise_level_db=float(rng.normal(0, noise_spread_db)),
            sample_rate_hz=sample_rate_hz,
        )
        for logger, fitting, lead_m in places
    )
    return a, b


def draw_speeds(
    network: PipeNetwork, rng: np.random.Generator, *, common_sd: float, pipe_sd: float
) -> TrueSpeeds:
    """Draw how the true wave speeds differ from those of material and size.

    Parameters
    ----------
    network : PipeNetwork
        The network.
    rng : numpy.random.Generator
        Source of chance.
    common_sd : float
        Relative standard deviation of the factor that all pipes of a material share.
    pipe_sd : float
        Relative standard deviation of the further factor of each main.

    Returns
    -------
    TrueSpeeds
        The factors.
    """
    edges = [data for _, _, data in network.graph.edges(data=True)]
    materials = sorted({str(data["material"]) for data in edges})
    pipes = sorted({str(data["pipe_id"]) for data in edges})
    return TrueSpeeds(
        by_material={name: float(np.exp(rng.normal(0, common_sd))) for name in materials},
        by_pipe={name: float(np.exp(rng.normal(0, pipe_sd))) for name in pipes},
    )


def _path(network: PipeNetwork, start: int, end: int) -> tuple[tuple[int, int, int], ...]:
    nodes = nx.shortest_path(network.graph, start, end, weight="length_m")
    return tuple((u, v, _shortest_key(network, u, v)) for u, v in itertools.pairwise(nodes))


def _shortest_key(network: PipeNetwork, u: int, v: int) -> int:
    between: Mapping[int, dict[str, Any]] = network.graph[u][v]
    return min(between, key=lambda key: float(between[key]["length_m"]))


def _along(network: PipeNetwork, path: Sequence[tuple[int, int, int]], distance_m: float) -> Place:
    """Point a distance along edges that follow one another."""
    left_m = distance_m
    for edge in path:
        data = network.edge(*edge)
        if left_m <= data["length_m"]:
            forward = edge[0] == data["from_node"]
            return Place(edge, left_m if forward else data["length_m"] - left_m)
        left_m -= data["length_m"]
    return Place(path[-1], data["length_m"] if forward else 0.0)


def _beyond(network: PipeNetwork, node: int, taken: set[frozenset[int]]) -> list[tuple[int, int, int]]:
    """Edges that go on from a node to the far end of its own main, away from those taken."""
    edges: list[tuple[int, int, int]] = []
    seen = set(taken)
    while True:
        onward = [
            (node, other, key)
            for _, other, key in network.graph.edges(node, keys=True)
            if frozenset((node, other)) not in seen
        ]
        if not onward:
            return edges
        same = [
            e for e in onward if edges and network.edge(*e)["pipe_id"] == network.edge(*edges[-1])["pipe_id"]
        ]
        edges.append((same or onward)[0])
        seen.add(frozenset(edges[-1][:2]))
        node = edges[-1][1]
