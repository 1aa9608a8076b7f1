"""Rows of a table, as they stand in a text file or in a layer: cells by column, nothing interpreted."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, cast

import pandas as pd
import pyogrio
from pyproj.exceptions import ProjError

from netcorr.errors import RecordingError

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely.geometry import Point

#: One row: its number as a spreadsheet shows it (the header is row 1), and its cells by column.
Row = tuple[int, Mapping[str, object]]

#: Name under which the place of a feature stands among the cells: (lon, lat) in WGS 84, or what is wrong.
PLACE = "(geometry)"
#: Name under which cells beyond the last column of the header stand.
BEYOND = "(beyond the header)"

_DELIMITERS = ",;\t"
_SAVE_AS_CSV = "save the table as CSV (comma delimited, UTF-8)"


def read_text_rows(path: Path) -> tuple[list[str], list[Row]]:
    """Header and rows of a text file with comma, semicolon or tab between the cells.

    Parameters
    ----------
    path : pathlib.Path
        UTF-8, with or without a byte-order mark.

    Returns
    -------
    (list of str, list of Row)
        Names of the columns in lower case; rows that are not empty, with every cell as stripped text.

    Raises
    ------
    RecordingError
        If the file cannot be read, is no text in UTF-8, is empty, or names a column twice.
    """
    text = _decode(path)
    try:
        lines = list(csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text)))
    except csv.Error as error:
        raise RecordingError(
            path.name,
            found=f"not a table of cells ({error})",
            remedy="look for a quotation mark that is not closed",
        ) from error
    if not lines or not any(cell.strip() for cell in lines[0]):
        raise RecordingError(
            path.name, found="no header in the first row", remedy="name the columns: logger, recording, ..."
        )
    header = [column_name(cell) for cell in lines[0]]
    twice = sorted({name for name in header if name and header.count(name) > 1})
    if twice:
        raise RecordingError(
            path.name, found=f"column {', '.join(twice)} more than once", remedy="keep one of each"
        )
    rows: list[Row] = []
    for number, line in enumerate(lines[1:], start=2):
        cells: dict[str, object] = {
            name: cell.strip() for name, cell in zip(header, line, strict=False) if name
        }
        beyond = [cell for cell in line[len(header) :] if cell.strip()]
        if beyond:
            cells[BEYOND] = beyond
        if any(cells.values()):
            rows.append((number, cells))
    return [name for name in header if name], rows


def column_name(text: object) -> str:
    """Name of a column, as it is compared: lower case, spaces as underscores.

    Parameters
    ----------
    text : object
        Name as it stands in the table.

    Returns
    -------
    str
        Name to compare.

    Examples
    --------
    >>> column_name(" Clock offset ms")
    'clock_offset_ms'
    """
    return "_".join(str(text).strip().lower().split())


def _decode(path: Path) -> str:
    try:
        content = path.read_bytes()
    except OSError as error:
        raise RecordingError(
            str(path), found=f"cannot be read ({error.strerror or error})", remedy="check the file"
        ) from error
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise RecordingError(
            path.name, found=f"line {line} is not text in UTF-8", remedy=_SAVE_AS_CSV
        ) from error
    if "\0" in text:
        raise RecordingError(path.name, found="not a text file", remedy=_SAVE_AS_CSV)
    return text


def _delimiter(text: str) -> str:
    """The sign between the cells: the one that the header has most of."""
    header = text.split("\n", 1)[0]
    return max(_DELIMITERS, key=header.count)


def read_layer_rows(path: Path, *, layer: str | None) -> tuple[str, list[str], list[Row]]:
    """Header and rows of a layer or table of a vector dataset.

    Parameters
    ----------
    path : pathlib.Path
        Dataset that GDAL reads.
    layer : str or None
        Its layer; None for the only one with the columns `logger` and `recording`.

    Returns
    -------
    (str, list of str, list of Row)
        Name of the table for messages; names of the columns in lower case; rows with their values, None
        where there is none, and the place of a feature in the cell `PLACE`.

    Raises
    ------
    RecordingError
        If the dataset cannot be read, the layer is not there or not the only one, or it has places but no
        CRS.
    """
    try:
        if layer is None:
            layer = _deployments_layer(path)
        frame = cast("pd.DataFrame", pyogrio.read_dataframe(path, layer=layer))
    except (RuntimeError, OSError, UnicodeError) as error:  # what pyogrio raises for data it cannot read
        raise RecordingError(
            path.name,
            found=f"cannot be read as a table ({error})",
            remedy="check the file, or " + _SAVE_AS_CSV,
        ) from error
    table = path.name if layer == path.stem else f"{path.name}, layer {layer}"
    places = _places(frame, table=table)
    names = {name: column_name(name) for name in frame.columns if name != "geometry"}
    rows: list[Row] = []
    for number, (place, record) in enumerate(
        zip(places, frame[list(names)].to_dict("records"), strict=True), start=2
    ):
        cells: dict[str, object] = {names[str(name)]: _plain(value) for name, value in record.items()}
        if place is not None:
            cells[PLACE] = place
        if any(value is not None and value != "" for value in cells.values()):
            rows.append((number, cells))
    return table, list(names.values()), rows


def _deployments_layer(path: Path) -> str:
    layers = [str(name) for name, _ in pyogrio.list_layers(path)]
    fitting = []
    for name in layers:
        columns = {column_name(field) for field in pyogrio.read_info(path, layer=name)["fields"]}
        if {"logger", "recording"} <= columns:
            fitting.append(name)
    if len(fitting) == 1:
        return fitting[0]
    found = f"layers {', '.join(fitting)}" if fitting else f"none among its layers ({', '.join(layers)})"
    raise RecordingError(
        path.name,
        found=f"not one layer with columns logger and recording but {found}",
        remedy="name the layer" if fitting else "add the columns, or name another file",
    )


def _plain(value: object) -> object:
    """Value of a cell as plain Python has it: text, number, datetime or None."""
    if isinstance(value, pd.Timestamp):
        moment: datetime = value.to_pydatetime(warn=False)
        return moment
    if value is None or value is pd.NaT or (isinstance(value, float) and math.isnan(value)):
        return None
    return value.strip() if isinstance(value, str) else value


def _places(frame: pd.DataFrame, *, table: str) -> list[object]:
    """(lon, lat) of every feature, None where there is no geometry, text where it is no point."""
    geometry = getattr(frame, "geometry", None)
    if geometry is None or geometry.is_empty.all() or geometry.isna().all():
        return [None] * len(frame)
    points = cast("gpd.GeoSeries", geometry)
    if points.crs is None:
        raise RecordingError(
            table,
            found="points without a CRS",
            remedy="assign the CRS in which they were drawn, or name fittings instead",
        )
    places: list[object] = []
    try:
        in_wgs84 = points.to_crs(4326)
    except ProjError as error:
        raise RecordingError(
            table,
            found=f"a CRS that cannot be brought to WGS 84 ({error})",
            remedy="reproject the layer, or name fittings instead",
        ) from error
    for shape in in_wgs84:
        if shape is None or shape.is_empty:
            places.append(None)
        elif shape.geom_type == "MultiPoint" and len(shape.geoms) == 1:
            places.append(_lon_lat(shape.geoms[0]))
        elif shape.geom_type == "Point":
            places.append(_lon_lat(shape))
        else:
            places.append(f"a {shape.geom_type} is no place of a logger")
    return places


def _lon_lat(point: Point) -> object:
    if math.isfinite(point.x) and math.isfinite(point.y):
        return point.x, point.y
    return "a point that lies outside the area of its CRS"
