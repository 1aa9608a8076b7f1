"""Why two fittings have no path: what is closed between them, or where their parts of the map end."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

import networkx as nx
import numpy as np
import shapely

from netcorr.errors import NoPathError
from netcorr.network.ground import geodesic_distances_m
from netcorr.units import format_count

if TYPE_CHECKING:
    from collections.abc import Iterable

    from netcorr.network.pipe_network import PipeNetwork

#: Weight that makes a way through something closed the last choice. [m]
_CLOSED_M = 1e7


def why_no_path(network: PipeNetwork, fitting_a: str, *, fitting_b: str) -> NoPathError:
    """Explain why open pipes do not connect two fittings.

    Parameters
    ----------
    network : PipeNetwork
        The network.
    fitting_a, fitting_b : str
        Asset ids of two fittings that no open path connects.

    Returns
    -------
    NoPathError
        Names the closed valves and the mains out of service on the shortest way, or else the two parts of
        the network and where they come nearest to each other.
    """
    item = f"path {fitting_a} to {fitting_b}"
    a, b = network.node_of(fitting_a), network.node_of(fitting_b)
    points = network.fittings.geometry
    apart_m = _distance_m(network, points[fitting_a], points[fitting_b])
    way = f"the fittings are {apart_m:.0f} m apart in a straight line"
    try:
        nodes = nx.dijkstra_path(network.graph, a, b, weight=_through_closed)
    except nx.NetworkXNoPath:
        return NoPathError(item, found=f"{way}, and {_parts(network, a, b)}", remedy=_remedy(network, a, b))
    closed = ", ".join(dict.fromkeys(_closed_on(network, nodes)))
    return NoPathError(
        item,
        found=f"{way}; on the shortest way between them lies {closed}",
        remedy="correct the map if that is open in the field, or choose two fittings on one side of it",
    )


def _through_closed(_u: int, _v: int, edges: dict[int, dict[str, Any]]) -> float:
    return min(float(e["length_m"]) + (0.0 if e["is_open"] else _CLOSED_M) for e in edges.values())


def _closed_on(network: PipeNetwork, nodes: list[int]) -> Iterable[str]:
    """Names of what is closed along a way."""
    for u, v in pairwise(nodes):
        edges = network.graph[u][v].values()
        if any(edge["is_open"] for edge in edges):
            continue
        edge = min(edges, key=lambda e: float(e["length_m"]))
        valve = edge["drawn_length_m"] == 0
        yield (
            f"closed valve {edge['pipe_id']}" if valve else f"main {edge['pipe_id']}, which is out of service"
        )


def _parts(network: PipeNetwork, a: int, b: int) -> str:
    words = []
    for node in (a, b):
        edges = _edges_around(network, node)
        km = sum(edge["length_m"] for edge in edges) / 1000
        count = len({edge["pipe_id"] for edge in edges})
        words.append(f"{format_count(count, 'main')} ({km:.2f} km)")
    return (
        f"no main connects their parts of the map: {words[0]} around the first, {words[1]} around the second"
    )


def _remedy(network: PipeNetwork, a: int, b: int) -> str:
    """Where the two parts come nearest to each other."""
    few, many = sorted((_edges_around(network, a), _edges_around(network, b)), key=len)
    if not few:
        return "draw the missing main, or choose two fittings on one part"
    lines, others = ([edge["geometry"] for edge in edges] for edges in (few, many))
    (near, far), gap = shapely.STRtree(others).query_nearest(lines, all_matches=False, return_distance=True)
    k = int(np.argmin(gap))
    one, other = shapely.shortest_line(lines[near[k]], others[far[k]]).coords
    digits = 6 if network.crs.is_geographic else 2
    gap_m = _distance_m(network, shapely.Point(one), shapely.Point(other))
    return (
        f"they come nearest, {gap_m:.2f} m, at mains {few[near[k]]['pipe_id']} and {many[far[k]]['pipe_id']} "
        f"(x {one[0]:.{digits}f}, y {one[1]:.{digits}f}): "
        "correct the map there, raise the tolerance, or choose two fittings on one part"
    )


def _edges_around(network: PipeNetwork, node: int) -> list[dict[str, Any]]:
    """Edges of the part of the map, open or not, that holds a node; links across valves have no length."""
    part = nx.node_connected_component(network.graph, node)
    edges = network.graph.subgraph(part).edges(data=True)
    return [data for _, _, data in edges if data["drawn_length_m"] > 0]


def _distance_m(network: PipeNetwork, one: shapely.Point, other: shapely.Point) -> float:
    return float(geodesic_distances_m(one.x, one.y, other.x, other.y, network.crs))
