"""The mains within reach of the sensors of a survey, as arrays: what a wave needs of each piece of pipe."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import networkx as nx
import numpy as np

from netcorr.errors import SpeedError
from netcorr.path.correlation_path import CorrelationPath, PathSegment
from netcorr.position.pair import path_speeds
from netcorr.speed.wave_speed import WaveSpeed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.position.settings import LocateSettings

#: Of what the tables leave open of a speed a pipe has no more than this share of the speed to itself where
#: many of its material are within reach: which class of wall it is, and how the trench grips it, is mostly
#: alike for all of them (judgement: what lies in one district was mostly bought and laid alike).
MOST_OWN_SHARE = 0.03
#: Spread of the speed of a pipe whose material or size the map does not say, as a share of it: iron for
#: asbestos cement is 20 %, and for plastic nothing holds (judgement).
UNKNOWN_SHARE = 0.15
#: Group of such pipes.
UNKNOWN_GROUP = "unknown"
#: Speed of such a pipe where no other is known. [m/s]
UNKNOWN_M_S = 1200.0

#: Edge of the network's graph: its two nodes and its key.
Edge = tuple[int, int, int]


@dataclass(frozen=True, eq=False)
class ReachedPipes:
    """Open pieces of main within reach, numbered from 0, and the nodes that they join.

    Attributes
    ----------
    edges : tuple of (int, int, int)
        Edge of the graph of each piece, drawn from its first node.
    nodes : numpy.ndarray
        Shape (n,): nodes of the graph.
    ends : numpy.ndarray
        Shape (p, 2): rows of `nodes` at which each piece begins and ends.
    length_m, speed_m_s : numpy.ndarray
        Shape (p,). [m], [m/s]
    group : numpy.ndarray
        Shape (p,): row of `groups`: pipes that share the common part of the error of their speeds.
    pipe : numpy.ndarray
        Shape (p,): number of the main that it is a piece of.
    common_share, own_share : numpy.ndarray
        Shape (p,): parts of the standard deviation of the speed, as shares of it.
    groups : tuple of str
        Names of the groups.
    data : tuple of dict
        Attributes of each edge.
    assumed : tuple of str
        What was assumed of pipes that no pair's path runs along, one sentence each.
    """

    edges: tuple[Edge, ...]
    nodes: NDArray[np.int64]
    ends: NDArray[np.int64]
    length_m: NDArray[np.float64]
    speed_m_s: NDArray[np.float64]
    group: NDArray[np.int64]
    pipe: NDArray[np.int64]
    common_share: NDArray[np.float64]
    own_share: NDArray[np.float64]
    groups: tuple[str, ...]
    data: tuple[dict[str, Any], ...]
    assumed: tuple[str, ...] = ()

    @property
    def travel_s(self) -> NDArray[np.float64]:
        """Shape (p,): time that a wave takes from end to end. [s]"""
        return self.length_m / self.speed_m_s

    @property
    def time_shares(self) -> NDArray[np.float64]:
        """Shape (g,): share of each group in the time that a wave takes through all pieces."""
        time_s = np.bincount(self.group, self.travel_s, minlength=len(self.groups))
        return np.asarray(time_s / time_s.sum(), dtype=np.float64)

    @cached_property
    def entries(self) -> dict[Edge, list[tuple[int, int]]]:
        """For each edge in the direction of a wave the piece that it runs into, and by which end, 0 or 1."""
        found: dict[Edge, list[tuple[int, int]]] = {}
        for row, (u, v, key) in enumerate(self.edges):
            found.setdefault((u, v, key), []).append((row, 0))
            found.setdefault((v, u, key), []).append((row, 1))
        return found

    def row_of(self, node: int) -> int:
        """Row of a node of the graph in `nodes`."""
        row = int(np.searchsorted(self.nodes, node))
        if row >= self.nodes.size or self.nodes[row] != node:
            raise KeyError(node)
        return row


def pipes_within_reach(
    network: PipeNetwork, nodes: Sequence[int], *, settings: LocateSettings
) -> ReachedPipes:
    """Cut out what lies within reach of the sensors, with the wave speed of every piece.

    Parameters
    ----------
    network : PipeNetwork
        The map; what lies beyond reach is not looked at.
    nodes : sequence of int
        Nodes at which the sensors hear the mains.
    settings : LocateSettings
        Reach, water temperature.

    Returns
    -------
    ReachedPipes
        All open pieces of which one end is within reach.
    """
    graph = network.graph
    found = nx.multi_source_dijkstra_path_length(
        graph, set(nodes), cutoff=settings.reach_m, weight=_open_length
    )
    edges: list[Edge] = []
    seen: set[tuple[frozenset[int], int]] = set()
    for u in found:
        for _, v, key, data in graph.edges(u, keys=True, data=True):
            name = (frozenset((u, v)), key)
            if data["is_open"] and data["length_m"] > 0 and u != v and name not in seen:
                seen.add(name)
                along = data["from_node"] == u and data["to_node"] == v
                edges.append((u, v, key) if along else (v, u, key))
    edges.sort()
    data = tuple(network.edge(*edge) for edge in edges)
    speeds, assumed = _speeds(network, data, settings=settings)
    all_nodes = np.unique(np.array([edge[:2] for edge in edges], dtype=np.int64))
    groups = tuple(dict.fromkeys(speed.group for speed in speeds))
    mains = {pipe: number for number, pipe in enumerate(dict.fromkeys(one["pipe_id"] for one in data))}
    speed_m_s = np.array([speed.speed_m_s for speed in speeds])
    return ReachedPipes(
        edges=tuple(edges),
        nodes=all_nodes,
        ends=np.searchsorted(all_nodes, np.array([edge[:2] for edge in edges], dtype=np.int64)),
        length_m=np.array([float(one["length_m"]) for one in data]),
        speed_m_s=speed_m_s,
        group=np.array([groups.index(speed.group) for speed in speeds], dtype=np.int64),
        pipe=np.array([mains[one["pipe_id"]] for one in data], dtype=np.int64),
        common_share=np.array([speed.common_sd_m_s for speed in speeds]) / speed_m_s,
        own_share=np.array([speed.pipe_sd_m_s for speed in speeds]) / speed_m_s,
        groups=groups,
        data=data,
        assumed=assumed,
    )


def alike_in_groups(pipes: ReachedPipes) -> ReachedPipes:
    """Put what the tables leave open down to all pipes of a group alike, but for a small share.

    Parameters
    ----------
    pipes : ReachedPipes
        With what the tables say of each pipe by itself.

    Returns
    -------
    ReachedPipes
        Every speed is as uncertain as before. Pipes of unknown material stay as they are.
    """
    known = np.array([group != UNKNOWN_GROUP for group in pipes.groups], dtype=bool)[pipes.group]
    own = np.where(known, np.minimum(pipes.own_share, MOST_OWN_SHARE), pipes.own_share)
    common = np.sqrt(pipes.common_share**2 + pipes.own_share**2 - own**2)
    return replace(pipes, common_share=common, own_share=own)


def _open_length(_u: int, _v: int, edges: dict[int, dict[str, Any]]) -> float | None:
    """Length of the shortest open edge between two nodes, None where all are closed. [m]"""
    return min((float(e["length_m"]) for e in edges.values() if e["is_open"]), default=None)


def _speeds(
    network: PipeNetwork, data: Sequence[dict[str, Any]], *, settings: LocateSettings
) -> tuple[list[WaveSpeed], tuple[str, ...]]:
    """Wave speed of every piece; one whose material is not known is taken to be like the others."""
    known: dict[tuple[Any, ...], WaveSpeed | None] = {}
    found: list[WaveSpeed | None] = []
    for one in data:
        measured = one["pipe_id"] if one["pipe_id"] in settings.main_speeds else ""
        key = (measured, *(repr(one.get(name)) for name in _DECIDE))
        if key not in known:
            known[key] = _speed(network, one, settings=settings)
        found.append(known[key])
    certain = [speed for speed in found if speed is not None]
    missing = sorted({str(one["pipe_id"]) for one, speed in zip(data, found, strict=True) if speed is None})
    usual = _usual(certain)
    note: tuple[str, ...] = ()
    if missing:
        some = ", ".join(missing[:4]) + (f" and {len(missing) - 4} more" if len(missing) > 4 else "")
        note = (
            f"the map does not say of what {some} are made: a wave speed of {usual.speed_m_s:.0f} m/s was "
            f"taken for them, give or take {100 * UNKNOWN_SHARE:.0f} %",
        )
    return [speed or usual for speed in found], note


_OF_SEGMENT = tuple(one.name for one in fields(PathSegment))
_DECIDE = tuple({*_OF_SEGMENT} - {"pipe_id", "geometry", "from_node", "to_node", "length_m", "material_text"})


def _speed(network: PipeNetwork, data: dict[str, Any], *, settings: LocateSettings) -> WaveSpeed | None:
    """Wave speed of one edge by the rules of a path."""
    values: dict[str, Any] = {name: data[name] for name in _OF_SEGMENT if name in data}
    segment = PathSegment(**values)
    path = CorrelationPath("", "", (segment,), network.crs)
    try:
        return path_speeds(path, settings=settings, source=network.source)[0]
    except SpeedError:
        return None


def _usual(certain: Sequence[WaveSpeed]) -> WaveSpeed:
    """Speed for pipes of which nothing is known."""
    speed_m_s = float(np.median([one.speed_m_s for one in certain])) if certain else UNKNOWN_M_S
    share = UNKNOWN_SHARE * speed_m_s
    return WaveSpeed(speed_m_s, 0.0, share, UNKNOWN_GROUP, "the other pipes of the survey")
