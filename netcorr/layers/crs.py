"""Coordinate reference systems: which one, whether it can be true, and ground lengths in any of them.

Lengths are measured on the ellipsoid, never in the plane of the map: Web Mercator stretches a pipe in
Oslo to twice its length, and degrees are no length at all.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pyproj
import shapely
from pyproj.aoi import AreaOfInterest
from pyproj.exceptions import CRSError, ProjError
from pyproj.transformer import TransformerGroup

from netcorr.errors import LayerError
from netcorr.layers.geodesics import geodesics_m

if TYPE_CHECKING:
    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]

#: How far outside the area of use of its CRS a layer may lie before the CRS cannot be true. Areas of use
#: are boxes, and utilities at the edge of a zone draw on in the neighbour's. [degrees]
AREA_MARGIN_DEG = 3.0

_GIVE_CRS = "give the CRS it was drawn in with --crs, for example --crs EPSG:32633"
_LINES = {shapely.GeometryType.LINESTRING, shapely.GeometryType.LINEARRING}


def parse_crs(value: Any, item: str) -> pyproj.CRS:
    """CRS from whatever names one, checked for use in lengths.

    Parameters
    ----------
    value : pyproj.CRS, str, int or None
        CRS, code such as ``EPSG:32633``, or WKT.
    item : str
        What it belongs to, for the message.

    Returns
    -------
    pyproj.CRS
        A geographic or projected CRS.

    Raises
    ------
    LayerError
        If there is none, it is not understood, or it is not tied to the earth.

    Examples
    --------
    >>> parse_crs("EPSG:32633", "layer mains").name
    'WGS 84 / UTM zone 33N'
    """
    if value is None or value == "":
        raise LayerError(item, found="no CRS", remedy=_GIVE_CRS)
    try:
        crs = pyproj.CRS.from_user_input(value)
    except (CRSError, TypeError) as error:
        raise LayerError(
            item,
            found=f"CRS {str(value)[:80]!r} is not known",
            remedy="give a code such as EPSG:32633, or the text of a .prj file",
        ) from error
    if not (horizontal_crs(crs).is_projected or horizontal_crs(crs).is_geographic):
        raise LayerError(item, found=f"CRS {crs.name!r} has no tie to the earth", remedy=_GIVE_CRS)
    return crs


def geodesic_lengths_m(geometries: Sequence[Any] | npt.NDArray[Any], crs: Any) -> FloatArray:
    """Ground length of lines: on the ellipsoid, with the slope where they carry Z.

    Parameters
    ----------
    geometries : sequence of shapely.LineString or shapely.MultiLineString, shape (n,)
        Lines in `crs`. An empty line is 0 m long, None is NaN.
    crs : pyproj.CRS or what makes one
        CRS of the coordinates, in whatever unit.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Lengths. [m]

    Raises
    ------
    LayerError
        If something is not a line, the CRS is unknown, or a coordinate cannot lie in it.

    Notes
    -----
    Every coordinate is transformed once to longitude and latitude on the datum of `crs`, so that no
    datum shift enters, and the distance between neighbours is that along the ellipsoid (`geodesics_m`).
    Height above the ellipsoid is left out: it would add 0.016 % for each 1000 m. Z is in the unit of the
    vertical axis where `crs` has one, else in that of the map (metres for degrees). A step without Z at
    both ends counts as level.

    References
    ----------
    C. F. F. Karney, Algorithms for geodesics, J. Geodesy 87 (2013) 43-55, doi 10.1007/s00190-012-0578-z.

    Examples
    --------
    >>> from shapely import LineString
    >>> line = LineString([(0.0, 0.0), (0.0, 1.0)])  # one degree of latitude from the equator
    >>> round(float(geodesic_lengths_m([line], "EPSG:4326")[0]), 3)
    110574.389
    """
    lines = np.asarray(geometries, dtype=object)
    parts, owner = shapely.get_parts(lines, return_index=True)
    _refuse_other_than_lines(parts)
    xyz, part = shapely.get_coordinates(parts, include_z=True, return_index=True)
    metres = np.zeros(len(lines))
    if len(xyz):
        step = np.flatnonzero(part[1:] == part[:-1])
        steps_m = geodesic_steps_m(xyz[:, :2], step, step + 1, parse_crs(crs, "lines"))
        if not np.isnan(xyz[:, 2]).all():
            steps_m = np.hypot(steps_m, rises_m(xyz[:, 2], step, step + 1, crs))
        metres += np.bincount(owner[part[step]], steps_m, minlength=len(lines))
    metres[shapely.is_missing(lines)] = np.nan
    return metres


def geodesic_distances_m(
    x1: npt.ArrayLike, y1: npt.ArrayLike, x2: npt.ArrayLike, y2: npt.ArrayLike, crs: Any
) -> FloatArray:
    """Ground distance between points, on the ellipsoid.

    Parameters
    ----------
    x1, y1, x2, y2 : array_like of float
        Coordinates in `crs`, shapes that broadcast; x is easting or longitude.
    crs : pyproj.CRS or what makes one
        CRS of the coordinates.

    Returns
    -------
    numpy.ndarray of float
        Distances. [m]

    Raises
    ------
    LayerError
        If the CRS is unknown or a coordinate cannot lie in it.

    Examples
    --------
    >>> round(float(geodesic_distances_m(500000, 0, 500100, 0, "EPSG:32633")), 3)  # scale there is 0.9996
    100.04
    """
    arrays = np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in (x1, y1, x2, y2)))
    ax, ay, bx, by = (np.ravel(v) for v in arrays)
    known = parse_crs(crs, "points")
    lon, lat = lon_lat_rad(np.concatenate([ax, bx]), np.concatenate([ay, by]), known)
    n = ax.size
    return geodesics_m(lon[:n], lat[:n], lon[n:], lat[n:], _geod(known)).reshape(arrays[0].shape)


def geodesic_steps_m(
    xy: FloatArray, one: npt.NDArray[np.intp], other: npt.NDArray[np.intp], crs: pyproj.CRS
) -> FloatArray:
    """Ground distance between pairs of places, each of which is brought to the ellipsoid once.

    Parameters
    ----------
    xy : numpy.ndarray of float, shape (m, 2)
        Places in `crs`.
    one, other : numpy.ndarray of int, shape (n,)
        Rows of `xy`.
    crs : pyproj.CRS
        CRS of the map.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Distances, level. [m]

    Raises
    ------
    LayerError
        If a coordinate cannot lie in `crs`.
    """
    lon, lat = lon_lat_rad(xy[:, 0], xy[:, 1], crs)
    return geodesics_m(lon[one], lat[one], lon[other], lat[other], _geod(crs))


def rises_m(z: FloatArray, one: npt.NDArray[np.intp], other: npt.NDArray[np.intp], crs: Any) -> FloatArray:
    """Heights climbed between pairs of places, 0 where the height of either is not known (NaN). [m]"""
    return np.nan_to_num(z[other] - z[one], nan=0.0) * _z_unit_m(crs)


def bearings_deg(
    x1: npt.ArrayLike, y1: npt.ArrayLike, x2: npt.ArrayLike, y2: npt.ArrayLike, crs: pyproj.CRS
) -> FloatArray:
    """Compass direction from one point to another, on the ellipsoid.

    Parameters
    ----------
    x1, y1, x2, y2 : array_like of float, shape (n,)
        Coordinates in `crs`.
    crs : pyproj.CRS
        CRS of the map.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Clockwise from true north, 0 to 360. [degrees]

    Raises
    ------
    LayerError
        If a coordinate cannot lie in `crs`.
    """
    x1, y1, x2, y2 = (np.atleast_1d(np.asarray(v, dtype=float)) for v in (x1, y1, x2, y2))
    (lon1, lat1), (lon2, lat2) = lon_lat_rad(x1, y1, crs), lon_lat_rad(x2, y2, crs)
    azimuth = _geod(crs).inv(lon1, lat1, lon2, lat2, radians=True)[0]
    return np.asarray(np.degrees(azimuth) % 360, dtype=float)


def looks_like_degrees(bounds: Sequence[float], crs: pyproj.CRS) -> bool:
    """Whether a layer that claims a projected CRS holds longitudes and latitudes.

    Parameters
    ----------
    bounds : sequence of float
        West, south, east, north in the unit of `crs`.
    crs : pyproj.CRS
        The claimed CRS.

    Returns
    -------
    bool
        True when every coordinate would also be a longitude and a latitude. A grid without a stated
        area of use may well start at 0, so it is never suspected.

    Examples
    --------
    >>> looks_like_degrees((14.2, 50.0, 14.3, 50.1), pyproj.CRS("EPSG:32633"))
    True
    """
    west, south, east, north = bounds
    small = max(abs(west), abs(east)) <= 180 and max(abs(south), abs(north)) <= 90
    return bool(small and horizontal_crs(crs).is_projected and crs.area_of_use is not None)


def outside_area_deg(x: npt.ArrayLike, y: npt.ArrayLike, crs: pyproj.CRS) -> FloatArray:
    """How far points lie outside the area for which their CRS was made.

    Parameters
    ----------
    x, y : array_like of float, shape (n,)
        Coordinates in `crs`.
    crs : pyproj.CRS
        The claimed CRS.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        0 inside (or where the CRS states no area), infinite where the coordinates cannot lie in the CRS
        at all. [degrees]

    Examples
    --------
    >>> x, y = [500000.0, 5.0e6], [5.5e6, 5.5e6]
    >>> outside_area_deg(x, y, pyproj.CRS("EPSG:32633")).round(1)
    array([ 0. , 46.7])
    """
    flat = horizontal_crs(crs)
    lon, lat = _transform(flat, np.asarray(x, dtype=float), np.asarray(y, dtype=float))
    unit_deg = np.degrees(_angular_unit_rad(flat))
    lon, lat = lon * unit_deg + _prime_meridian_deg(flat), lat * unit_deg
    beyond = np.where(np.isfinite(lon) & np.isfinite(lat) & (np.abs(lat) <= 90.000001), 0.0, np.inf)
    beyond[np.abs(lon) > 360] = np.inf
    area = crs.area_of_use
    if area is None:
        return beyond
    width = (area.east - area.west) % 360 or 360.0  # an area may lie across the antimeridian
    with np.errstate(invalid="ignore"):
        east = (lon - area.west) % 360
        off_lon = np.where(east <= width, 0.0, np.minimum(east - width, 360 - east))
        off_lat = np.maximum(np.maximum(area.south - lat, lat - area.north), 0.0)
    off = np.maximum(off_lon, off_lat)
    return np.where(np.isfinite(off), np.maximum(beyond, off), np.inf)


def shift_note(
    source: pyproj.CRS, target: pyproj.CRS, *, bounds: Sequence[float] | None = None
) -> str | None:
    """Warn of a datum shift that is coarse or not at hand, in a sentence.

    Parameters
    ----------
    source, target : pyproj.CRS
        From and to.
    bounds : sequence of float, optional
        West, south, east, north in the unit of `source`: the accuracy depends on the place.

    Returns
    -------
    str or None
        A sentence when the best shift is not at hand (its grid file is missing) or is worse than 1 m.

    Examples
    --------
    >>> shift_note(pyproj.CRS("EPSG:32633"), pyproj.CRS("EPSG:4326")) is None
    True
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pyproj warns of what is returned here as a sentence
        group = TransformerGroup(source, target, always_xy=True, area_of_interest=_area(source, bounds))
    accuracy_m = group.transformers[0].accuracy if group.transformers else -1.0
    if group.best_available and 0 <= accuracy_m <= 1:
        return None
    known = f"about {accuracy_m:g} m" if accuracy_m >= 0 else "unknown"
    why = "" if group.best_available else f" because {_missing_grid(group)}"
    return f"the datum shift from {source.name} to {target.name} has an accuracy that is {known}{why}"


def _area(source: pyproj.CRS, bounds: Sequence[float] | None) -> Any:
    if bounds is None or not np.isfinite(bounds).all():
        return None
    to_degrees = pyproj.Transformer.from_crs(source, "EPSG:4326", always_xy=True)
    west, south, east, north = bounds
    degrees = to_degrees.transform_bounds(west, south, east, north)
    return AreaOfInterest(*degrees) if np.isfinite(degrees).all() else None


def _missing_grid(group: TransformerGroup) -> str:
    """Say which file would give the best shift, and how good it would be."""
    missing = [
        (operation.accuracy, grid.short_name)
        for operation in group.unavailable_operations
        for grid in operation.grids
        if not grid.available
    ]
    if not missing:
        return "the best shift is not installed"
    accuracy_m, name = missing[0]
    good = f", good to {accuracy_m:g} m," if accuracy_m >= 0 else ""
    return f"the grid file of the best shift ({name}){good} is not installed"


def _refuse_other_than_lines(parts: npt.NDArray[Any]) -> None:
    kinds = set(np.unique(shapely.get_type_id(parts)).tolist()) - _LINES
    if kinds:
        names = ", ".join(shapely.GeometryType(kind).name.lower() for kind in sorted(kinds))
        raise LayerError("lines", found=f"{names} among them", remedy="only lines have a length along them")


def lon_lat_rad(x: FloatArray, y: FloatArray, crs: pyproj.CRS) -> tuple[FloatArray, FloatArray]:
    """Longitude from the CRS's own meridian and latitude, each shape (n,). [rad]

    Raises
    ------
    LayerError
        If a coordinate cannot lie in `crs`.
    """
    flat = horizontal_crs(crs)
    lon, lat = (v * _angular_unit_rad(flat) for v in _transform(flat, x, y))
    wrong = ~(np.isfinite(lon) & np.isfinite(lat) & (np.abs(lat) <= np.pi / 2 + 1e-9))
    if wrong.any():
        k = int(np.argmax(wrong))
        raise LayerError(
            "coordinates",
            found=f"({x[k]:g}, {y[k]:g}) cannot lie in {crs.name}",
            remedy="correct the coordinates, or give the true CRS with --crs",
        )
    return lon, lat


def _transform(flat: pyproj.CRS, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    if flat.is_geographic:
        return x, y
    try:
        lon, lat = _to_geographic(flat).transform(x, y)
    except ProjError:
        lon, lat = np.full_like(x, np.inf), np.full_like(y, np.inf)
    return np.asarray(lon), np.asarray(lat)


@lru_cache(maxsize=32)
def _to_geographic(flat: pyproj.CRS) -> pyproj.Transformer:
    return pyproj.Transformer.from_crs(flat, flat.geodetic_crs, always_xy=True)


@lru_cache(maxsize=32)
def _geod(crs: pyproj.CRS) -> pyproj.Geod:
    geod = horizontal_crs(crs).get_geod()
    if geod is None:
        raise LayerError(f"CRS {crs.name}", found="no ellipsoid", remedy=_GIVE_CRS)
    return geod


@lru_cache(maxsize=32)
def _angular_unit_rad(flat: pyproj.CRS) -> float:
    geodetic = flat.geodetic_crs or flat
    return float(geodetic.axis_info[0].unit_conversion_factor)  # some old national CRSs use grads


def _prime_meridian_deg(flat: pyproj.CRS) -> float:
    meridian = flat.prime_meridian
    if meridian is None:
        return 0.0
    return float(np.degrees(meridian.longitude * float(meridian.unit_conversion_factor)))


@lru_cache(maxsize=32)
def horizontal_crs(crs: pyproj.CRS) -> pyproj.CRS:
    """Keep the map's two axes, without a height axis and without a stored datum shift."""
    if crs.is_bound and crs.source_crs is not None:
        return horizontal_crs(crs.source_crs)
    if crs.is_compound:
        return horizontal_crs(crs.sub_crs_list[0])
    return crs.to_2d() if len(crs.axis_info) == 3 else crs


def _z_unit_m(crs: Any) -> float:
    known = parse_crs(crs, "lines")
    axes = known.axis_info
    if len(axes) == 3:
        return float(axes[2].unit_conversion_factor)
    return 1.0 if known.is_geographic else float(axes[0].unit_conversion_factor)
