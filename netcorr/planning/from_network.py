"""A network with its fittings to the graph and the candidate sites of a planning problem."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from netcorr.errors import PlanError
from netcorr.planning.problem import CandidateSites, MainsGraph

if TYPE_CHECKING:
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.planning.problem import Flags
    from netcorr.planning.reach import ReachTable

#: Kinds of fittings on which a logger can be put, the handier first: of several at one place the first is
#: taken. Common practice: a hydrant is easy to reach, a valve spindle touches the main itself.
KINDS = ("valve", "hydrant", "meter", "other")


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
        Reach by material.
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
    worth = np.array([(weight_per_m or {}).get(data["pipe_id"], 1.0) for data in edges], dtype=float)
    graph = MainsGraph(
        network.graph.number_of_nodes(),
        from_node=np.array([data["from_node"] for data in edges], dtype=np.intp),
        to_node=np.array([data["to_node"] for data in edges], dtype=np.intp),
        length_m=length_m,
        reach_m=np.array([reach.reach_m(data["material"]) for data in edges], dtype=float),
        weight=length_m * worth,
    )
    return PlanningMap(network, graph, tuple(edges))


def edges_within(mains: PlanningMap, area: shapely.Geometry) -> Flags:
    """Whether the middle of each edge lies in an area, given in the CRS of the network."""
    middle = shapely.line_interpolate_point([edge["geometry"] for edge in mains.edges], 0.5, normalized=True)
    return np.asarray(shapely.contains_properly(area, middle))


def candidate_sites(
    network: PipeNetwork,
    *,
    kinds: Collection[str] = ("valve", "hydrant"),
    only: Collection[str] | None = None,
    without: Collection[str] = (),
    area: shapely.Geometry | None = None,
) -> CandidateSites:
    """Fittings on which a logger may stand, one for each place on the mains.

    Parameters
    ----------
    network : PipeNetwork
        The network.
    kinds : collection of str
        Kinds of fittings that may be used, of `KINDS`.
    only, without : collection of str, optional
        Asset ids that alone may be used, and those that may not.
    area : shapely.Geometry, optional
        Area in the CRS of the network in which they must lie.

    Returns
    -------
    CandidateSites
        Sorted by node. Of several fittings at one place the valve is taken before the hydrant, and then the
        first by name. A closed valve hears the mains on all its sides.

    Raises
    ------
    PlanError
        If none is left; the message says how many fell to which condition.
    """
    table = network.fittings
    steps = [("on no main", table["node"] >= 0), (f"not {' or '.join(kinds)}", table["kind"].isin(kinds))]
    if only is not None:
        steps.append(("not among those chosen", table.index.isin(list(only))))
    if len(without):
        steps.append(("not to be used", ~table.index.isin(list(without))))
    if area is not None:
        steps.append(("outside the district", shapely.intersects(area, table.geometry.to_numpy())))
    keep, lost = np.ones(len(table), dtype=bool), []
    for words, condition in steps:
        fell = keep & ~np.asarray(condition)
        keep &= np.asarray(condition)
        lost += [f"{fell.sum()} {words}"] if fell.any() else []
    if not keep.any():
        raise PlanError(
            f"{network.source}, fittings",
            found=f"no candidate for a logger among {len(table)} fittings: {', '.join(lost) or 'none'}",
            remedy="allow more kinds or a larger district, or check the fittings layer",
        )
    return _one_for_each_node(network, keep)


def _one_for_each_node(network: PipeNetwork, keep: Flags) -> CandidateSites:
    table = network.fittings[keep]
    rank = table["kind"].map({kind: k for k, kind in enumerate(KINDS)}).fillna(len(KINDS)).to_numpy()
    names = table.index.to_numpy(dtype=object)
    node = table["node"].to_numpy(dtype=np.intp)
    order = np.lexsort((names.astype(str), rank, node))
    _, first = np.unique(node[order], return_index=True)
    chosen = order[first]
    is_open = table["is_open"].to_numpy(dtype=bool)
    listens, listens_site = [], []
    for site, k in enumerate(chosen.tolist()):
        nodes = {int(node[k])} if is_open[k] else _sides(network, int(node[k]))
        listens += sorted(nodes)
        listens_site += [site] * len(nodes)
    return CandidateSites(
        fitting=names[chosen],
        node=node[chosen],
        listens=np.array(listens, dtype=np.intp),
        listens_site=np.array(listens_site, dtype=np.intp),
    )


def _sides(network: PipeNetwork, node: int) -> set[int]:
    """Nodes of the mains on all sides of a closed valve."""
    found = {node}
    for _ in range(2):
        for one in list(found):
            links = network.graph.edges(one, data=True)
            found |= {v for _, v, data in links if not data["is_open"] and data["drawn_length_m"] == 0}
    return found
