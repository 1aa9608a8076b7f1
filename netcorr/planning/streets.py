"""Ways of a crew from fitting to fitting: along the mains, which lie in streets, else straight across."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from scipy.sparse import csgraph

from netcorr.layers.crs import geodesic_distances_m
from netcorr.planning.mains_matrix import MainsMatrix
from netcorr.planning.problem import MainsGraph

if TYPE_CHECKING:
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.planning.problem import Floats, Ints

#: Ways along the mains are sought as far as this, and no farther than so many times the straight distance;
#: others, and those that the mains do not connect, are taken as straight, longer by the detour. [m] The
#: factor of streets over straight lines is 1.2 to 1.4 in most towns (from memory).
FARTHEST_M, FARTHEST_TIMES, DETOUR = 5000.0, 3.0, 1.3
#: Two places that are near to each other may be joined by a way this long. [m]
_NEAR_M = 300.0


@dataclass(frozen=True, eq=False)
class Streets:
    """All mains of a network, in service or not, as a proxy for streets.

    Attributes
    ----------
    network : PipeNetwork
        The network.
    """

    network: PipeNetwork

    @cached_property
    def _edges(self) -> list[dict[str, Any]]:
        return [data for _, _, data in self.network.graph.edges(data=True)]

    @cached_property
    def _matrix(self) -> MainsMatrix:
        edges = self._edges
        length_m = np.array([data["drawn_length_m"] for data in edges], dtype=float)
        graph = MainsGraph(
            self.network.graph.number_of_nodes(),
            from_node=np.array([data["from_node"] for data in edges], dtype=np.intp),
            to_node=np.array([data["to_node"] for data in edges], dtype=np.intp),
            length_m=length_m,
            reach_m=np.full(len(edges), FARTHEST_M),
            weight=length_m,
        )
        return MainsMatrix.of(graph)

    @cached_property
    def _xy(self) -> Floats:
        nodes = self.network.graph.nodes
        return np.array([(nodes[k]["x"], nodes[k]["y"]) for k in range(len(nodes))], dtype=float)

    def straight_m(self, from_node: Ints, to_node: Ints) -> Floats:
        """Ways between nodes that no main connects, shape as broadcast. [m]"""
        a, b = self._xy[from_node], self._xy[to_node]
        apart = geodesic_distances_m(a[..., 0], a[..., 1], b[..., 0], b[..., 1], self.network.crs)
        return DETOUR * np.asarray(apart)

    def apart_m(self, from_nodes: Ints, to_nodes: Ints) -> Floats:
        """Ways from each of some nodes to each of others.

        Parameters
        ----------
        from_nodes, to_nodes : numpy.ndarray of int, shapes (a,) and (b,)
            Nodes.

        Returns
        -------
        numpy.ndarray of float, shape (a, b)
            Lengths. [m]
        """
        start, back = np.unique(from_nodes, return_inverse=True)
        straight = self.straight_m(np.asarray(from_nodes)[:, None], np.asarray(to_nodes)[None, :])
        far_m = FARTHEST_TIMES * straight.max(initial=0.0) / DETOUR + _NEAR_M
        along = csgraph.dijkstra(self._matrix.length_m, indices=start, limit=min(far_m, FARTHEST_M))
        along = np.atleast_2d(along)[back][:, to_nodes]
        return np.where(np.isfinite(along), along, straight)

    def from_any_m(self, from_nodes: Ints, to_nodes: Ints) -> Floats:
        """Ways to each of some nodes from the nearest of others, shape (b,). [m]"""
        along = csgraph.dijkstra(
            self._matrix.length_m, indices=np.unique(from_nodes), limit=FARTHEST_M, min_only=True
        )[to_nodes]
        far = ~np.isfinite(along)
        if far.any():
            lost = np.asarray(to_nodes)[far]
            straight = self.straight_m(np.asarray(from_nodes)[:, None], lost[None, :])
            along[far] = straight.min(axis=0)
        return np.asarray(along)

    def way(self, a: int, b: int, *, within_m: float = FARTHEST_M) -> tuple[shapely.LineString | None, bool]:
        """Line from one node to another.

        Parameters
        ----------
        a, b : int
            Nodes.
        within_m : float
            A way along the mains that is longer does not count. [m]

        Returns
        -------
        shapely.LineString or None
            In the CRS of the network; None when there is no way to go.
        bool
            Whether it follows the mains.
        """
        if a == b:
            return None, True
        matrix = self._matrix
        length_m, before = csgraph.dijkstra(
            matrix.length_m, indices=a, limit=within_m, return_predecessors=True
        )
        if not np.isfinite(length_m[b]):
            return shapely.LineString(self._xy[[a, b]]), False
        parts = []
        at = b
        while at != a:
            previous = int(before[at])
            row = int(matrix.entry(np.array([previous]), np.array([at]))[0])
            xy = shapely.get_coordinates(self._edges[int(matrix.edge[row])]["geometry"])
            parts.append(xy if matrix.forward[row] else xy[::-1])
            at = previous
        xy = np.concatenate(parts[::-1])
        moved = np.ones(len(xy), dtype=bool)
        moved[1:] = (np.diff(xy, axis=0) != 0).any(axis=1)
        return (shapely.LineString(xy[moved]) if moved.sum() > 1 else None), True
