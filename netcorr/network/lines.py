"""Mains as flat arrays of vertices, in source order of their ids, and what lies near them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
import shapely

from netcorr.network.ground import GroundPlane

if TYPE_CHECKING:
    import geopandas as gpd
    import pyproj
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.intp]

#: Gap between two lines on the common axis of `Lines.axis`. [m]
AXIS_GAP_M = 100.0


@dataclass(frozen=True, eq=False)
class Lines:
    """Vertices of all mains, one after the other.

    Attributes
    ----------
    frame : geopandas.GeoDataFrame
        The mains, one row a line, index 0 to n - 1.
    ground : GroundPlane
        From the map to the plane.
    xyz : numpy.ndarray of float, shape (v, 3)
        Vertices in the CRS of the map; z is NaN where there is none.
    plane : numpy.ndarray of float, shape (v, 2)
        The same in a plane of ground metres. [m]
    first : numpy.ndarray of int, shape (n + 1,)
        First vertex of each line, and v.
    along_m : numpy.ndarray of float, shape (v,)
        Distance in the plane from the start of the line. [m]
    """

    frame: gpd.GeoDataFrame
    ground: GroundPlane
    xyz: Floats
    plane: Floats
    first: Ints
    along_m: Floats

    @classmethod
    def from_frame(cls, frame: gpd.GeoDataFrame, crs: pyproj.CRS) -> Lines:
        """Take the vertices out of a frame of LineStrings."""
        xyz, line = shapely.get_coordinates(frame.geometry.array, include_z=True, return_index=True)
        xyz[xyz[:, 2] == 0, 2] = np.nan  # a height of exactly nothing is a height not given
        return cls.from_vertices(frame, xyz, line=line, ground=GroundPlane.about(xyz[:, :2], crs))

    @classmethod
    def from_vertices(cls, frame: gpd.GeoDataFrame, xyz: Floats, *, line: Ints, ground: GroundPlane) -> Lines:
        """Take vertices with the number of the line that each belongs to, in order of the lines."""
        plane = ground.metres(xyz[:, :2])
        first = np.searchsorted(line, np.arange(len(frame) + 1))
        step_m = np.zeros(len(plane))
        step_m[1:] = np.hypot(*np.diff(plane, axis=0).T)
        step_m[first[:-1]] = 0.0
        total = np.cumsum(step_m)
        along_m = total - total[first[:-1]][line]
        return cls(frame=frame, ground=ground, xyz=xyz, plane=plane, first=first, along_m=along_m)

    def __len__(self) -> int:
        return len(self.frame)

    @cached_property
    def ids(self) -> NDArray[np.object_]:
        """Asset ids."""
        return np.asarray(self.frame["asset_id"], dtype=object)

    @cached_property
    def in_service(self) -> NDArray[np.bool_]:
        """Whether each line is in service."""
        return np.asarray(self.frame["in_service"], dtype=bool)

    @cached_property
    def length_m(self) -> Floats:
        """Lengths in the plane. [m]"""
        return self.along_m[self.first[1:] - 1]

    @cached_property
    def base_m(self) -> Floats:
        """Where each line starts on an axis on which all lie one after the other, with gaps. [m]"""
        return np.concatenate([[0.0], np.cumsum(self.length_m + AXIS_GAP_M)])[:-1]

    @cached_property
    def axis_m(self) -> Floats:
        """Vertices on that axis. [m]"""
        return self.along_m + np.repeat(self.base_m, np.diff(self.first))

    @cached_property
    def ends(self) -> Floats:
        """Ends in the plane, shape (2 n, 2): start of line k at 2 k, its end at 2 k + 1. [m]"""
        return self.plane[np.column_stack([self.first[:-1], self.first[1:] - 1]).ravel()]

    @cached_property
    def geometries(self) -> NDArray[np.object_]:
        """The lines as drawn in the plane."""
        owner = np.repeat(np.arange(len(self)), np.diff(self.first))
        return np.asarray(shapely.linestrings(self.plane, indices=owner))

    def at(self, line: Ints, along_m: Floats) -> Floats:
        """Coordinates (x, y, z) in the CRS of the map at places along lines, shape (p, 3)."""
        after = self.vertex_after(line, along_m)
        span = self.along_m[after] - self.along_m[after - 1]
        part = np.divide(along_m - self.along_m[after - 1], span, out=np.zeros(len(after)), where=span > 0)
        part = np.clip(part, 0.0, 1.0)[:, None]
        before, behind = self.xyz[after - 1], self.xyz[after]
        return np.where(part == 1, behind, before + part * (behind - before))

    def at_plane(self, line: Ints, along_m: Floats) -> Floats:
        """Places along lines, in the plane, shape (p, 2). [m]"""
        after = self.vertex_after(line, along_m)
        span = self.along_m[after] - self.along_m[after - 1]
        part = np.divide(along_m - self.along_m[after - 1], span, out=np.zeros(len(after)), where=span > 0)
        return self.plane[after - 1] + part[:, None] * (self.plane[after] - self.plane[after - 1])

    def vertex_after(self, line: Ints, along_m: Floats) -> Ints:
        """Index of the vertex behind each place; the one before it is on the same line."""
        found = np.searchsorted(self.axis_m, self.base_m[line] + along_m, side="right")
        return np.clip(found, self.first[line] + 1, self.first[line + 1] - 1)


class NearEnds(NamedTuple):
    """Ends (start of line k at 2 k, its end at 2 k + 1; of those at one place the first) and lines near."""

    end: Ints
    line: Ints


def near_ends(lines: Lines, tree: shapely.STRtree, within_m: float, *, ends: Ints | None = None) -> NearEnds:
    """Lines within a distance of ends.

    Parameters
    ----------
    lines : Lines
        Mains.
    tree : shapely.STRtree
        Of their geometries.
    within_m : float
        How near. [m]
    ends : numpy.ndarray of int, optional
        Which ends to ask for; every place of an end once unless given.

    Returns
    -------
    NearEnds
        Each end with its own line too.
    """
    if ends is None:
        code, _ = pd.factorize(lines.ends[:, 0] + 1j * lines.ends[:, 1])
        ends = np.unique(code, return_index=True)[1]
    row, line = tree.query(shapely.points(lines.ends[ends]), predicate="dwithin", distance=within_m)
    return NearEnds(ends[row], line)


class Near(NamedTuple):
    """Places on lines near to points; `pair` counts the pairs of point and line that were asked about."""

    pair: Ints
    segment: Ints  # index of the segment's first vertex
    along_m: Floats
    gap_m: Floats


def all_segments(lines: Lines, points: Floats, line: Ints) -> Near:
    """Nearest place on every segment of `line[k]` to `points[k]`, all in the plane."""
    count = lines.first[line + 1] - lines.first[line] - 1
    pair = np.repeat(np.arange(len(line)), count)
    before = np.cumsum(count) - count
    segment = np.arange(len(pair)) - np.repeat(before - lines.first[line], count)
    start = lines.plane[segment]
    span = lines.plane[segment + 1] - start
    square = np.einsum("ij,ij->i", span, span)
    dot = np.einsum("ij,ij->i", points[pair] - start, span)
    part = np.clip(np.divide(dot, square, out=np.zeros(len(dot)), where=square > 0), 0.0, 1.0)
    gap = points[pair] - (start + part[:, None] * span)
    along_m = lines.along_m[segment] + part * np.sqrt(square)
    return Near(pair=pair, segment=segment, along_m=along_m, gap_m=np.hypot(*gap.T))


def nearest_place(lines: Lines, points: Floats, line: Ints) -> tuple[Floats, Floats]:
    """Place along `line[k]` nearest to `points[k]`, and the gap between them. [m]"""
    near = all_segments(lines, points, line)
    least_m = _least(near, len(line))
    nearest = np.flatnonzero(near.gap_m == least_m[near.pair])
    best = nearest[np.searchsorted(near.pair[nearest], np.arange(len(line)))]
    return near.along_m[best], least_m


def gaps_m(lines: Lines, points: Floats, line: Ints) -> Floats:
    """Distance from `points[k]` to `line[k]`. [m]"""
    return _least(all_segments(lines, points, line), len(line))


def _least(near: Near, count: int) -> Floats:
    """Smallest gap of each pair; those of a pair lie side by side. [m]"""
    if not count:
        return np.zeros(0)
    return np.asarray(np.minimum.reduceat(near.gap_m, np.searchsorted(near.pair, np.arange(count))))


def nearest_places(near: Near, within_m: float) -> Near:
    """Of each stretch of neighbouring segments within `within_m`, the nearest place."""
    close = np.flatnonzero(near.gap_m <= within_m)
    pair, segment = near.pair[close], near.segment[close]
    new = np.ones(len(close), dtype=bool)
    new[1:] = (pair[1:] != pair[:-1]) | (segment[1:] != segment[:-1] + 1)
    stretch = np.cumsum(new) - 1
    order = np.lexsort((near.along_m[close], near.gap_m[close], stretch))
    best = close[order[np.searchsorted(stretch[order], np.arange(stretch[-1] + 1 if len(stretch) else 0))]]
    return Near(near.pair[best], near.segment[best], near.along_m[best], near.gap_m[best])
