"""Mains beyond the last candidate: no pair of sites can have a leak there between its two sensors."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import networkx as nx
import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from netcorr.layers.crs import geodesic_distances_m

if TYPE_CHECKING:
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.planning.from_network import PlanningMap
    from netcorr.planning.problem import CandidateSites, Flags, Floats, Ints, MainsGraph

#: A fitting on no main is offered when it is drawn this near to the far end. [m]
NEAR_M = 50.0


@dataclass(frozen=True, eq=False)
class DeadEnd:
    """Mains that hang together beyond the last candidate.

    Attributes
    ----------
    edges : numpy.ndarray of int
        Edges of the graph.
    length_m : float
        Their length. [m]
    from_node : int
        Node at which it begins; -1 when no candidate is connected to it at all.
    far_node : int
        Its end farthest along the mains from there.
    fitting : str or None
        Fitting that would bracket most of it, if a logger could stand there.
    kind : str or None
        Kind of that fitting.
    bracketed_m : float
        Main between the beginning and that fitting; 0 for one that sits on no main of it. [m]
    far_m : float
        Distance as drawn of that fitting from the far end. [m]
    """

    edges: Ints
    length_m: float
    from_node: int
    far_node: int
    fitting: str | None
    kind: str | None
    bracketed_m: float
    far_m: float


def beyond_sites(graph: MainsGraph, sites: CandidateSites) -> Flags:
    """Edges with no candidate site beyond them: cutting one leaves a side without any.

    Parameters
    ----------
    graph : MainsGraph
        Open mains.
    sites : CandidateSites
        Where loggers may stand.

    Returns
    -------
    numpy.ndarray of bool, shape (m,)
        True for such an edge, and for every edge of that side.

    Examples
    --------
    >>> from netcorr.planning import CandidateSites, MainsGraph
    >>> street = MainsGraph(
    ...     4, np.array([0, 1, 2]), np.array([1, 2, 3]), np.full(3, 50.0), np.full(3, 120.0), np.full(3, 50.0)
    ... )
    >>> beyond_sites(street, CandidateSites.at_nodes([0, 2])).tolist()
    [False, False, True]
    """
    part, bridges = _parts(graph)
    a, b = part[graph.from_node], part[graph.to_node]
    count = int(part.max(initial=-1)) + 1
    heard = np.zeros(count, dtype=bool)
    heard[part[sites.listens]] = True
    alive = bridges.copy()
    links: list[list[int]] = [[] for _ in range(count)]
    for k in np.flatnonzero(bridges).tolist():
        links[a[k]].append(k)
        links[b[k]].append(k)
    degree = np.bincount(np.concatenate([a[bridges], b[bridges]]), minlength=count)
    gone = np.zeros(count, dtype=bool)
    ends = np.flatnonzero((degree <= 1) & ~heard).tolist()
    while ends:
        end = ends.pop()
        gone[end] = True
        for k in links[end]:
            if alive[k]:
                alive[k] = False
                other = int(b[k] if a[k] == end else a[k])
                degree[other] -= 1
                if degree[other] <= 1 and not heard[other] and not gone[other]:
                    ends.append(other)
    return np.asarray(gone[a] | gone[b])


def _parts(graph: MainsGraph) -> tuple[Ints, Flags]:
    """Part of each node that stays connected whichever main is cut, and the mains that connect the parts."""
    m, n = len(graph), graph.node_count
    low = np.minimum(graph.from_node, graph.to_node)
    high = np.maximum(graph.from_node, graph.to_node)
    streets = nx.Graph()
    streets.add_edges_from(zip(low.tolist(), high.tolist(), strict=True))
    streets.remove_edges_from(list(nx.selfloop_edges(streets)))
    found = {(min(one), max(one)) for one in nx.bridges(streets)}
    key = low.astype(np.int64) * n + high
    _, where, counts = np.unique(key, return_inverse=True, return_counts=True)
    single = counts[where] == 1
    bridges = np.array(
        [both in found for both in zip(low.tolist(), high.tolist(), strict=True)], dtype=bool
    ).reshape(m)
    bridges &= single
    rest = sparse.coo_array((np.ones((~bridges).sum()), (low[~bridges], high[~bridges])), shape=(n, n))
    _, part = csgraph.connected_components(rest, directed=False)
    return part.astype(np.intp), bridges


def find_dead_ends(mains: PlanningMap, sites: CandidateSites, *, wanted: Flags) -> tuple[DeadEnd, ...]:
    """Gather what lies beyond the last candidates, and the fitting that would help most.

    Parameters
    ----------
    mains : PlanningMap
        Open mains.
    sites : CandidateSites
        Where loggers may stand.
    wanted : numpy.ndarray of bool, shape (m,)
        Edges that count; a dead end with none of them is passed over.

    Returns
    -------
    tuple of DeadEnd
        The longest first.
    """
    graph = mains.graph
    beyond = beyond_sites(graph, sites)
    found = []
    for edges in _hanging_together(graph, beyond, heard=_heard(graph, sites)):
        if wanted[edges].any():
            found.append(_dead_end(mains, beyond, edges, heard=_heard(graph, sites)))
    return tuple(sorted(found, key=lambda one: (-one.length_m, one.far_node)))


def _heard(graph: MainsGraph, sites: CandidateSites) -> Flags:
    heard = np.zeros(graph.node_count, dtype=bool)
    heard[sites.listens] = True
    return heard


def _hanging_together(graph: MainsGraph, beyond: Flags, *, heard: Flags) -> Iterator[Ints]:
    """Groups of such edges that meet at a node which is no other edge's end, nor a site."""
    edges = np.flatnonzero(beyond)
    if not len(edges):
        return
    fixed = heard.copy()
    rest = np.flatnonzero(~beyond)
    fixed[graph.from_node[rest]] = True
    fixed[graph.to_node[rest]] = True
    # an edge and its loose ends are one; ends that are fixed part what hangs on them
    n = graph.node_count
    number = n + np.arange(len(edges))
    row, column = [], []
    for ends in (graph.from_node[edges], graph.to_node[edges]):
        loose = ~fixed[ends]
        row.append(number[loose])
        column.append(ends[loose])
    links = np.concatenate(row), np.concatenate(column)
    size = n + len(edges)
    matrix = sparse.coo_array((np.ones(len(links[0])), links), shape=(size, size))
    _, label = csgraph.connected_components(matrix, directed=False)
    own = label[number]
    for one in np.unique(own):
        yield edges[own == one]


def _dead_end(mains: PlanningMap, beyond: Flags, edges: Ints, *, heard: Flags) -> DeadEnd:
    graph, network = mains.graph, mains.network
    nodes, ends = np.unique(
        np.concatenate([graph.from_node[edges], graph.to_node[edges]]), return_inverse=True
    )
    a, b = ends[: len(edges)], ends[len(edges) :]
    rest = ~beyond
    used = np.zeros(graph.node_count, dtype=bool)
    used[graph.from_node[rest]] = used[graph.to_node[rest]] = True
    start = np.flatnonzero(used[nodes] | heard[nodes])
    root = int(start[0]) if len(start) else 0
    length_m = np.maximum(graph.length_m[edges], 1e-6)
    matrix = sparse.coo_array((length_m, (a, b)), shape=(len(nodes), len(nodes)))
    way_m = csgraph.dijkstra(matrix, directed=False, indices=root)
    far = int(np.argmax(way_m))
    name, bracketed_m, far_m = _helpful(network, nodes, way_m, far_node=int(nodes[far]), root=root)
    return DeadEnd(
        edges=edges,
        length_m=float(graph.length_m[edges].sum()),
        from_node=int(nodes[root]) if len(start) else -1,
        far_node=int(nodes[far]),
        fitting=name,
        kind=None if name is None else str(network.fittings.at[name, "kind"]),
        bracketed_m=bracketed_m,
        far_m=far_m,
    )


def _helpful(
    network: PipeNetwork, nodes: Ints, way_m: Floats, *, far_node: int, root: int
) -> tuple[str | None, float, float]:
    """Fitting that would bracket most, of any kind; else one near the far end that sits on no main."""
    table = network.fittings
    place = network.graph.nodes[far_node]
    at = {int(node): k for k, node in enumerate(nodes) if k != root}
    here = np.flatnonzero(table["node"].isin(list(at)).to_numpy())
    if len(here):
        ways = [way_m[at[int(node)]] for node in table["node"].to_numpy()[here]]
        best = int(np.argmax(ways))
        return str(table.index[here[best]]), float(ways[best]), _from_m(network, here[[best]], place)[0]
    loose = np.flatnonzero(((table["node"] < 0) & ~table.geometry.is_empty).to_numpy())
    if len(loose):
        gap_m = _from_m(network, loose, place)
        if gap_m.min() <= NEAR_M:
            return str(table.index[loose[int(np.argmin(gap_m))]]), 0.0, float(gap_m.min())
    return None, 0.0, float("nan")


def _from_m(network: PipeNetwork, rows: Ints, place: dict[str, float]) -> Floats:
    """Distance of some fittings from a node, as drawn. [m]"""
    shapes = network.fittings.geometry.iloc[rows]
    x, y = np.full(len(rows), place["x"]), np.full(len(rows), place["y"])
    return np.asarray(geodesic_distances_m(shapes.x.to_numpy(), shapes.y.to_numpy(), x, y, network.crs))
