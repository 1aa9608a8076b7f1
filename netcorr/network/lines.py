"""Mains as flat arrays of vertices, in source order of their ids."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

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
        first = np.append(0, np.cumsum(np.bincount(line, minlength=len(frame))))
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
    def end_spot(self) -> Ints:
        """Place of each end, in the order of `ends`: row of `spots`, counted as they first appear."""
        return self._spots[0]

    @cached_property
    def spots(self) -> Floats:
        """Places of ends, each once, shape (s, 2). [m]"""
        return self._spots[1]

    @cached_property
    def _spots(self) -> tuple[Ints, Floats]:
        code, unique = pd.factorize(self.ends[:, 0] + 1j * self.ends[:, 1])
        return np.asarray(code, dtype=np.intp), np.column_stack([unique.real, unique.imag])

    @cached_property
    def spot_end(self) -> Ints:
        """First end at each place of `spots`."""
        found = np.empty(len(self.spots), dtype=np.intp)
        found[self.end_spot[::-1]] = np.arange(len(self.end_spot))[::-1]
        return found

    def shapes(self, line: Ints) -> NDArray[np.object_]:
        """Some of the lines as drawn in the plane, each given once or several times."""
        count = np.diff(self.first)[line]
        owner = np.repeat(np.arange(len(line)), count)
        vertex = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count - self.first[line], count)
        return np.asarray(shapely.linestrings(self.plane[vertex], indices=owner), dtype=object)

    def take(self, which: NDArray[np.bool_]) -> Lines:
        """Some of the lines, in the same plane."""
        kept = np.repeat(which, np.diff(self.first))
        return Lines(
            frame=self.frame[which].reset_index(drop=True),
            ground=self.ground,
            xyz=self.xyz[kept],
            plane=self.plane[kept],
            first=np.concatenate([[0], np.cumsum(np.diff(self.first)[which])]),
            along_m=self.along_m[kept],
        )

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
