"""The path between two fittings: the shortest way through open pipes, and the next shortest."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import networkx as nx

from netcorr.errors import NoPathError, PathError
from netcorr.path.correlation_path import CorrelationPath, PathSegment
from netcorr.path.separation import why_no_path

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from netcorr.network.pipe_network import PipeNetwork

#: A second way is an ambiguity when it is longer by no more than this share of the path, or this length:
#: speeds assumed from tables are uncertain by about as much, so a delay cannot tell the two ways apart.
NEAR_SHARE = 0.1
NEAR_M = 10.0

#: Edge of the graph: its two nodes and its key.
Edge = tuple[int, int, int]


def correlation_path(
    network: PipeNetwork,
    fitting_a: str,
    *,
    fitting_b: str,
    lead_a_m: float = 0.0,
    lead_b_m: float = 0.0,
    limit_m: float | None = None,
) -> CorrelationPath:
    """Shortest path through open pipes between two fittings.

    Parameters
    ----------
    network : PipeNetwork
        The network.
    fitting_a, fitting_b : str
        Asset ids of the fittings. A fitting that is a closed valve hears the pipes on either side.
    lead_a_m, lead_b_m : float
        Pipe between the main as drawn and the point of contact, at either end. [m]
    limit_m : float, optional
        Longest path wanted, without the leads; the search goes no farther. [m]

    Returns
    -------
    CorrelationPath
        Its `second_length_m` is the length of the shortest way that leaves out at least one edge of the
        path, when that is longer by at most 10 m or 10 % of the path; None otherwise.

    Raises
    ------
    NetworkError
        If there is no such fitting, or it is too far from any main.
    NoPathError
        If open pipes do not connect the two, or not within `limit_m`.
    PathError
        If both sit at the same place, or a lead is negative.

    Notes
    -----
    The second way is found for all edges of the path at once, from the trees of shortest ways about its two
    ends: the way that leaves the path before an edge and comes back behind it.

    References
    ----------
    K. Malik, A. K. Mittal and S. K. Gupta, The k most vital arcs in the shortest path problem, Operations
    Research Letters 8 (1989) 223-227 (from memory).
    """
    starts, goals = _sites(network, fitting_a), _sites(network, fitting_b)
    if starts & goals:
        raise PathError(
            f"path {fitting_a} to {fitting_b}",
            found="both fittings sit at the same place on the main",
            remedy="choose two fittings at different places",
        )
    found = _shortest(network, starts, goals=goals, limit_m=limit_m)
    if found is None:
        raise _no_path(network, fitting_a, fitting_b=fitting_b, limit_m=limit_m)
    length_m, root, far = found
    reach_m = length_m + max(NEAR_M, NEAR_SHARE * length_m)
    near_root, near_far = (_Tree.about(network, node, reach_m) for node in (root, far))
    nodes = near_root.way_to(far)
    edges = [_shorter_edge(network, u, v) for u, v in pairwise(nodes)]
    second_m = _second_length_m(network, nodes, near_root=near_root, near_far=near_far, edges=edges)
    if root not in starts:
        edges = [(v, u, key) for u, v, key in reversed(edges)]
    return CorrelationPath(
        sensor_a=fitting_a,
        sensor_b=fitting_b,
        segments=tuple(_segment(network, edge) for edge in edges),
        crs=network.crs,
        lead_a_m=lead_a_m,
        lead_b_m=lead_b_m,
        second_length_m=second_m if second_m is not None and second_m <= reach_m else None,
    )


def fittings_within(network: PipeNetwork, fitting: str, *, others: Sequence[str], limit_m: float) -> set[str]:
    """Fittings that open pipes join to one within a length; the search goes no farther.

    Parameters
    ----------
    network : PipeNetwork
        The network.
    fitting : str
        Asset id of the one.
    others : sequence of str
        Asset ids of those that are asked for.
    limit_m : float
        Longest path wanted, without leads. [m]

    Returns
    -------
    set of str
        Those of `others` for which `correlation_path` finds a path of no more than that, or that sit at the
        same place.

    Raises
    ------
    NetworkError
        If there is no such fitting, or it is too far from any main.
    """
    reached = nx.multi_source_dijkstra_path_length(
        network.graph, _sites(network, fitting), cutoff=limit_m * (1 + 1e-9), weight=_open_length
    )
    return {other for other in others if not _sites(network, other).isdisjoint(reached)}


@dataclass(frozen=True, eq=False)
class _Tree:
    """Shortest ways from a node, nearest nodes first."""

    distance_m: dict[int, float]
    before: dict[int, list[int]]

    @classmethod
    def about(cls, network: PipeNetwork, node: int, reach_m: float) -> _Tree:
        # a rounding error must not lose the far end of the path itself
        cutoff = reach_m * (1 + 1e-9)
        before, distance = nx.dijkstra_predecessor_and_distance(
            network.graph, node, cutoff=cutoff, weight=_open_length
        )
        return cls(distance_m=distance, before=before)

    def way_to(self, node: int) -> list[int]:
        nodes = [node]
        while self.before[nodes[-1]]:
            nodes.append(self.before[nodes[-1]][0])
        return nodes[::-1]


def _open_length(_u: int, _v: int, edges: dict[int, dict[str, Any]]) -> float | None:
    """Length of the shortest open edge between two nodes, None where all are closed. [m]"""
    if len(edges) == 1:  # as nearly everywhere: searches spend most of their time here
        [edge] = edges.values()
        return edge["length_m"] if edge["is_open"] else None
    return min((float(e["length_m"]) for e in edges.values() if e["is_open"]), default=None)


def _sites(network: PipeNetwork, fitting: str) -> set[int]:
    """Nodes at which a fitting hears the pipes: one, or for a closed valve those on all its sides."""
    node = network.node_of(fitting)
    if bool(network.fittings.at[fitting, "is_open"]):
        return {node}
    sides = {v for _, v, data in network.graph.edges(node, data=True) if _is_valve_link(data)}
    hub = {v for side in sides for _, v, data in network.graph.edges(side, data=True) if _is_valve_link(data)}
    return {node} | sides | hub


def _is_valve_link(edge: dict[str, Any]) -> bool:
    return not edge["is_open"] and edge["drawn_length_m"] == 0


def _shortest(
    network: PipeNetwork, starts: set[int], *, goals: set[int], limit_m: float | None
) -> tuple[float, int, int] | None:
    """Length of the shortest way and its two ends, the lower number first so that direction plays no part."""
    found: list[tuple[float, int, int]] = []
    for root, far in sorted((min(a, b), max(a, b)) for a in starts for b in goals):
        try:
            if limit_m is None:
                length_m, _ = nx.bidirectional_dijkstra(network.graph, root, far, weight=_open_length)
            else:
                length_m, _ = nx.single_source_dijkstra(
                    network.graph, root, far, cutoff=limit_m, weight=_open_length
                )
        except nx.NetworkXNoPath:
            continue
        found.append((float(length_m), root, far))
    return min(found, default=None)


def _no_path(network: PipeNetwork, fitting_a: str, *, fitting_b: str, limit_m: float | None) -> NoPathError:
    if limit_m is None:
        return why_no_path(network, fitting_a, fitting_b=fitting_b)
    return NoPathError(
        f"path {fitting_a} to {fitting_b}",
        found=f"no way through open pipes of at most {limit_m:g} m",
        remedy="choose two fittings nearer to each other, or raise the limit",
    )


def _shorter_edge(network: PipeNetwork, u: int, v: int) -> Edge:
    """Of parallel open edges the shorter, of equal ones the first."""
    edges = network.graph[u][v]
    return u, v, min((float(e["length_m"]), key) for key, e in edges.items() if e["is_open"])[1]


def _segment(network: PipeNetwork, edge: Edge) -> PathSegment:
    u, v, _ = edge
    data = network.edge(*edge)
    along = data["from_node"] == u and data["to_node"] == v
    return PathSegment(
        pipe_id=data["pipe_id"],
        material=data["material"],
        material_text=data["material_text"],
        diameter_mm=data["diameter_mm"],
        wall_mm=data["wall_mm"],
        year=data["year"],
        wave_speed_m_s=data["wave_speed_m_s"],
        length_m=data["length_m"],
        geometry=data["geometry"] if along else data["geometry"].reverse(),
        from_node=u,
        to_node=v,
        assumed=data.get("assumed", ""),
        could_be=data.get("could_be"),
    )


def _second_length_m(
    network: PipeNetwork, nodes: list[int], *, near_root: _Tree, near_far: _Tree, edges: list[Edge]
) -> float | None:
    """Length of the shortest way that leaves out at least one edge of the path, within the trees' reach."""
    leaves = _where_ways_leave(nodes, near_root)
    used = {(frozenset((u, v)), key) for u, v, key in edges}
    lengths = (
        near_root.distance_m[u] + length_m + near_far.distance_m[v]
        for u, v, key, length_m in _open_edges_about(network, leaves)
        if leaves[u] < leaves.get(v, -1) and v in near_far.distance_m and (frozenset((u, v)), key) not in used
    )
    return min(lengths, default=None)


def _where_ways_leave(nodes: list[int], tree: _Tree) -> dict[int, int]:
    """For every node near the path: how many edges of the path the shortest way to it follows."""
    leaves = {node: k for k, node in enumerate(nodes)}
    for node in tree.distance_m:  # nearest first, so that the node before is known
        if node not in leaves:
            leaves[node] = leaves[tree.before[node][0]]
    return leaves


def _open_edges_about(network: PipeNetwork, nodes: dict[int, int]) -> Iterator[tuple[int, int, int, float]]:
    """Open edges from each of the nodes, with their length."""
    for u in nodes:
        for v, edges in network.graph[u].items():
            for key, data in edges.items():
                if data["is_open"]:
                    yield u, v, key, float(data["length_m"])
