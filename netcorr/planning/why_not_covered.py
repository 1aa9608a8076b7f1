"""Why a main lies between no two sensors, and which fittings would change that."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from netcorr.planning.beyond import Beyond, nearest_beyond
from netcorr.planning.dead_ends import beyond_sites
from netcorr.planning.problem import MainsGraph

if TYPE_CHECKING:
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.planning.from_network import PlanningMap
    from netcorr.planning.problem import CandidateSites, Ints

#: Reasons in the order in which they are tried.
REASONS = {
    "broken map": "it hangs together with no sensor: a piece of its own, or a gap in the drawing",
    "closed valve": "a closed valve lies between it and the sensors or fittings beyond",
    "no fitting beyond": "no fitting on which a logger may stand lies beyond one of its ends: a dead end",
    "too far for the material": "the nearest fittings beyond its ends are farther apart than leaks are heard",
    "another way round": "sensors are near enough, but a shorter or equally short way leads past it",
    "no sensor beyond": "fittings are there, but no sensor within reach stands beyond one of its ends",
}
_ROUNDING = 1e-9


@dataclass(frozen=True, eq=False)
class Reasons:
    """Why edges are not covered.

    Attributes
    ----------
    reason : numpy.ndarray of str, shape (m,)
        One of `REASONS`, for every edge as if no pair covered it.
    needs : numpy.ndarray of int, shape (m, 2)
        Sites (of the candidates) that would have to be added beyond either end, -1 where none would or none
        is needed.
    sensors, candidates : Beyond
        Nearest sensor and nearest candidate beyond each end.
    """

    reason: np.ndarray
    needs: Ints
    sensors: Beyond
    candidates: Beyond


def reasons_not_covered(mains: PlanningMap, sensors: CandidateSites, candidates: CandidateSites) -> Reasons:
    """Say of every edge why no pair of the sensors would have it between them.

    Parameters
    ----------
    mains : PlanningMap
        Open mains.
    sensors : CandidateSites
        Where sensors stand.
    candidates : CandidateSites
        Where sensors might stand.

    Returns
    -------
    Reasons
        Valid for edges that no pair covers.
    """
    graph = mains.graph
    near, might = nearest_beyond(graph, sensors), nearest_beyond(graph, candidates)
    length = graph.length_m / graph.reach_m
    s, c = near.share, might.share
    reason = np.full(len(graph), "no sensor beyond", dtype=object)
    by_sensors = s[:, 0] + length + s[:, 1] <= 1 + _ROUNDING
    reason[by_sensors] = "another way round"
    far = c[:, 0] + length + c[:, 1] > 1 + _ROUNDING
    reason[far] = "too far for the material"
    none = beyond_sites(graph, candidates)
    reason[none] = "no fitting beyond"
    links = _closed_links(mains.network)
    if len(links):
        opened = beyond_sites(_with_links(graph, links), candidates)[: len(graph)]
        reason[none & ~opened] = "closed valve"
    _apart(mains, sensors, links, reason)
    needs = np.full((len(graph), 2), -1)
    open_case = reason == "no sensor beyond"
    for side, other in ((0, 1), (1, 0)):
        one = open_case & (c[:, side] + length + s[:, other] <= 1 + _ROUNDING)
        needs[one, side] = might.site[one, side]
        open_case &= ~one
    needs[open_case] = might.site[open_case]
    return Reasons(reason, needs, near, might)


def _apart(mains: PlanningMap, sensors: CandidateSites, links: Ints, reason: np.ndarray) -> None:
    """Edges in parts of the network without any sensor."""
    graph = mains.graph
    label = _pieces(graph.node_count, graph.from_node, graph.to_node)
    alone = ~np.isin(label, label[sensors.listens])[graph.from_node]
    if not alone.any():
        return
    ends = np.concatenate([np.stack([graph.from_node, graph.to_node], axis=1), links])
    linked = _pieces(graph.node_count, ends[:, 0], ends[:, 1])
    joined = np.isin(linked, linked[sensors.listens])[graph.from_node]
    reason[alone & joined] = "closed valve"
    reason[alone & ~joined] = "broken map"


def _pieces(count: int, a: Ints, b: Ints) -> Ints:
    matrix = sparse.csr_array((np.ones(len(a)), (a, b)), shape=(count, count))
    labels: Ints = csgraph.connected_components(matrix, directed=False)[1]
    return labels


def _closed_links(network: PipeNetwork) -> Ints:
    """Nodes on both sides of each closed valve, shape (k, 2)."""
    ends = [
        (u, v)
        for u, v, data in network.graph.edges(data=True)
        if not data["is_open"] and data["drawn_length_m"] == 0
    ]
    return np.array(ends, dtype=np.intp).reshape(-1, 2)


def _with_links(graph: MainsGraph, links: Ints) -> MainsGraph:
    """The graph with all closed valves open."""
    k = len(links)
    at_from, at_to = graph.end_shares
    return MainsGraph(
        graph.node_count,
        from_node=np.concatenate([graph.from_node, links[:, 0]]),
        to_node=np.concatenate([graph.to_node, links[:, 1]]),
        length_m=np.concatenate([graph.length_m, np.zeros(k)]),
        reach_m=np.concatenate([graph.reach_m, np.ones(k)]),
        weight=np.concatenate([graph.weight, np.zeros(k)]),
        from_share=np.concatenate([at_from, np.zeros(k)]),
        to_share=np.concatenate([at_to, np.zeros(k)]),
    )
