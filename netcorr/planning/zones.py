"""Zone of each main: from a column of its own, or from the polygon that its middle lies in."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    import geopandas as gpd

    from netcorr.planning.from_network import PlanningMap


def zones_by_polygon(mains: PlanningMap, zones: gpd.GeoDataFrame) -> list[str]:
    """Zone that the middle of each edge lies in.

    Parameters
    ----------
    mains : PlanningMap
        Open mains.
    zones : geopandas.GeoDataFrame
        Column `zone` and polygons in the CRS of the network.

    Returns
    -------
    list of str, length m
        Of several polygons the first; empty outside all.
    """
    lines = [edge["geometry"] for edge in mains.edges]
    middle = shapely.line_interpolate_point(lines, 0.5, normalized=True)
    point, zone = shapely.STRtree(zones.geometry.to_numpy()).query(middle, predicate="intersects")
    first = np.full(len(lines), len(zones))
    np.minimum.at(first, point, zone)
    names = np.array([*zones["zone"].tolist(), ""], dtype=object)
    found: list[str] = names[first].tolist()
    return found


def zones_by_column(mains: PlanningMap, zone_of: Mapping[str, str]) -> list[str]:
    """Zone of each edge by the id of its main; further parts of a main are called id#2 and so on.

    Parameters
    ----------
    mains : PlanningMap
        Open mains.
    zone_of : mapping of str to str
        Zone by asset id, as the column of the map says it.

    Returns
    -------
    list of str, length m
        Empty where the map says nothing.
    """
    ids = [str(edge["pipe_id"]) for edge in mains.edges]
    return [zone_of.get(one, zone_of.get(one.partition("#")[0], "")) for one in ids]
