"""Geometry on its way in: missing shapes dropped, types checked, parts told apart, heights judged."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from netcorr.errors import LayerError
from netcorr.layers.crs import geodesic_lengths_m
from netcorr.layers.names import listed

LINES = frozenset((shapely.GeometryType.LINESTRING, shapely.GeometryType.MULTILINESTRING))
POINTS = frozenset((shapely.GeometryType.POINT, shapely.GeometryType.MULTIPOINT))
#: Fittings are points; valves may be short lines.
POINTS_OR_LINES = POINTS | LINES
_WORDS = {LINES: "lines", POINTS: "points", POINTS_OR_LINES: "points or short lines"}
_SINGLE = [int(shapely.GeometryType.POINT), int(shapely.GeometryType.LINESTRING)]


def with_shape(frame: gpd.GeoDataFrame, item: str, notes: list[str]) -> gpd.GeoDataFrame:
    """Drop features without a geometry, and say so.

    Parameters
    ----------
    frame : geopandas.GeoDataFrame
        As read, with an `asset_id`.
    item : str
        What it is, for the note.
    notes : list of str
        Gets a sentence when something was dropped.

    Returns
    -------
    geopandas.GeoDataFrame
        The features with a geometry.
    """
    shapes = np.asarray(frame.geometry)
    gone = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    if gone.any():
        ids = frame["asset_id"].to_numpy()[gone]
        notes.append(f"{item}: {gone.sum()} without a usable geometry left out ({listed(ids, most=5)})")
    return frame[~gone] if gone.any() else frame


def check_types(frame: gpd.GeoDataFrame, allowed: frozenset[shapely.GeometryType], item: str) -> None:
    """Refuse a layer that holds other types of geometry than it should.

    Parameters
    ----------
    frame : geopandas.GeoDataFrame
        Features with a geometry, with an `asset_id`.
    allowed : frozenset of shapely.GeometryType
        `LINES` or `POINTS`.
    item : str
        What it is, for the message.

    Raises
    ------
    LayerError
        If a feature is of another type; names the first.
    """
    kinds = shapely.get_type_id(np.asarray(frame.geometry))
    wrong = ~np.isin(kinds, [int(kind) for kind in allowed])
    if wrong.any():
        first = int(np.argmax(wrong))
        kind = shapely.GeometryType(int(kinds[first])).name.lower()
        raise LayerError(
            item,
            found=f"{wrong.sum()} of {len(frame)} features are not {_WORDS[allowed]}: "
            f"{frame['asset_id'].iloc[first]} is a {kind}",
            remedy=f"give a layer of {_WORDS[allowed]}, or split the others off",
        )


def explode(frame: gpd.GeoDataFrame, item: str, notes: list[str]) -> gpd.GeoDataFrame:
    """One row for each part of a multipart feature.

    Parameters
    ----------
    frame : geopandas.GeoDataFrame
        Features with a geometry, an `asset_id`, and a `length_m` if they are mains.
    item : str
        What it is, for the note.
    notes : list of str
        Gets a sentence when there were several parts.

    Returns
    -------
    geopandas.GeoDataFrame
        The first part keeps the id, the next are ``id#2``, ``id#3``. A measured length is shared out by
        the drawn length of the parts.
    """
    shapes = np.asarray(frame.geometry)
    if np.isin(shapely.get_type_id(shapes), _SINGLE).all():
        return frame
    parts, owner = shapely.get_parts(shapes, return_index=True)
    real = ~shapely.is_empty(parts)
    parts, owner = parts[real], owner[real]
    starts = np.r_[True, owner[1:] != owner[:-1]] if len(owner) else np.zeros(0, dtype=bool)
    number = np.arange(len(owner)) - np.maximum.accumulate(np.where(starts, np.arange(len(owner)), 0)) + 1
    out = frame.iloc[owner].set_geometry(gpd.GeoSeries(parts, index=frame.index[owner], crs=frame.crs))
    if len(out) == len(frame) and not (number > 1).any():
        return out
    ids = out["asset_id"].to_numpy(dtype=object)
    several = np.unique(ids[number > 1])
    notes.append(
        f"{item}: {len(several)} of several parts ({listed(several, most=5)}); their further parts are "
        f"called {several[0]}#2 and so on"
    )
    out["asset_id"] = [f"{i}#{n}" if n > 1 else i for i, n in zip(ids, number, strict=True)]
    if "length_m" in out:
        out["length_m"] = out["length_m"].to_numpy() * _shares(parts, owner, frame)
    return out


def _shares(parts: Any, owner: Any, frame: gpd.GeoDataFrame) -> Any:
    drawn_m = geodesic_lengths_m(parts, frame.crs)
    whole_m = np.bincount(owner, drawn_m, minlength=len(frame))[owner]
    return np.divide(drawn_m, whole_m, out=np.ones_like(drawn_m), where=whole_m > 0)


def with_true_height(frame: gpd.GeoDataFrame, item: str, notes: list[str]) -> gpd.GeoDataFrame:
    """Keep heights that are heights: all zero is no height, and a line with gaps in it is level.

    Parameters
    ----------
    frame : geopandas.GeoDataFrame
        Lines, with an `asset_id`.
    item : str
        What it is, for the note.
    notes : list of str
        Gets a sentence when heights were dropped.

    Returns
    -------
    geopandas.GeoDataFrame
        Lines with Z where it is true, without elsewhere.
    """
    shapes = np.asarray(frame.geometry)
    tall = np.flatnonzero(shapely.has_z(shapes))
    if not len(tall):
        return frame
    z, owner = shapely.get_coordinates(shapes[tall], include_z=True, return_index=True)
    known = np.isfinite(z[:, 2]) & (z[:, 2] != 0)
    filled = np.bincount(owner, known, minlength=len(tall))
    partly = (filled > 0) & (filled < np.bincount(owner, minlength=len(tall)))
    flat = tall[(filled == 0) | partly]
    if not len(flat):
        return frame
    shapes = shapes.copy()
    shapes[flat] = shapely.force_2d(shapes[flat])
    if partly.any():
        ids = frame["asset_id"].to_numpy()[tall[partly]]
        notes.append(
            f"{item}: {partly.sum()} with a height of 0 or none at some points only ({listed(ids, most=5)}); "
            "they are taken as level"
        )
    elif len(flat) == len(tall):
        notes.append(f"{item}: all heights (Z) are 0 and are left out")
    return frame.set_geometry(gpd.GeoSeries(shapes, index=frame.index, crs=frame.crs))


def centres(frame: gpd.GeoDataFrame, item: str) -> tuple[Any, Any]:
    """Middle of the box round each feature.

    Parameters
    ----------
    frame : geopandas.GeoDataFrame
        Features with a geometry, with an `asset_id`.
    item : str
        What it is, for the message.

    Returns
    -------
    tuple of numpy.ndarray of float, shape (n,)
        x and y, in the unit of the CRS.

    Raises
    ------
    LayerError
        If a coordinate is no finite number; names the features.
    """
    bounds = shapely.bounds(np.asarray(frame.geometry))
    wrong = ~np.isfinite(bounds).all(axis=1)
    if wrong.any():
        raise LayerError(
            item,
            found=f"{named(frame, wrong)} with coordinates that are no numbers",
            remedy="correct or delete them",
        )
    return (bounds[:, 0] + bounds[:, 2]) / 2, (bounds[:, 1] + bounds[:, 3]) / 2


def named(frame: gpd.GeoDataFrame, which: Any) -> str:
    """Count some features and name the first few.

    Parameters
    ----------
    frame : geopandas.GeoDataFrame
        Features, with an `asset_id`.
    which : numpy.ndarray of bool, shape (n,)
        Those meant.

    Returns
    -------
    str
        For example ``2 features (P1, P7)``.
    """
    ids: Sequence[Any] = frame["asset_id"].to_numpy()[which].tolist()
    return f"{len(ids)} {'feature' if len(ids) == 1 else 'features'} ({listed(ids, most=5)})"
