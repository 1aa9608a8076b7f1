"""Valves that are drawn as short lines between two mains.

Each becomes two things: a fitting at its middle, and a short main that keeps the network together where the
line is drawn. A closed one is shut by its fitting.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from netcorr.layers.crs import geodesic_lengths_m
from netcorr.layers.fill_missing import BLANK_COLUMNS
from netcorr.layers.neighbours import touching
from netcorr.layers.shapes import named

#: A valve drawn longer than this is no valve link, or is drawn wrongly. [m]
LONGEST_VALVE_M = 10.0
#: What a link takes from the main beside it.
_TAKEN = ("material", "material_text", "diameter_mm", "wall_mm", "year", "wave_speed_m_s")


def is_line(frame: gpd.GeoDataFrame) -> Any:
    """Whether each feature is a line.

    Parameters
    ----------
    frame : geopandas.GeoDataFrame
        Single points and lines.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
        True for lines.
    """
    return shapely.get_dimensions(frame.geometry.to_numpy()) == 1


def at_middle(frame: gpd.GeoDataFrame, item: str, notes: list[str]) -> gpd.GeoDataFrame:
    """Put a fitting that is drawn as a line at the middle of the line.

    Parameters
    ----------
    frame : geopandas.GeoDataFrame
        Single points and lines, with an `asset_id`.
    item : str
        What it is, for notes.
    notes : list of str
        Gets a sentence when there were lines.

    Returns
    -------
    geopandas.GeoDataFrame
        Points.
    """
    line = is_line(frame)
    if not line.any():
        return frame
    notes.append(
        f"{item}: {line.sum()} drawn as lines; each counts as a fitting at the middle of its line, and "
        "the line as a short main that connects what it touches and is made as the main beside it"
    )
    lines = frame.geometry.to_numpy()[line]
    long = np.zeros(len(frame), dtype=bool)
    long[line] = geodesic_lengths_m(shapely.force_2d(lines), frame.crs) > LONGEST_VALVE_M
    if long.any():
        notes.append(f"{item}: drawn more than {LONGEST_VALVE_M:g} m long: {named(frame, long)}; check them")
    shapes = frame.geometry.to_numpy().copy()
    shapes[line] = shapely.line_interpolate_point(lines, 0.5, normalized=True)
    return frame.set_geometry(gpd.GeoSeries(shapes, index=frame.index, crs=frame.crs))


def with_links(mains: gpd.GeoDataFrame, links: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Add the lines of valves to the mains.

    Parameters
    ----------
    mains : geopandas.GeoDataFrame
        Mains with `MAINS_COLUMNS`, `BLANK_COLUMNS` and geometry, index 0 to n - 1.
    links : geopandas.GeoDataFrame
        Valves as single lines in the CRS of the mains, with an `asset_id`.

    Returns
    -------
    geopandas.GeoDataFrame
        The mains, then the links. A link is called as its valve, or ``id#valve`` where a main has that id.
        It is taken to be made as the main that it touches: one that is known and in service before one that
        is not, then the one that comes first in the file. Where it touches none, nothing of it is known.
    """
    if not len(links):
        return mains
    beside = _beside(mains, links)
    rows = mains.iloc[np.maximum(beside, 0)].reset_index(drop=True)
    alone = beside < 0
    for column in _TAKEN:
        rows[column] = rows[column].where(~alone, None if rows[column].dtype == object else np.nan)
    for column in BLANK_COLUMNS.values():
        rows[column] = rows[column].to_numpy() | alone
    taken = set(mains["asset_id"])
    rows["asset_id"] = pd.Series(
        [f"{asset}#valve" if asset in taken else asset for asset in links["asset_id"]], dtype=object
    )
    rows["length_m"], rows["in_service"] = np.nan, True
    rows = rows.set_geometry(gpd.GeoSeries(links.geometry.to_numpy(), crs=mains.crs))
    return gpd.GeoDataFrame(pd.concat([mains, rows], ignore_index=True), crs=mains.crs)


def _beside(mains: gpd.GeoDataFrame, links: gpd.GeoDataFrame) -> Any:
    """Number of the main after which each link is taken to be made, -1 where it touches none."""
    lines = shapely.force_2d(np.concatenate([mains.geometry.to_numpy(), links.geometry.to_numpy()]))
    n = len(mains)
    link, main = touching(lines, np.arange(n, len(lines)), np.arange(n), mains.crs)
    doubt = mains["material"].isna().to_numpy() * 2 + mains["diameter_mm"].isna().to_numpy()
    doubt = doubt + 4 * ~mains["in_service"].to_numpy(dtype=bool)
    order = np.lexsort((main, doubt[main], link))
    found, first = np.unique(link[order], return_index=True)
    beside = np.full(len(links), -1)
    beside[found - n] = main[order][first]
    return beside
