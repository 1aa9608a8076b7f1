"""The open mains of a network as the graph of a planning problem."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from netcorr.errors import PlanError
from netcorr.planning.passing import passing_loss_db
from netcorr.planning.problem import MainsGraph

if TYPE_CHECKING:
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.planning.problem import Flags, Floats
    from netcorr.planning.reach import ReachTable


@dataclass(frozen=True, eq=False)
class PlanningMap:
    """Open mains of a network as a graph, and what each edge is on the map.

    Attributes
    ----------
    network : PipeNetwork
        Where it comes from.
    graph : MainsGraph
        Its open mains.
    edges : tuple of dict
        Attributes of each edge, `netcorr.network.pipe_network.EDGE_ATTRIBUTES`.
    """

    network: PipeNetwork
    graph: MainsGraph
    edges: tuple[dict[str, Any], ...]


def planning_map(
    network: PipeNetwork, *, reach: ReachTable, weight_per_m: Mapping[str, float] | None = None
) -> PlanningMap:
    """Make the graph of the open mains.

    Parameters
    ----------
    network : PipeNetwork
        The network.
    reach : ReachTable
        Reach by material and size, and the budget of which tees and fittings take their part.
    weight_per_m : mapping of str to float, optional
        What a metre of each main is worth, by its id; 1 where it says nothing. [1 / m]

    Returns
    -------
    PlanningMap
        Edges in the order of the network.

    Raises
    ------
    PlanError
        If no main is open, or a weight is negative.
    """
    edges = [
        data
        for _, _, data in network.graph.edges(data=True)
        if data["is_open"] and data["drawn_length_m"] > 0
    ]
    if not edges:
        raise PlanError(
            network.source, found="no main in service", remedy="give a map with mains that are in service"
        )
    length_m = np.array([data["length_m"] for data in edges], dtype=float)
    from_node = np.array([data["from_node"] for data in edges], dtype=np.intp)
    to_node = np.array([data["to_node"] for data in edges], dtype=np.intp)
    fitted = np.zeros(network.graph.number_of_nodes(), dtype=bool)
    at = network.fittings["node"].to_numpy(dtype=np.intp)
    fitted[at[at >= 0]] = True
    loss_db = passing_loss_db(edges, from_node, to_node, fitted=fitted)
    worth = np.array([(weight_per_m or {}).get(data["pipe_id"], 1.0) for data in edges], dtype=float)
    graph = MainsGraph(
        network.graph.number_of_nodes(),
        from_node=from_node,
        to_node=to_node,
        length_m=length_m,
        reach_m=_reach_m(edges, reach),
        weight=length_m * worth,
        from_share=loss_db[0] / reach.budget.budget_db,
        to_share=loss_db[1] / reach.budget.budget_db,
    )
    return PlanningMap(network, graph, tuple(edges))


def _reach_m(edges: list[dict[str, Any]], reach: ReachTable) -> Floats:
    """Reach of each edge; each kind of pipe is asked for once."""
    known: dict[tuple[str | None, float | None], float] = {}
    found = np.empty(len(edges))
    for k, data in enumerate(edges):
        size = data["diameter_mm"]
        kind = (data["material"], None if size is None or math.isnan(size) else float(size))
        if kind not in known:
            known[kind] = reach.reach_m(kind[0], diameter_mm=kind[1])
        found[k] = known[kind]
    return found


def edges_within(mains: PlanningMap, area: shapely.Geometry) -> Flags:
    """Whether the middle of each edge lies in an area, given in the CRS of the network."""
    middle = shapely.line_interpolate_point([edge["geometry"] for edge in mains.edges], 0.5, normalized=True)
    return np.asarray(shapely.contains_properly(area, middle))
