"""What a crew sent back: the edited GeoPackage, another layer of points, or a table in CSV."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import pandas as pd
import pyogrio
import pyproj
from shapely import Point

from netcorr.errors import VerificationError
from netcorr.export.field_values import visit_of
from netcorr.export.in_use import check_nothing_beside
from netcorr.export.locked import locked_changes
from netcorr.export.plain_text import plain_text
from netcorr.export.result_schema import LEAK_CANDIDATES
from netcorr.export.safe_file import DRIVER_ERRORS
from netcorr.network.ground import geodesic_distances_m
from netcorr.verification.conflict import LOCKED, MOVED, NO_ID, UNKNOWN_ID, UNREADABLE, Conflict
from netcorr.verification.visit import SAME_PLACE_M, Visit

if TYPE_CHECKING:
    from collections.abc import Sequence

Row = Mapping[str, Any]

_WGS84 = pyproj.CRS.from_epsg(4326)
_TITLES = {column.title.lower(): column.name for column in LEAK_CANDIDATES.columns}
#: Columns of a table that may hold a moved point.
_LON_LAT = ("lon", "lat")


@dataclass(frozen=True)
class FieldFile:
    """What a file from the field says.

    Attributes
    ----------
    name, sha256 : str
        Name of the file and its fingerprint.
    rows : int
        Rows in it.
    visits : tuple of Visit
        One for each row that could be read, untouched ones among them.
    conflicts : tuple of Conflict
        What does not fit the result.
    """

    name: str
    sha256: str
    rows: int
    visits: tuple[Visit, ...]
    conflicts: tuple[Conflict, ...]


@dataclass(frozen=True, eq=False)
class Predicted:
    """What a file from the field is held against.

    Attributes
    ----------
    rows : mapping of str to mapping
        Rows of the layer leak_candidates as the result holds them, by candidate id.
    points : mapping of str to shapely.Point
        Where each candidate was predicted, in `crs`.
    crs : pyproj.CRS
        CRS of the result.
    """

    rows: Mapping[str, Row]
    points: Mapping[str, Point]
    crs: pyproj.CRS


def read_field(path: str | os.PathLike[str], predicted: Predicted) -> FieldFile:
    """Read what a crew sent back; rows are matched by `candidate_id`, whatever their order.

    Parameters
    ----------
    path : str or path-like
        GeoPackage (the layer leak_candidates, or the one that has a column candidate_id), any other layer
        that GDAL reads, or CSV. A table may give a moved point as `lon` and `lat` (WGS 84).
    predicted : Predicted
        The result.

    Returns
    -------
    FieldFile
        Visits, and what does not fit.

    Raises
    ------
    ExportError
        If another program has the file open.
    VerificationError
        If it cannot be read, has no column candidate_id, or belongs to another result.
    """
    file = Path(path)
    if not file.is_file():
        raise VerificationError(
            str(file), found="there is no such file", remedy="give the file that the crew sent back"
        )
    check_nothing_beside(file)
    table = _table(file)
    table.columns = [_column(str(name)) for name in table.columns]
    if "candidate_id" not in table:
        raise VerificationError(
            str(file),
            found=f"no column candidate_id among {', '.join(list(table.columns)[:6])}",
            remedy="give the edited copy of the layer leak_candidates: rows are matched by this id",
        )
    _refuse_other_result(file, table, predicted)
    is_text = file.suffix.lower() == ".csv"
    places = _places(table, predicted.crs)
    visits: list[Visit] = []
    conflicts: list[Conflict] = []
    for number, (row, place) in enumerate(zip(_rows(table), places, strict=True), start=2 if is_text else 1):
        visit, problems = _visit(row, place, label=f"row {number}", predicted=predicted)
        conflicts += problems
        if visit is not None:
            visits.append(visit)
        known = predicted.rows.get(str(row["candidate_id"] or "").strip())
        if known is not None:
            text = locked_changes(row, known, rounded=is_text)
            if text:
                conflicts.append(Conflict(LOCKED, known["candidate_id"], f"row {number}", text))
    return FieldFile(
        name=file.name,
        sha256=hashlib.sha256(file.read_bytes()).hexdigest(),
        rows=len(table),
        visits=tuple(visits),
        conflicts=tuple(conflicts),
    )


def _column(name: str) -> str:
    """Name of a column; map programs may export its title instead, such as 'Offset [m]'."""
    plain = name.strip().lower()
    return _TITLES.get(plain, plain)


def _refuse_other_result(file: Path, table: pd.DataFrame, predicted: Predicted) -> None:
    """Refuse a file of which not one row belongs here: it was taken for another one."""
    ids = set(table["candidate_id"].dropna().astype(str).str.strip()) - {""}
    if ids and not ids & predicted.rows.keys():
        raise VerificationError(
            str(file),
            found=f"not one of its {len(ids)} candidate ids is in the result ({plain_text(min(ids))} ...)",
            remedy="give the result that this file was sent out with",
        )


def _table(file: Path) -> pd.DataFrame:
    try:
        if file.suffix.lower() == ".csv":
            # nothing is taken for a number here: that is for the columns to decide
            return pd.read_csv(
                file, sep=_separator(file), dtype=str, keep_default_na=False, encoding="utf-8-sig"
            )
        table: pd.DataFrame = pyogrio.read_dataframe(file, layer=_layer(file))
    except (*DRIVER_ERRORS, UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise VerificationError(
            str(file), found=f"it cannot be read ({error})", remedy="give a GeoPackage, or CSV in UTF-8"
        ) from error
    return table


def _separator(file: Path) -> str:
    """What parts the columns: spreadsheets of half the world use semicolons."""
    with file.open(encoding="utf-8-sig") as lines:
        header = lines.readline()
    return max(",;\t", key=header.count)


def _layer(file: Path) -> str | None:
    """Layer of the candidates, under any name."""
    names = [str(name) for name, _ in pyogrio.list_layers(file)]
    if LEAK_CANDIDATES.name in names:
        return LEAK_CANDIDATES.name
    fields = {name: pyogrio.read_info(file, layer=name)["fields"] for name in names}
    fitting = [name for name in names if {"candidate_id", "verification"} <= {*map(str.lower, fields[name])}]
    return next(iter(fitting or names), None)


def _rows(table: pd.DataFrame) -> Iterator[dict[str, Any]]:
    plain = pd.DataFrame(table).astype(object)
    for row in plain.where(plain.notna(), None).to_dict("records"):
        yield {str(name): value for name, value in row.items()}


def _places(table: pd.DataFrame, crs: pyproj.CRS) -> Sequence[Point | None]:
    """Points of the rows in the CRS of the result; None where a row has none."""
    if isinstance(table, gpd.GeoDataFrame):
        if table.crs is None:
            return [None] * len(table)
        return [_point(shape) for shape in table.geometry.to_crs(crs)]
    if not set(_LON_LAT) <= set(table.columns):
        return [None] * len(table)
    to_map = pyproj.Transformer.from_crs(_WGS84, crs, always_xy=True)
    numbers = [pd.to_numeric(table[name], errors="coerce") for name in _LON_LAT]
    return [
        Point(to_map.transform(lon, lat)) if pd.notna(lon) and pd.notna(lat) else None
        for lon, lat in zip(*numbers, strict=True)
    ]


def _point(shape: Any) -> Point | None:
    return None if shape is None or shape.is_empty else Point(shape.centroid.x, shape.centroid.y)


def _visit(
    row: Row, place: Point | None, *, label: str, predicted: Predicted
) -> tuple[Visit | None, list[Conflict]]:
    """Visit of a row with its moved point, and what does not fit."""
    candidate_id = str(row["candidate_id"] or "").strip()
    known = predicted.points.get(candidate_id)
    moved = (
        place
        if known is None or place is None or _apart_m(place, known, predicted.crs) > SAME_PLACE_M
        else None
    )
    try:
        visit = visit_of(row, candidate_id=candidate_id, place=moved)
    except VerificationError as error:
        return None, [Conflict(UNREADABLE, candidate_id, label, f"{error}; the row was not taken")]
    if candidate_id not in predicted.rows:
        kind = UNKNOWN_ID if candidate_id else NO_ID
        what = (
            f"'{candidate_id}' is no candidate of this result" if candidate_id else "there is no candidate_id"
        )
        if visit.is_blank:
            return None, []
        return visit, [Conflict(kind, candidate_id, label, f"{what}; kept in the history only")]
    if moved is not None and not visit.is_found:
        text = f"the point was moved, but verification says '{visit.verification}'; kept in the history only"
        return visit, [Conflict(MOVED, candidate_id, label, text)]
    return visit, []


def _apart_m(a: Point, b: Point, crs: pyproj.CRS) -> float:
    return float(geodesic_distances_m(a.x, a.y, b.x, b.y, crs))
