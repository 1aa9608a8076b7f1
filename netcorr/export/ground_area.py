"""Stretches of pipe to the area of ground that a crew has to search."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pyproj
import shapely
from shapely import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.polygon import orient

from netcorr.export.local_plane import LocalPlane

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
        If it cannot be placed on the earth.

    Examples
    --------
    >>> line = LineString([(500000, 5500000), (500100, 5500000)])
    >>> area = widened_area([line], pyproj.CRS.from_epsg(25832), widen_m=1.0)
    >>> round(area.area_m2), area.polygon.geom_type
    (203, 'MultiPolygon')
    """
    plane = LocalPlane.about(shapes, crs)
    strips = shapely.buffer(plane.from_map(shapes), max(widen_m, LEAST_WIDENING_M), quad_segs=8)
    ground = shapely.union_all(strips)
    [on_map] = plane.to_map([ground])
    parts = [orient(part) for part in _polygons(on_map if on_map.is_valid else shapely.make_valid(on_map))]
    return GroundArea(polygon=MultiPolygon(parts), area_m2=float(ground.area))


def _polygons(shape: shapely.Geometry) -> list[Polygon]:
    parts = shapely.get_parts(shapely.get_parts(shape))
    return [part for part in parts if isinstance(part, Polygon) and not part.is_empty]
