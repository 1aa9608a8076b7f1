"""How far it is along the mains from an end to a place that is near to it on the map."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import networkx as nx
import numpy as np
import shapely

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.network.connected import Connected
    from netcorr.network.lines import Floats, Ints
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.network.plane_edges import PlaneEdges


def shortest_ways_m(
    network: PipeNetwork,
    parts: Connected,
    edges: PlaneEdges,
    *,
    node: Ints,
    other: Ints,
    along_m: Floats,
    limit_m: Floats,
) -> Floats:
    """Way along the mains from a node to a place on an edge, closed valves passed.

    Parameters
    ----------
    network : PipeNetwork
        The network.
    parts : Connected
        Its edges and pieces.
    edges : PlaneEdges
        Its edges in service.
    node, other : numpy.ndarray of int, shape (k,)
        Where from, and the edge (row of `edges`).
    along_m : numpy.ndarray of float, shape (k,)
        Place on it, from its start. [m]
    limit_m : numpy.ndarray of float, shape (k,)
        Ways from here on need not be known. [m]

    Returns
    -------
    numpy.ndarray of float, shape (k,)
        The way, or some length of at least `limit_m`. [m]
    """
    length_m = shapely.length(edges.lines[other])
    to_start, to_stop = along_m, length_m - along_m
    way = _past_one_main(parts, edges, node, other=other, to_start=to_start, to_stop=to_stop)
    for k in np.flatnonzero(way >= limit_m).tolist():
        reached = nx.single_source_dijkstra_path_length(
            network.graph, int(node[k]), cutoff=float(limit_m[k]), weight=_drawn_length
        )
        ends = ((edges.start[other[k]], to_start[k]), (edges.stop[other[k]], to_stop[k]))
        way[k] = min(reached.get(int(end), np.inf) + rest for end, rest in ends)
    return way


def _past_one_main(
    parts: Connected, edges: PlaneEdges, node: Ints, *, other: Ints, to_start: Any, to_stop: Any
) -> NDArray[np.float64]:
    """Way over the one main that ends at the node, where the other edge begins behind it."""
    own = edges.edge_at(node)
    away = np.where(edges.start[own] == node, edges.stop[own], edges.start[own])
    own_m = parts.columns["drawn_length_m"][edges.row[own]]
    start = np.where(edges.start[other] == away, to_start, np.inf)
    stop = np.where(edges.stop[other] == away, to_stop, np.inf)
    return np.asarray(own_m + np.minimum(start, stop), dtype=float)


def _drawn_length(_u: int, _v: int, parallel: dict[int, dict[str, Any]]) -> float | None:
    """Shortest of parallel edges that the drawing connects; None where there is none."""
    used = [d["drawn_length_m"] for d in parallel.values() if d["is_open"] or d["drawn_length_m"] == 0]
    return min(used, default=None)
