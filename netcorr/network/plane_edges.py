"""Edges in service as lines in a plane of ground metres, for questions of what is near to what."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from netcorr.network.ground import GroundPlane
from netcorr.network.tolerances import SAME_PLACE_M

if TYPE_CHECKING:
    import pyproj
    from numpy.typing import NDArray

    from netcorr.network.connected import Connected
    from netcorr.network.lines import Floats, Ints


@dataclass(frozen=True, eq=False)
class PlaneEdges:
    """Pieces of mains in service, and all nodes, in the plane.

    Attributes
    ----------
    row : numpy.ndarray of int, shape (n,)
        Row of each in `Connected.columns`.
    start, stop : numpy.ndarray of int, shape (n,)
        Nodes at its ends.
    lines : numpy.ndarray of shapely.LineString, shape (n,)
        As drawn, in the plane.
    drawn : numpy.ndarray of shapely.LineString, shape (n,)
        As drawn, on the map.
    points : numpy.ndarray of shapely.Point, shape (m,)
        Nodes in the plane.
    node_xy : numpy.ndarray of float, shape (m, 2)
        Nodes on the map.
    id_rank : numpy.ndarray of int, shape (n,)
        Rank of its pipe's id: decides between things equally near, whatever the order of features.
    """

    row: Ints
    start: Ints
    stop: Ints
    lines: NDArray[np.object_]
    drawn: NDArray[np.object_]
    points: NDArray[np.object_]
    node_xy: Floats
    id_rank: Ints

    @classmethod
    def of(cls, parts: Connected, crs: pyproj.CRS) -> PlaneEdges:
        """Bring the edges in service into the plane."""
        row = np.flatnonzero(parts.in_service)
        drawn = parts.columns["geometry"][row]
        xy, owner = shapely.get_coordinates(drawn, return_index=True)
        ground = GroundPlane.about(np.vstack([xy, parts.node_xy]), crs)
        return cls(
            row=row,
            start=parts.columns["from_node"][row].astype(np.intp),
            stop=parts.columns["to_node"][row].astype(np.intp),
            lines=np.asarray(shapely.linestrings(ground.metres(xy), indices=owner)),
            drawn=drawn,
            points=np.asarray(shapely.points(ground.metres(parts.node_xy))),
            node_xy=parts.node_xy,
            id_rank=pd.factorize(parts.columns["pipe_id"][row], sort=True)[0],
        )

    def __len__(self) -> int:
        return len(self.row)

    def edge_at(self, node: Ints) -> Ints:
        """Edge at each node; where there are several, that of the first id."""
        n = np.arange(len(self))
        ends, edge = np.concatenate([self.start, self.stop]), np.concatenate([n, n])
        order = np.lexsort((self.id_rank[edge], ends))
        return edge[order][np.searchsorted(ends[order], node)]

    def place(self, edge: Ints, along_m: Floats) -> tuple[Floats, Ints]:
        """Places along edges on the map, and the node there (-1 where none is within a centimetre)."""
        length_m = shapely.length(self.lines[edge])
        at_start, at_stop = along_m <= SAME_PLACE_M, length_m - along_m <= SAME_PLACE_M
        node = np.where(at_start, self.start[edge], np.where(at_stop, self.stop[edge], -1))
        share = np.divide(along_m, length_m, out=np.zeros(len(edge)), where=length_m > 0)
        spots = shapely.line_interpolate_point(self.drawn[edge], share, normalized=True)
        xy = shapely.get_coordinates(spots).reshape(-1, 2)
        xy[node >= 0] = self.node_xy[node[node >= 0]]
        return xy, node.astype(np.intp)
