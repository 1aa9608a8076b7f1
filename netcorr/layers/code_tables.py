"""Code tables: what the codes of a column mean, from a table beside the layer or inside a GeoPackage."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path

import pandas as pd
import pyogrio

from netcorr.errors import LayerError
from netcorr.layers.distinct import texts
from netcorr.layers.mapping import CodeTable
from netcorr.layers.names import listed, similar
from netcorr.layers.source_summary import LayerSummary
from netcorr.layers.sources import gdal_messages


def code_texts(table: CodeTable, layer: LayerSummary) -> dict[str, str]:
    """Codes of a table and what they mean.

    Parameters
    ----------
    table : CodeTable
        Which columns hold the two.
    layer : LayerSummary
        Where the table is.

    Returns
    -------
    dict of str to str
        Code to text; rows without a code or a text are left out.

    Raises
    ------
    LayerError
        If a column is missing, the table cannot be read, or a code has two meanings.
    """
    item = f"{layer.path.name}, code table {layer.name}"
    for column in (table.code, table.text):
        if column not in layer.column_names:
            raise LayerError(
                item,
                found=f"no column {column!r}",
                remedy=f"name one of its columns: {listed(layer.column_names, most=20)}"
                f"{similar(column, layer.column_names)}",
            )
    with gdal_messages(item):
        frame = pyogrio.read_dataframe(
            layer.path, layer=layer.layer, columns=[table.code, table.text], read_geometry=False
        )
    pairs = zip(texts(frame[table.code]), texts(frame[table.text]), strict=True)
    return _unique([(code, text) for code, text in pairs if code and text], item)


def stored_codes(layer: LayerSummary, columns: Mapping[str, str]) -> dict[str, dict[str, str]]:
    """Code tables that a GeoPackage carries for its own columns (its schema extension).

    Parameters
    ----------
    layer : LayerSummary
        Layer whose columns are meant.
    columns : mapping of str to str
        Role to column.

    Returns
    -------
    dict of str to dict
        Role to code to text; empty for other formats and where there is none.

    References
    ----------
    OGC 12-128r18, GeoPackage Encoding Standard 1.3.1, annex F.9: tables ``gpkg_data_columns`` and
    ``gpkg_data_column_constraints``, constraints of type ``enum``.
    """
    if layer.path.suffix.lower() != ".gpkg":
        return {}
    rows = _enumerations(layer.path, layer.layer)
    found: dict[str, dict[str, str]] = {}
    for role, column in columns.items():
        table = {str(value).strip(): str(text) for name, value, text in rows if name == column and text}
        if table:
            found[role] = table
    return found


_ENUMERATIONS = """
    SELECT columns.column_name, constraints.value, constraints.description
    FROM gpkg_data_columns AS columns
    JOIN gpkg_data_column_constraints AS constraints USING (constraint_name)
    WHERE lower(columns.table_name) = lower(?) AND constraints.constraint_type = 'enum'
"""


def _enumerations(file: Path, layer: str) -> list[tuple[str, object, str | None]]:
    """Rows of column, value and description; none where the file has no such tables."""
    try:
        with closing(sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True)) as connection:
            return connection.execute(_ENUMERATIONS, (layer,)).fetchall()
    except sqlite3.Error:
        return []


def _unique(pairs: list[tuple[str, str]], item: str) -> dict[str, str]:
    frame = pd.DataFrame(pairs, columns=["code", "text"]).drop_duplicates()
    twice = frame["code"][frame["code"].duplicated()]
    if len(twice):
        meanings = frame["text"][frame["code"] == twice.iloc[0]]
        raise LayerError(
            item,
            found=f"code {twice.iloc[0]} has {len(meanings)} meanings: {listed(meanings, most=3)}",
            remedy="keep one of them, or explain the codes in the mapping file itself",
        )
    return dict(zip(frame["code"], frame["text"], strict=True))
