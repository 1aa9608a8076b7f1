"""Stretches of pipe to the area of ground that a crew has to search."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.polygon import orient

from netcorr.errors import ExportError

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
    to_ground, to_map = _local_transformers(shapes, crs)
    ground = [_moved(shape, to_ground) for shape in shapes]
    buffered = shapely.union_all(shapely.buffer(ground, max(widen_m, LEAST_WIDENING_M), quad_segs=8))
    parts = [orient(part) for part in _polygons(_valid(_moved(buffered, to_map)))]
    return GroundArea(polygon=MultiPolygon(parts), area_m2=float(buffered.area))


def _local_transformers(
    shapes: Sequence[LineString | Point], crs: pyproj.CRS
) -> tuple[pyproj.Transformer, pyproj.Transformer]:
    """From the map to metres about the middle of the shapes, and back."""
    bounds = shapely.total_bounds(list(shapes))
    middle = ((bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2)
    lon, lat = pyproj.Transformer.from_crs(crs, _WGS84, always_xy=True).transform(*middle)
    if not (np.isfinite(lon) and np.isfinite(lat)):
        raise ExportError(
            "uncertainty area",
            found=f"its place {middle[0]:g}, {middle[1]:g} has no longitude and latitude in {crs.name}",
            remedy="check the CRS of the network",
        )
    local = pyproj.CRS.from_dict({"proj": "aeqd", "lon_0": lon, "lat_0": lat, "datum": "WGS84", "units": "m"})
    return (
        pyproj.Transformer.from_crs(crs, local, always_xy=True),
        pyproj.Transformer.from_crs(local, crs, always_xy=True),
    )


def _moved(shape: shapely.Geometry, transformer: pyproj.Transformer) -> shapely.Geometry:
    def move(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack(transformer.transform(xy[:, 0], xy[:, 1]))

    return shapely.transform(shapely.force_2d(shape), move)


def _valid(shape: shapely.Geometry) -> shapely.Geometry:
    return shape if shapely.is_valid(shape) else shapely.make_valid(shape)


def _polygons(shape: shapely.Geometry) -> list[Polygon]:
    parts = shapely.get_parts(shapely.get_parts(shape))
    return [part for part in parts if isinstance(part, Polygon) and not part.is_empty]
