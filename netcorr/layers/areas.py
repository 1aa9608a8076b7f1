"""Polygons that the user draws: a district as one area, or zones by name."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pyogrio
import shapely

from netcorr.errors import LayerError
from netcorr.layers.crs import parse_crs
from netcorr.layers.names import listed
from netcorr.layers.own_columns import cell_text, one_column
from netcorr.layers.place import reprojected
from netcorr.layers.sources import gdal_messages, survey_source

if TYPE_CHECKING:
    import pyproj

#: Columns that name a zone, the plainest first.
_ZONE_NAMES = ("zone", "dma", "district", "name", "zone_id", "id")


def read_area(path: str | Path, *, crs: pyproj.CRS) -> shapely.Geometry:
    """Read the polygons of a layer as one area.

    Parameters
    ----------
    path : str or pathlib.Path
        File with one layer of polygons.
    crs : pyproj.CRS
        CRS of the network, in which the area is returned.

    Returns
    -------
    shapely.Geometry
        Polygon or MultiPolygon.

    Raises
    ------
    LayerError
        If there is no layer of polygons, or no CRS.
    """
    return shapely.union_all(_polygons(Path(path), crs).geometry.to_numpy())


def read_zones(path: str | Path, *, crs: pyproj.CRS, column: str | None = None) -> gpd.GeoDataFrame:
    """Read polygons with the names of the zones they are.

    Parameters
    ----------
    path : str or pathlib.Path
        File with one layer of polygons.
    crs : pyproj.CRS
        CRS of the network.
    column : str, optional
        Column that holds the name; by default the first of zone, dma, district, name, zone_id, id, and where
        there is none the number of the row.

    Returns
    -------
    geopandas.GeoDataFrame
        Column `zone` (str) and the polygons, in `crs`.

    Raises
    ------
    LayerError
        If there is no layer of polygons, no CRS, or no such column.
    """
    frame = _polygons(Path(path), crs)
    by_name = {str(name).casefold(): str(name) for name in frame.columns}
    found = column or next((by_name[name] for name in _ZONE_NAMES if name in by_name), None)
    names: Any = np.arange(1, len(frame) + 1) if found is None else one_column(frame, found, Path(path).name)
    texts = [cell_text(name) for name in names]
    return gpd.GeoDataFrame({"zone": texts}, geometry=frame.geometry.to_numpy(), crs=crs)


def _polygons(path: Path, crs: pyproj.CRS) -> gpd.GeoDataFrame:
    summary = survey_source(path)
    layers = [layer for layer in summary.layers if layer.geometry == "polygon"]
    if len(layers) != 1:
        names = listed([layer.name for layer in layers or summary.layers])
        raise LayerError(
            summary.source,
            found=f"{len(layers)} layers of polygons ({names})"
            if layers
            else f"no layer of polygons ({names})",
            remedy="give a file with one layer that holds the polygons",
        )
    item = f"{path.name}, layer {layers[0].name}"
    with gdal_messages(item):
        frame = pyogrio.read_dataframe(layers[0].path, layer=layers[0].layer)
    known = parse_crs(layers[0].crs, item)
    here = ~(frame.geometry.isna() | frame.geometry.is_empty)
    if not here.any():
        raise LayerError(item, found="no polygon in it", remedy="draw the area and save it")
    frame = reprojected(frame[here].set_crs(known, allow_override=True), crs, item, notes=[])
    return frame.set_geometry(shapely.make_valid(shapely.force_2d(frame.geometry.to_numpy())), crs=crs)
