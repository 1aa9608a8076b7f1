"""Positions along a path to the map and back.

A position at a fraction of a segment's ground length goes to the same fraction of its drawn line. Distances
run from A; those below 0 or beyond `length_m` are not on the path and are refused.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely import LineString, Point

from netcorr.errors import PathError
from netcorr.network.ground import bearings_deg, geodesic_distances_m, ground_metric

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from netcorr.path.correlation_path import CorrelationPath

    Floats = NDArray[np.float64]

#: What lies beyond an end by less than this is rounding. [m]
ROUNDING_M = 1e-6

_WORDS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


@dataclass(frozen=True)
class Placement:
    """Place on a path nearest to a point.

    Attributes
    ----------
    from_a_m : float
        Distance from A along the path. [m]
    offset_m : float
        Ground distance between the point and the path. [m]
    also_m : tuple of float
        Other distances from A at which the path is equally near, where it touches or crosses itself. [m]
    """

    from_a_m: float
    offset_m: float
    also_m: tuple[float, ...] = ()


@dataclass(frozen=True, eq=False)
class _Vertices:
    """Vertices of the path as drawn, with their distances from A."""

    xy: Floats
    from_a_m: Floats


def points_at(path: CorrelationPath, from_a_m: ArrayLike) -> NDArray[np.object_]:
    """Points on the map at many distances along a path.

    Parameters
    ----------
    path : CorrelationPath
        The path.
    from_a_m : array_like of float, shape (n,)
        Distances from A. [m]

    Returns
    -------
    numpy.ndarray of shapely.Point, shape (n,)
        In the CRS of the path.

    Raises
    ------
    PathError
        If a distance is below 0, beyond the path, or not a number.
    """
    where = _checked(path, np.asarray(from_a_m, dtype=float))
    vertices = _vertices(path)
    x = np.interp(where, vertices.from_a_m, vertices.xy[:, 0])
    y = np.interp(where, vertices.from_a_m, vertices.xy[:, 1])
    return np.asarray(shapely.points(np.stack([x, y], axis=-1)))


def point_at(path: CorrelationPath, from_a_m: float) -> Point:
    """Point on the map at a distance along a path.

    Parameters
    ----------
    path : CorrelationPath
        The path.
    from_a_m : float
        Distance from A. [m]

    Returns
    -------
    shapely.Point
        In the CRS of the path.

    Raises
    ------
    PathError
        If the distance is below 0, beyond the path, or not a number.

    See Also
    --------
    distance_along : the way back.

    Examples
    --------
    >>> from netcorr.path import PathSegment, CorrelationPath
    >>> import pyproj
    >>> bend = LineString([(500000, 0), (500030, 0), (500030, 40)])
    >>> nan = float("nan")
    >>> segment = PathSegment("M1", "grey_iron", "CI", 150, nan, nan, nan, 77.0, bend, from_node=0, to_node=1)
    >>> path = CorrelationPath("V1", "H1", (segment,), crs=pyproj.CRS(32631))  # measured 77 m, drawn 70
    >>> point = point_at(path, 44.0)
    >>> round(point.x, 1), round(point.y, 1)
    (500030.0, 10.0)
    >>> round(distance_along(path, point).from_a_m, 6)
    44.0
    >>> shapely.to_wkt(stretch(path, 22.0, 77.0), rounding_precision=3)
    'LINESTRING (500020 0, 500030 0, 500030 40)'
    >>> direction_words(bearing_at(path, 22.0)), segment_at(path, 22.0)
    ('east', (0, 22.0))
    >>> point_at(path, 80.0)
    Traceback (most recent call last):
    ...
    netcorr.errors.PathError: path V1 to H1: position 80.00 m from V1 is off the path; ...
    """
    return Point(points_at(path, [from_a_m])[0])


def distance_along(path: CorrelationPath, point: Point) -> Placement:
    """Place on a path nearest to a point on the map.

    Parameters
    ----------
    path : CorrelationPath
        The path.
    point : shapely.Point
        In the CRS of the path.

    Returns
    -------
    Placement
        For a point made by `point_at` the distance that it was made from, to 1e-6 m; where the path touches
        itself, that distance is `from_a_m` or among `also_m`.

    Raises
    ------
    PathError
        If the point is empty.

    See Also
    --------
    point_at : the way back.
    """
    if point.is_empty:
        raise PathError("point", found="it is empty", remedy="give a point with coordinates")
    vertices = _vertices(path)
    target = np.array([point.x, point.y])
    # near the point the map is a plane: stretched and sheared to metres
    metres = (vertices.xy - target) @ ground_metric(point.x, point.y, path.crs).T
    start, span = metres[:-1], np.diff(metres, axis=0)
    square = np.einsum("ij,ij->i", span, span)
    part = np.divide(-np.einsum("ij,ij->i", start, span), square, out=np.zeros(len(square)), where=square > 0)
    part = np.clip(part, 0.0, 1.0)
    gap_m = np.hypot(*(start + part[:, None] * span).T)
    where = vertices.from_a_m[:-1] + part * np.diff(vertices.from_a_m)
    best = int(np.argmin(gap_m))
    foot = vertices.xy[best] + part[best] * (vertices.xy[best + 1] - vertices.xy[best])
    offset_m = float(geodesic_distances_m(point.x, point.y, foot[0], foot[1], path.crs))
    equal = np.unique(where[gap_m <= gap_m[best] + ROUNDING_M])
    others = equal[np.abs(equal - where[best]) > 2 * ROUNDING_M]
    return Placement(from_a_m=float(where[best]), offset_m=offset_m, also_m=tuple(others.tolist()))


def segment_at(path: CorrelationPath, from_a_m: float) -> tuple[int, float]:
    """Segment at a distance along a path, and how far into it.

    Parameters
    ----------
    path : CorrelationPath
        The path.
    from_a_m : float
        Distance from A. [m]

    Returns
    -------
    index : int
        Index into `path.segments`; where two meet, the one farther from A.
    into_m : float
        Distance from the segment's end nearer to A. [m]

    Raises
    ------
    PathError
        If the distance is below 0, beyond the path, or not a number.
    """
    where = float(_checked(path, np.array([from_a_m]))[0])
    ends = segment_ends_m(path)
    index = int(np.clip(np.searchsorted(ends, where, side="right") - 1, 0, len(path.segments) - 1))
    return index, min(where - float(ends[index]), path.segments[index].length_m)


def segment_ends_m(path: CorrelationPath) -> Floats:
    """Distances from A at which the segments of a path begin, and the last ends.

    Parameters
    ----------
    path : CorrelationPath
        The path, of n segments.

    Returns
    -------
    numpy.ndarray of float, shape (n + 1,)
        From 0 to `path.length_m`. [m]
    """
    ends = np.concatenate([[0.0], np.cumsum([segment.length_m for segment in path.segments])])
    ends[-1] = path.length_m
    return ends


def stretch(path: CorrelationPath, low_m: float, high_m: float) -> LineString:
    """Line on the map between two distances along a path.

    Parameters
    ----------
    path : CorrelationPath
        The path.
    low_m, high_m : float
        Distances from A, `low_m` below `high_m`. [m]

    Returns
    -------
    shapely.LineString
        In the CRS of the path, from A towards B.

    Raises
    ------
    PathError
        If a distance is not on the path, or the two are not in order.
    """
    if not low_m < high_m:
        raise PathError(
            f"path {path.sensor_a} to {path.sensor_b}",
            found=f"a stretch from {low_m} m to {high_m} m",
            remedy="give the distance nearer to A first",
        )
    low, high = _checked(path, np.array([low_m, high_m]))
    vertices = _vertices(path)
    inside = vertices.xy[(vertices.from_a_m > low) & (vertices.from_a_m < high)]
    ends = shapely.get_coordinates(points_at(path, [low, high]))
    xy = np.vstack([ends[:1], inside, ends[1:]])
    new = np.r_[True, (np.diff(xy, axis=0) != 0).any(axis=1)]
    new[-1] |= new.sum() < 2
    return LineString(xy[new])


def drawn_length_m(path: CorrelationPath) -> float:
    """Ground length of a path as drawn on the map, whatever was measured.

    Parameters
    ----------
    path : CorrelationPath
        The path.

    Returns
    -------
    float
        On the ellipsoid, without slope. [m]
    """
    xy = _vertices(path).xy
    return float(_steps_m(path, xy).sum())


def bearing_at(path: CorrelationPath, from_a_m: float) -> float:
    """Compass direction in which a path runs towards B.

    Parameters
    ----------
    path : CorrelationPath
        The path.
    from_a_m : float
        Distance from A; at a bend the direction behind it. [m]

    Returns
    -------
    float
        Clockwise from true north, 0 to 360. [degrees]

    Raises
    ------
    PathError
        If the distance is below 0, beyond the path, or not a number.
    """
    where = float(_checked(path, np.array([from_a_m]))[0])
    vertices = _vertices(path)
    steps = np.diff(vertices.from_a_m) > 0
    drawn = np.flatnonzero(steps & (np.diff(vertices.xy, axis=0) != 0).any(axis=1))
    k = int(
        drawn[np.clip(np.searchsorted(vertices.from_a_m[drawn], where, side="right") - 1, 0, len(drawn) - 1)]
    )
    (x1, y1), (x2, y2) = vertices.xy[k], vertices.xy[k + 1]
    return float(bearings_deg(x1, y1, x2, y2, path.crs)[0])


def direction_words(bearing_deg: float) -> str:
    """Compass direction in words.

    Parameters
    ----------
    bearing_deg : float
        Clockwise from north. [degrees]

    Returns
    -------
    str
        One of the eight winds.

    Examples
    --------
    >>> direction_words(0), direction_words(-50), direction_words(101.25)
    ('north', 'north-west', 'east')
    """
    return _WORDS[round((bearing_deg % 360) / 45) % 8]


@lru_cache(maxsize=256)
def _vertices(path: CorrelationPath) -> _Vertices:
    """Vertices of all segments; those where segments meet come twice, at the same distance."""
    ends = segment_ends_m(path)
    xy, owner = shapely.get_coordinates([s.geometry for s in path.segments], return_index=True)
    step_m = np.r_[0.0, _steps_m(path, xy)]
    step_m[np.r_[True, owner[1:] != owner[:-1]]] = 0.0
    drawn_m = np.bincount(owner, step_m)
    scale = np.divide(np.diff(ends), drawn_m, out=np.zeros(len(drawn_m)), where=drawn_m > 0)
    along = np.cumsum(step_m) - (np.cumsum(drawn_m) - drawn_m)[owner]
    from_a_m = np.clip(ends[owner] + along * scale[owner], ends[owner], ends[owner + 1])
    turn = owner[1:] != owner[:-1]
    from_a_m[np.r_[True, turn]], from_a_m[np.r_[turn, True]] = ends[:-1], ends[1:]
    return _Vertices(xy=xy, from_a_m=from_a_m)


def _steps_m(path: CorrelationPath, xy: Floats) -> Floats:
    return geodesic_distances_m(xy[:-1, 0], xy[:-1, 1], xy[1:, 0], xy[1:, 1], path.crs)


def _checked(path: CorrelationPath, from_a_m: Floats) -> Floats:
    """Distances on the path; what is off by rounding is moved onto it."""
    length_m = path.length_m
    wrong = ~((from_a_m >= -ROUNDING_M) & (from_a_m <= length_m + ROUNDING_M))
    if wrong.any():
        raise PathError(
            f"path {path.sensor_a} to {path.sensor_b}",
            found=f"position {float(from_a_m[wrong].ravel()[0]):.2f} m from {path.sensor_a} is off the path",
            remedy=f"give a distance from 0 to {length_m:.2f} m",
        )
    return np.clip(from_a_m, 0.0, length_m)
