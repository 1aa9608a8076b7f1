"""Mains that cross without a joint where one may be missing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.network.connected import Connected
    from netcorr.network.lines import Floats, Ints
    from netcorr.network.plane_edges import PlaneEdges


@dataclass(frozen=True, eq=False)
class Crossings:
    """Crossings worth a look; edges are rows of `PlaneEdges`.

    Attributes
    ----------
    edge, other : numpy.ndarray of int, shape (c,)
        Edges that cross; `edge` is the one that ends shortly behind, if one does.
    node : numpy.ndarray of int, shape (c,)
        That end, -1 without one.
    past_m : numpy.ndarray of float, shape (c,)
        From the crossing to that end along the main, NaN without one. [m]
    xy : numpy.ndarray of float, shape (c, 2)
        The crossing on the map.
    """

    edge: Ints
    other: Ints
    node: Ints
    past_m: Floats
    xy: Floats

    def __len__(self) -> int:
        return len(self.edge)


def find_crossings(parts: Connected, edges: PlaneEdges, *, near_m: float, same_piece_m: float) -> Crossings:
    """Find crossings between two pieces, and those with a free end shortly behind.

    Parameters
    ----------
    parts : Connected
        Network and its pieces.
    edges : PlaneEdges
        Its edges in service.
    near_m : float
        A main that ends this soon behind the crossing makes it worth a look. [m]
    same_piece_m : float
        The same for a crossing of two mains of one piece. [m]

    Returns
    -------
    Crossings
        Mains of one piece that merely cross are none of them: pipes pass over each other.
    """
    one, other = _crossing_pairs(edges)
    meets = shapely.intersection(edges.lines[one], edges.lines[other])
    point, pair = shapely.get_coordinates(meets, return_index=True)
    one, other = one[pair], other[pair]
    spots = np.asarray(shapely.points(point), dtype=object)
    sides = [_behind(parts, edges, a, spots=spots) for a in (one, other)]
    swap = sides[1][1] < sides[0][1]
    edge, over = np.where(swap, other, one), np.where(swap, one, other)
    node = np.where(swap, sides[1][0], sides[0][0])
    past_m = np.where(swap, sides[1][1], sides[0][1])
    apart = parts.edge_piece[edges.row[edge]] != parts.edge_piece[edges.row[over]]
    short = past_m <= np.where(apart, near_m, same_piece_m)
    keep = np.flatnonzero(short | apart)
    along = np.asarray(shapely.line_locate_point(edges.lines[over[keep]], spots[keep]), dtype=np.float64)
    xy, _ = edges.place(over[keep], along)
    return Crossings(
        edge=edge[keep],
        other=over[keep],
        node=np.where(short, node, -1)[keep],
        past_m=np.where(short, past_m, np.nan)[keep],
        xy=xy,
    )


def _crossing_pairs(edges: PlaneEdges) -> tuple[Ints, Ints]:
    """Pairs of edges that meet away from their nodes; those that share a node are joined already."""
    one, other = shapely.STRtree(edges.lines).query(edges.lines)
    once = one < other
    one, other = one[once], other[once]
    joined = _share_a_node(edges, one, other)
    one, other = one[~joined], other[~joined]
    meet = shapely.intersects(edges.lines[one], edges.lines[other])
    return one[meet], other[meet]


def _share_a_node(edges: PlaneEdges, one: Ints, other: Ints) -> NDArray[np.bool_]:
    a, b, c, d = edges.start[one], edges.stop[one], edges.start[other], edges.stop[other]
    return np.asarray((a == c) | (a == d) | (b == c) | (b == d), dtype=np.bool_)


def _behind(
    parts: Connected, edges: PlaneEdges, edge: Ints, *, spots: NDArray[np.object_]
) -> tuple[Ints, Floats]:
    """Free end of the edge nearest to the crossing along it, and how far it is; infinite without one."""
    along = np.asarray(shapely.line_locate_point(edges.lines[edge], spots), dtype=float)
    left = shapely.length(edges.lines[edge]) - along
    start = np.where(parts.degree[edges.start[edge]] == 1, along, np.inf)
    stop = np.where(parts.degree[edges.stop[edge]] == 1, left, np.inf)
    return np.where(stop < start, edges.stop[edge], edges.start[edge]), np.minimum(start, stop)
