"""Pipes beside a path: where branches leave it, and what lies beyond a node of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import networkx as nx
from shapely import LineString
from shapely.ops import substring

from netcorr.errors import PathError
from netcorr.path.reference import segment_ends_m

if TYPE_CHECKING:
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.path.correlation_path import CorrelationPath, PathSegment

#: Edge of the graph: its two nodes and its key.
Edge = tuple[int, int, int]


@dataclass(frozen=True)
class SideBranch:
    """Open pipes that leave a path at a node between its ends.

    Attributes
    ----------
    from_a_m : float
        Distance from A along the path. [m]
    node : int
        Node of the network graph.
    edges : tuple of (int, int, int)
        Edges of the graph that leave there; `node` first.
    pipe_ids : tuple of str
        Mains of these edges, each once.
    """

    from_a_m: float
    node: int
    edges: tuple[Edge, ...]
    pipe_ids: tuple[str, ...]


def side_branches(network: PipeNetwork, path: CorrelationPath) -> tuple[SideBranch, ...]:
    """Where open pipes leave a path between its ends.

    Parameters
    ----------
    network : PipeNetwork
        The network in which the path was found.
    path : CorrelationPath
        The path.

    Returns
    -------
    tuple of SideBranch
        From A to B, one for each node at which any leave.

    Raises
    ------
    PathError
        If the path is not one of this network.
    """
    on_path = path_edges(network, path)
    found = []
    for segment, from_a_m in zip(path.segments[:-1], segment_ends_m(path)[1:-1].tolist(), strict=True):
        node = segment.to_node
        edges = tuple((node, v, key) for v, key in _open_beside(network, node, on_path))
        if edges:
            ids = dict.fromkeys(str(network.edge(*edge)["pipe_id"]) for edge in edges)
            found.append(SideBranch(from_a_m=from_a_m, node=node, edges=edges, pipe_ids=tuple(ids)))
    return tuple(found)


def branch_lines(
    network: PipeNetwork, path: CorrelationPath, node: int, *, reach_m: float
) -> tuple[tuple[str, ...], tuple[LineString, ...]]:
    """Open pipes that can be reached from a node of a path without passing along the path.

    Parameters
    ----------
    network : PipeNetwork
        The network in which the path was found.
    path : CorrelationPath
        The path.
    node : int
        Node on the path: an end for the pipes beyond it, another for the branch there.
    reach_m : float
        How far to go along the pipes. [m]

    Returns
    -------
    pipe_ids : tuple of str
        Mains, nearest first.
    lines : tuple of shapely.LineString
        What of them lies within reach, in the network's CRS.

    Raises
    ------
    PathError
        If the path is not one of this network, the node is not on it, or the reach is negative.

    Notes
    -----
    A pipe that comes back to another node of the path is followed up to there. The last pipe is cut at the
    fraction of its drawn line that the reach is of its length.
    """
    on_path = path_edges(network, path)
    nodes = {n for s in path.segments for n in (s.from_node, s.to_node)}
    if node not in nodes:
        raise PathError(
            f"branch at node {node}",
            found=f"the node is not on the path {path.sensor_a} to {path.sensor_b}",
            remedy="give a node of the path",
        )
    if not reach_m >= 0:
        raise PathError(
            f"branch at node {node}", found=f"reach of {reach_m} m", remedy="give a reach of 0 m or more"
        )
    stops = nodes - {node}

    def off_path(u: int, v: int, edges: dict[int, dict[str, Any]]) -> float | None:
        if u in stops:
            return None
        free = (
            float(data["length_m"])
            for key, data in edges.items()
            if data["is_open"] and (frozenset((u, v)), key) not in on_path
        )
        return min(free, default=None)

    distance_m = nx.single_source_dijkstra_path_length(network.graph, node, cutoff=reach_m, weight=off_path)
    pieces: dict[str, list[LineString]] = {}
    done: set[tuple[frozenset[int], int]] = set()
    for u in distance_m:  # nearest first
        for v, key in _open_beside(network, u, on_path) if u not in stops else ():
            if (frozenset((u, v)), key) in done:
                continue
            done.add((frozenset((u, v)), key))
            into_u = reach_m - distance_m[u]
            into_v = reach_m - distance_m[v] if v in distance_m and v not in stops else 0.0
            data = network.edge(u, v, key)
            lines = _within(data, into_u, into_v, from_u=data["from_node"] == u)
            if lines:
                pieces.setdefault(str(data["pipe_id"]), []).extend(lines)
    return tuple(pieces), tuple(line for lines in pieces.values() for line in lines)


def path_edges(network: PipeNetwork, path: CorrelationPath) -> set[tuple[frozenset[int], int]]:
    """Edges of the graph that a path runs along, as pairs of their nodes and their key.

    Raises
    ------
    PathError
        If the path is not one of this network.
    """
    return {(frozenset((s.from_node, s.to_node)), _key(network, s)) for s in path.segments}


def _key(network: PipeNetwork, segment: PathSegment) -> int:
    edges = network.graph.get_edge_data(segment.from_node, segment.to_node, default={})
    for key, data in edges.items():
        if data["pipe_id"] == segment.pipe_id and data["length_m"] == segment.length_m and data["is_open"]:
            return int(key)
    raise PathError(
        f"path along main {segment.pipe_id}",
        found=f"no such pipe in {network.source}",
        remedy="use the network in which the path was found",
    )


def _open_beside(
    network: PipeNetwork, node: int, on_path: set[tuple[frozenset[int], int]]
) -> list[tuple[int, int]]:
    """Far nodes and keys of the open edges at a node that are not on the path."""
    return [
        (v, key)
        for _, v, key, data in network.graph.edges(node, keys=True, data=True)
        if data["is_open"] and (frozenset((node, v)), key) not in on_path
    ]


def _within(data: dict[str, Any], into_u: float, into_v: float, *, from_u: bool) -> list[LineString]:
    """Part of an edge that is reached from either end: all of it, or a piece at one or both ends."""
    line: LineString = data["geometry"] if from_u else data["geometry"].reverse()
    length_m = float(data["length_m"])
    if into_u + into_v >= length_m:
        return [line]
    pieces = [(0.0, into_u / length_m), (1 - into_v / length_m, 1.0)]
    parts = (substring(line, a, b, normalized=True) for a, b in pieces if b > a)
    return [part for part in parts if isinstance(part, LineString)]
