"""A plane about a place, where a metre is a metre and up is north, whatever the CRS of the map."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray

from netcorr.errors import ExportError

#: Coordinates in, coordinates out.
_Move = Callable[[Any, Any], tuple[Any, Any]]

_WGS84 = pyproj.CRS.from_epsg(4326)


@dataclass(frozen=True, eq=False)
class LocalPlane:
    """Azimuthal equidistant plane about a place, in metres, up being true north.

    Attributes
    ----------
    crs : pyproj.CRS
        CRS of the map.
    lon_deg, lat_deg : float
        Place of the origin (WGS 84). [degrees]
    """

    crs: pyproj.CRS
    lon_deg: float
    lat_deg: float

    @classmethod
    def about(cls, shapes: Sequence[shapely.Geometry], crs: pyproj.CRS) -> LocalPlane:
        """Plane about the middle of the bounds of some shapes.

        Raises
        ------
        ExportError
            If the place has no longitude and latitude.
        """
        west, south, east, north = shapely.total_bounds(list(shapes))
        x, y = (west + east) / 2, (south + north) / 2
        lon, lat = _degrees_and_back(crs)[0](x, y)
        if not (np.isfinite(lon) and np.isfinite(lat)):
            raise ExportError(
                "result",
                found=f"its place {x:g}, {y:g} has no longitude and latitude in {crs.name}",
                remedy="check the CRS of the network",
            )
        return cls(crs, float(lon), float(lat))

    def from_map(self, shapes: Any) -> NDArray[np.object_]:
        """Shapes of the map in this plane, without heights."""
        to_degrees, _ = _degrees_and_back(self.crs)
        plane = self._projection()
        return _moved(shapes, lambda x, y: plane(*to_degrees(x, y)))

    def to_map(self, shapes: Any) -> NDArray[np.object_]:
        """Shapes of this plane on the map."""
        _, to_map = _degrees_and_back(self.crs)
        plane = self._projection()
        return _moved(shapes, lambda x, y: to_map(*plane(x, y, inverse=True)))

    def _projection(self) -> pyproj.Proj:
        return pyproj.Proj(proj="aeqd", lon_0=self.lon_deg, lat_0=self.lat_deg, ellps="WGS84")


def _moved(shapes: Any, move: _Move) -> NDArray[np.object_]:
    def move_all(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack(move(xy[:, 0], xy[:, 1])) if len(xy) else xy

    flat = shapely.force_2d(np.asarray(list(shapes), dtype=object))
    return np.asarray(shapely.transform(flat, move_all), dtype=object)


@lru_cache(maxsize=16)
def _degrees_and_back(crs: pyproj.CRS) -> tuple[_Move, _Move]:
    """From the map to longitude and latitude, and back: made once, since PROJ has to search for it."""
    there = pyproj.Transformer.from_crs(crs, _WGS84, always_xy=True)
    back = pyproj.Transformer.from_crs(_WGS84, crs, always_xy=True)
    return there.transform, back.transform
