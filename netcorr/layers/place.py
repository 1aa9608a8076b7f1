"""Whether layers lie where their CRS says: which CRS holds, what betrays a wrong one, one CRS for all."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import shapely

from netcorr.errors import LayerError
from netcorr.layers.crs import (
    AREA_MARGIN_DEG,
    geodesic_distances_m,
    looks_like_degrees,
    outside_area_deg,
    parse_crs,
    shift_note,
)
from netcorr.layers.shapes import centres, named

#: Fittings further than this from the nearest main's box cannot be of the same network. [m]
FARTHEST_M = 10_000.0

_TRUE_CRS = "give the CRS in which it was really drawn with --crs"


def placed(
    frame: gpd.GeoDataFrame, item: str, *, crs: Any, file_crs: pyproj.CRS | None, notes: list[str]
) -> gpd.GeoDataFrame:
    """Give a layer its CRS and check that it can lie there.

    Parameters
    ----------
    frame : geopandas.GeoDataFrame
        Features with a geometry, with an `asset_id`.
    item : str
        What it is, for messages.
    crs : pyproj.CRS, what makes one, or None
        CRS that was given for it; takes the place of the file's.
    file_crs : pyproj.CRS or None
        CRS that the file declares.
    notes : list of str
        Gets a sentence for a CRS that was replaced and for features out of place.

    Returns
    -------
    geopandas.GeoDataFrame
        The layer with its CRS; coordinates are as they were.

    Raises
    ------
    LayerError
        If there is no CRS, or the coordinates betray that it cannot be the true one.
    """
    known = parse_crs(crs if crs is not None else file_crs, item)
    if crs is not None and file_crs is not None and not known.equals(file_crs, ignore_axis_order=True):
        notes.append(f"{item}: read as {known.name}, as given, in place of {file_crs.name} in the file")
    out = frame.set_crs(known, allow_override=True)
    if len(out):
        _check_place(out, item, known, notes)
    return out


def reprojected(frame: gpd.GeoDataFrame, crs: pyproj.CRS, item: str, *, notes: list[str]) -> gpd.GeoDataFrame:
    """Bring a layer into the CRS of the mains.

    Parameters
    ----------
    frame : geopandas.GeoDataFrame
        Features with a CRS.
    crs : pyproj.CRS
        That of the mains.
    item : str
        What it is, for messages.
    notes : list of str
        Gets a sentence when the CRS was another one, and about a coarse datum shift.

    Returns
    -------
    geopandas.GeoDataFrame
        The layer in `crs`.

    Raises
    ------
    LayerError
        If a feature cannot be brought there.
    """
    if frame.crs.equals(crs, ignore_axis_order=True):
        return frame.set_crs(crs, allow_override=True)
    notes.append(f"{item}: brought from {frame.crs.name} to {crs.name}, the CRS of the mains")
    shift = shift_note(frame.crs, crs, bounds=frame.total_bounds if len(frame) else None)
    if shift is not None:
        notes.append(f"{item}: {shift}")
    out = frame.to_crs(crs)
    lost = ~np.isfinite(shapely.bounds(np.asarray(out.geometry))).all(axis=1)
    if lost.any():
        raise LayerError(item, found=f"{named(out, lost)} cannot be shown in {crs.name}", remedy=_TRUE_CRS)
    return out


def check_together(mains: gpd.GeoDataFrame, fittings: gpd.GeoDataFrame, item: str) -> None:
    """Refuse mains and fittings that lie in different places.

    Parameters
    ----------
    mains, fittings : geopandas.GeoDataFrame
        In one CRS.
    item : str
        The source, for the message.

    Raises
    ------
    LayerError
        If the boxes round the two are more than `FARTHEST_M` apart.
    """
    if not (len(mains) and len(fittings)):
        return
    a, b = mains.total_bounds, fittings.total_bounds
    low, high = np.maximum(a[:2], b[:2]), np.minimum(a[2:], b[2:])
    apart = low > high
    start, end = np.where(apart, high, low), low  # corners that face each other
    gap_m = float(geodesic_distances_m(start[0], start[1], end[0], end[1], mains.crs))
    if gap_m > FARTHEST_M:
        raise LayerError(
            item,
            found=f"the fittings lie {gap_m / 1000:.0f} km from the mains",
            remedy="one of the two layers has a wrong CRS: set crs for that layer in a mapping file",
        )


def _check_place(frame: gpd.GeoDataFrame, item: str, crs: pyproj.CRS, notes: list[str]) -> None:
    x, y = centres(frame, item)
    bounds = tuple(float(v) for v in frame.total_bounds)
    if looks_like_degrees(bounds, crs):
        raise LayerError(
            item,
            found=f"coordinates from ({bounds[0]:g}, {bounds[1]:g}) to ({bounds[2]:g}, {bounds[3]:g}) look "
            f"like degrees, but its CRS is {_called(crs)}",
            remedy=f"{_TRUE_CRS}, for example --crs EPSG:4326",
        )
    off = outside_area_deg(x, y, crs)
    far = off > AREA_MARGIN_DEG
    if far.mean() > 0.5:
        swapped = bool((outside_area_deg(y, x, crs) == 0).all())
        remedy = "x and y are exchanged in the file: put them in order" if swapped else _TRUE_CRS
        raise LayerError(item, found=_misplaced(x, y, off, far, crs), remedy=remedy)
    if np.isinf(off).any():
        raise LayerError(
            item,
            found=f"{named(frame, np.isinf(off))} with coordinates that cannot lie in {_called(crs)}",
            remedy="correct or delete them",
        )
    if far.any():
        notes.append(
            f"{item}: far outside the area of {_called(crs)}: {named(frame, far)}; check the coordinates"
        )
    elif (off > 0).mean() > 0.5:
        notes.append(f"{item}: lies up to {off.max():.1f} degrees outside the area meant for {_called(crs)}")


def _misplaced(x: Any, y: Any, off: Any, far: Any, crs: pyproj.CRS) -> str:
    first = int(np.argmax(far))
    at = f"coordinates such as ({x[first]:g}, {y[first]:g})"
    if np.isinf(off[first]):
        unit = "degrees of " if crs.is_geographic else "in "
        return f"{at} cannot be {unit}{_called(crs)}"
    area = crs.area_of_use.name.rstrip(".") if crs.area_of_use else "its area"
    return f"{at} lie {off[first]:.0f} degrees outside the area of {_called(crs)} ({area[:120]})"


def _called(crs: pyproj.CRS) -> str:
    code = crs.to_authority(min_confidence=100)
    return f"{crs.name} ({':'.join(code)})" if code else crs.name
