"""Stretches of pipe to the area of ground that a crew has to search."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.polygon import orient

from netcorr.errors import ExportError

#: Coordinates in, coordinates out.
_Move = Callable[[Any, Any], tuple[Any, Any]]

_WGS84 = pyproj.CRS.from_epsg(4326)

#: A map is never exact: no area is drawn narrower than this on either side of the pipe. [m]
LEAST_WIDENING_M = 0.25


@dataclass(frozen=True, eq=False)
class GroundArea:
    """An area on the map with its size on the ground.

    Attributes
    ----------
    polygon : shapely.MultiPolygon
        In the CRS of the map, valid, exteriors counter-clockwise.
    area_m2 : float
        Size on the ground. [m2]
    """

    polygon: MultiPolygon
    area_m2: float


def widened_area(shapes: Sequence[LineString | Point], crs: pyproj.CRS, *, widen_m: float) -> GroundArea:
    """Area within a distance of lines or points, measured on the ground.

    The buffer is made in an azimuthal equidistant projection about the middle of the shapes, where
    a metre is a metre whatever the CRS of the map: degrees, feet or Web Mercator.

    Parameters
    ----------
    shapes : sequence of shapely.LineString or shapely.Point
        In `crs`; at least one.
    crs : pyproj.CRS
        CRS of the map.
    widen_m : float
        Distance, on either side. Less than `LEAST_WIDENING_M` is taken as that. [m]

    Returns
    -------
    GroundArea
        One polygon for each connected part.

    Raises
    ------
    ExportError
        If there is nothing to widen, or it cannot be placed on the earth.

    Examples
    --------
    >>> line = LineString([(500000, 5500000), (500100, 5500000)])
    >>> area = widened_area([line], pyproj.CRS.from_epsg(25832), widen_m=1.0)
    >>> round(area.area_m2), area.polygon.geom_type
    (203, 'MultiPolygon')
    """
    plane = _plane_about(shapes, crs)
    to_degrees, to_map = _degrees_and_back(crs)
    ground = [_moved(_moved(shape, to_degrees), plane) for shape in shapes]
    buffered = shapely.union_all(shapely.buffer(ground, max(widen_m, LEAST_WIDENING_M), quad_segs=8))
    on_map = _moved(_moved(buffered, partial(plane, inverse=True)), to_map)
    parts = [orient(part) for part in _polygons(_valid(on_map))]
    return GroundArea(polygon=MultiPolygon(parts), area_m2=float(buffered.area))


@lru_cache(maxsize=16)
def _degrees_and_back(crs: pyproj.CRS) -> tuple[_Move, _Move]:
    """From the map to longitude and latitude, and back: made once, since PROJ has to search for it."""
    there = pyproj.Transformer.from_crs(crs, _WGS84, always_xy=True)
    back = pyproj.Transformer.from_crs(_WGS84, crs, always_xy=True)
    return there.transform, back.transform


def _plane_about(shapes: Sequence[LineString | Point], crs: pyproj.CRS) -> pyproj.Proj:
    """Projection in metres about the middle of the shapes."""
    west, south, east, north = shapely.total_bounds(list(shapes))
    x, y = (west + east) / 2, (south + north) / 2
    lon, lat = _degrees_and_back(crs)[0](x, y)
    if not (np.isfinite(lon) and np.isfinite(lat)):
        raise ExportError(
            "uncertainty area",
            found=f"its place {x:g}, {y:g} has no longitude and latitude in {crs.name}",
            remedy="check the CRS of the network",
        )
    return pyproj.Proj(proj="aeqd", lon_0=lon, lat_0=lat, ellps="WGS84")


def _moved(shape: shapely.Geometry, move: _Move) -> shapely.Geometry:
    def move_all(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack(move(xy[:, 0], xy[:, 1]))

    return shapely.transform(shapely.force_2d(shape), move_all)


def _valid(shape: shapely.Geometry) -> shapely.Geometry:
    return shape if shapely.is_valid(shape) else shapely.make_valid(shape)


def _polygons(shape: shapely.Geometry) -> list[Polygon]:
    parts = shapely.get_parts(shapely.get_parts(shape))
    return [part for part in parts if isinstance(part, Polygon) and not part.is_empty]
