"""A list of sites as a user has it: a table with fittings, a list of ids, or a layer of points."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import pandas as pd
import pyogrio
import shapely

from netcorr.errors import LayerError
from netcorr.layers.crs import parse_crs
from netcorr.layers.own_columns import cell_text, read_where
from netcorr.layers.sources import existing, gdal_messages

if TYPE_CHECKING:
    import pyproj

#: Columns that hold the id of a fitting, the plainest first.
_ID_NAMES = ("fitting", "fitting_id", "asset_id", "site", "valve_id", "hydrant_id")
#: Layers that hold sites in a file of several: those of other programs, of a plan, and of a coverage.
SITE_LAYERS = ("deployments", "sites", "fittings", "planned_sites", "coverage_sensors")
_TEXT_SUFFIXES = (".csv", ".txt", ".tsv")


@dataclass(frozen=True, eq=False)
class SiteList:
    """Sites as listed, one for each row.

    Attributes
    ----------
    item : str
        What messages call it.
    row : tuple of int
        Number of each row as a spreadsheet or a GIS shows it.
    fitting : tuple of str
        Id of the fitting; empty where the row has none.
    place : tuple of shapely.Point or None
        Where it lies, in `crs`.
    crs : pyproj.CRS or None
        None when there are no places.
    """

    item: str
    row: tuple[int, ...]
    fitting: tuple[str, ...]
    place: tuple[shapely.Point | None, ...]
    crs: pyproj.CRS | None


def read_site_list(path: str | Path, *, where: str | None = None) -> SiteList:
    """Read a list of sites.

    Parameters
    ----------
    path : str or pathlib.Path
        Text file (``.csv``, ``.txt``, ``.tsv``): a table with a column `fitting` (or `asset_id`, `site`) or
        with `lon` and `lat`, as a table of deployments has, or one id a line. Else a layer that GDAL reads,
        with such a column or with points.
    where : str, optional
        Condition in GDAL's SQL, for a layer.

    Returns
    -------
    SiteList
        One row each, empty rows left out.

    Raises
    ------
    LayerError
        If it cannot be read, or rows have neither fitting nor place.
    """
    file = existing(path)
    if file.suffix.lower() in _TEXT_SUFFIXES:
        if where is not None:
            raise LayerError(
                file.name, found="a condition for a text file", remedy="give a layer, or leave --where out"
            )
        return _from_text(file)
    return _from_layer(file, where)


def _from_text(file: Path) -> SiteList:
    try:
        text = file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise LayerError(
            file.name, found="cannot be read as text in UTF-8", remedy="save it as CSV (UTF-8)"
        ) from error
    lines = text.splitlines()
    header = next((line for line in lines if line.strip()), "")
    sign = max(",;\t", key=header.count)
    if not header.count(sign) and _known(header.strip().strip('"')) is None:
        numbered = [(n, line.strip().strip('"')) for n, line in enumerate(lines, start=1) if line.strip()]
        return _sites(file.name, [n for n, _ in numbered], [one for _, one in numbered], None, None)
    try:
        table = pd.read_csv(io.StringIO(text), sep=sign, dtype=str, keep_default_na=False)
    except (pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise LayerError(file.name, found=f"no table of cells ({error})", remedy="save it as CSV") from error
    table.columns = [str(name).strip().casefold() for name in table.columns]
    row = list(range(2, len(table) + 2))
    return _sites(file.name, row, _ids(table), _lon_lat(table, file.name), parse_crs("EPSG:4326", file.name))


def _from_layer(file: Path, where: str | None) -> SiteList:
    with gdal_messages(file.name):
        names = [str(name) for name in pyogrio.list_layers(file)[:, 0]]
    if len(names) != 1:
        names = [name for name in names if name.casefold() in SITE_LAYERS]
    if len(names) != 1:
        raise LayerError(
            file.name,
            found="several layers",
            remedy=f"give a file with one layer, or with one called {' or '.join(SITE_LAYERS)}",
        )
    frame = read_where(file, layer=names[0], where=where, places=True)
    row = list(range(1, len(frame) + 1))
    table = frame.rename(columns=lambda name: str(name).casefold())
    if not isinstance(frame, gpd.GeoDataFrame):
        return _sites(file.name, row, _ids(table), None, None)
    shapes = shapely.force_2d(frame.geometry.to_numpy())
    points = [one if one is not None and one.geom_type == "Point" else None for one in shapes]
    return _sites(file.name, row, _ids(table), points, parse_crs(frame.crs, file.name))


def _known(name: str) -> str | None:
    return name.casefold() if name.casefold() in (*_ID_NAMES, "lon", "lat") else None


def _ids(table: pd.DataFrame) -> list[str]:
    name = next((one for one in _ID_NAMES if one in table.columns), None)
    if name is None:
        return [""] * len(table)
    return [cell_text(value) for value in table[name]]


def _lon_lat(table: pd.DataFrame, item: str) -> list[Any] | None:
    if not {"lon", "lat"} <= set(table.columns):
        return None
    places: list[Any] = []
    for number, (lon, lat) in enumerate(zip(table["lon"], table["lat"], strict=True), start=2):
        try:
            places.append(shapely.Point(_degrees(lon), _degrees(lat)) if lon and lat else None)
        except ValueError:
            raise LayerError(
                item, found=f"row {number}: lon {lon!r}, lat {lat!r}", remedy="give degrees, such as 12.345"
            ) from None
    return places


def _degrees(text: str) -> float:
    return float(text.replace(",", "."))


def _sites(item: str, row: list[int], ids: list[str], places: Any, crs: pyproj.CRS | None) -> SiteList:
    places = [None] * len(ids) if places is None else places
    kept = [k for k in range(len(ids)) if ids[k] or places[k] is not None]
    if not kept:
        raise LayerError(
            item,
            found="no row with a fitting or a place" if row else "no rows",
            remedy="give a column fitting, columns lon and lat, points, or one id a line",
        )
    return SiteList(
        item,
        tuple(row[k] for k in kept),
        tuple(ids[k] for k in kept),
        tuple(places[k] for k in kept),
        crs if any(places[k] is not None for k in kept) else None,
    )
