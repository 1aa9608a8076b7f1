"""Mains cut into the pieces that become edges."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from netcorr.network.ground import geodesic_steps_m, rises_m

if TYPE_CHECKING:
    import pyproj
    from numpy.typing import NDArray

    from netcorr.network.lines import Floats, Ints, Lines

#: A vertex this near to a cut is the cut. [m]
_VERTEX_M = 1e-6


@dataclass(frozen=True, eq=False)
class Cuts:
    """Cuts through lines, sorted by line and distance; `node` is the node at each."""

    line: Ints
    along_m: Floats
    node: Ints

    @classmethod
    def sorted_from(cls, line: Ints, *, along_m: Floats, node: Ints) -> Cuts:
        """Sort cuts along the lines."""
        order = np.lexsort((along_m, line))
        return cls(line[order], along_m[order], node[order])

    def with_more(self, line: Ints, *, along_m: Floats, node: Ints) -> Cuts:
        """These and others."""
        return Cuts.sorted_from(
            np.concatenate([self.line, line]),
            along_m=np.concatenate([self.along_m, along_m]),
            node=np.concatenate([self.node, node]),
        )


@dataclass(frozen=True, eq=False)
class Pieces:
    """Pieces of lines between nodes, in the order of the lines.

    Attributes
    ----------
    line : numpy.ndarray of int, shape (p,)
        Line that each is a piece of.
    from_node, to_node : numpy.ndarray of int, shape (p,)
        Nodes at its ends.
    geometry : numpy.ndarray of shapely.LineString, shape (p,)
        In the CRS of the map, without Z, from node to node.
    drawn_m : numpy.ndarray of float, shape (p,)
        Ground length, with slope where the map has Z. [m]
    """

    line: Ints
    from_node: Ints
    to_node: Ints
    geometry: NDArray[np.object_]
    drawn_m: Floats

    def take(self, which: NDArray[np.bool_]) -> Pieces:
        """Some of the pieces."""
        return Pieces(
            self.line[which],
            self.from_node[which],
            self.to_node[which],
            self.geometry[which],
            self.drawn_m[which],
        )


def cut_lines(lines: Lines, cuts: Cuts, *, end_node: Ints, node_xy: Floats, crs: pyproj.CRS) -> Pieces:
    """Cut lines, and move the ends of the pieces to their nodes.

    Parameters
    ----------
    lines : Lines
        Mains.
    cuts : Cuts
        Where to cut, strictly between the ends.
    end_node : numpy.ndarray of int, shape (2 n,)
        Node of each end of a line; start of line k at 2 k, its end at 2 k + 1.
    node_xy : numpy.ndarray of float, shape (m, 2)
        Places of the nodes in `crs`.
    crs : pyproj.CRS
        CRS of the map.

    Returns
    -------
    Pieces
        One more for each line than it has cuts.
    """
    n, v = len(lines), len(lines.xyz)
    after = lines.vertex_after(cuts.line, cuts.along_m)
    keep = np.ones(v, dtype=bool)
    for vertex in (after - 1, after):
        inner = (vertex > lines.first[cuts.line]) & (vertex < lines.first[cuts.line + 1] - 1)
        same = np.abs(lines.along_m[vertex] - cuts.along_m) < _VERTEX_M
        keep[vertex[inner & same]] = False
    places = np.full((len(after), 3), np.nan)  # the ends of pieces go to their nodes, so that only z counts
    if np.isfinite(lines.xyz[:, 2]).any():
        places = lines.at(cuts.line, cuts.along_m)
    xyz = np.insert(lines.xyz, np.repeat(after, 2), np.repeat(places, 2, axis=0), axis=0)
    # a piece starts at the first vertex of a line and at the second copy of each cut
    starts = np.zeros(len(xyz), dtype=np.intp)
    copies = after + 2 * np.arange(len(after))
    vertices = np.ones(len(xyz), dtype=bool)
    vertices[copies] = vertices[copies + 1] = False
    starts[np.flatnonzero(vertices)[lines.first[:-1]]] = 1
    starts[copies + 1] = 1
    kept = np.ones(len(xyz), dtype=bool)
    kept[np.flatnonzero(vertices)] = keep
    xyz, piece = xyz[kept], (np.cumsum(starts) - 1)[kept]
    per_line = 1 + np.bincount(cuts.line, minlength=n)
    line = np.repeat(np.arange(n), per_line)
    from_node, to_node = _ends(line, per_line, cuts, end_node)
    first = np.append(0, np.cumsum(np.bincount(piece, minlength=len(line))))
    xyz[first[:-1], :2], xyz[first[1:] - 1, :2] = node_xy[from_node], node_xy[to_node]
    geometry = np.asarray(shapely.linestrings(xyz[:, :2], indices=piece))
    steps_m = _steps_m(xyz, piece, first=first, nodes=(from_node, to_node), node_xy=node_xy, crs=crs)
    of = piece[:-1][piece[1:] == piece[:-1]]
    drawn_m = np.bincount(of, steps_m, minlength=len(line)).astype(np.float64)
    return Pieces(line, from_node, to_node, geometry, drawn_m)


def _steps_m(
    xyz: Floats, piece: Ints, *, first: Ints, nodes: tuple[Ints, Ints], node_xy: Floats, crs: pyproj.CRS
) -> Floats:
    """Ground distance of each vertex to the next of its piece."""
    place = np.full(len(xyz), -1)
    place[first[:-1]], place[first[1:] - 1] = nodes
    inner = np.flatnonzero(place < 0)
    place[inner] = len(node_xy) + np.arange(len(inner))
    step = np.flatnonzero(piece[1:] == piece[:-1])
    xy = np.concatenate([node_xy, xyz[inner, :2]])  # several pieces share a node
    steps_m = geodesic_steps_m(xy, place[step], place[step + 1], crs)
    if np.isfinite(xyz[:, 2]).any():
        steps_m = np.hypot(steps_m, rises_m(xyz[:, 2], step, step + 1, crs))
    return steps_m


def _ends(line: Ints, per_line: Ints, cuts: Cuts, end_node: Ints) -> tuple[Ints, Ints]:
    """Nodes at the start and end of each piece."""
    last = np.cumsum(per_line) - 1
    first = last - per_line + 1
    from_node, to_node = np.zeros(len(line), dtype=np.intp), np.zeros(len(line), dtype=np.intp)
    from_node[first], to_node[last] = end_node[0::2], end_node[1::2]
    behind = np.ones(len(line), dtype=bool)
    behind[first] = False
    before = np.ones(len(line), dtype=bool)
    before[last] = False
    from_node[behind], to_node[before] = cuts.node, cuts.node
    return from_node, to_node
