"""Meaning of every column, written into a GeoPackage by its schema extension (OGC 12-128r17, F.9)."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Sequence
from pathlib import Path

from netcorr.export.result_schema import Column, ResultLayer

_TABLES = """
CREATE TABLE IF NOT EXISTS gpkg_data_columns (
    table_name TEXT NOT NULL,
    column_name TEXT NOT NULL,
    name TEXT,
    title TEXT,
    description TEXT,
    mime_type TEXT,
    constraint_name TEXT,
    CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
    CONSTRAINT gdc_tn UNIQUE (table_name, name)
);
CREATE TABLE IF NOT EXISTS gpkg_data_column_constraints (
    constraint_name TEXT NOT NULL,
    constraint_type TEXT NOT NULL,
    value TEXT,
    min NUMERIC,
    min_is_inclusive BOOLEAN,
    max NUMERIC,
    max_is_inclusive BOOLEAN,
    description TEXT,
    CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value)
);
CREATE TABLE IF NOT EXISTS gpkg_extensions (
    table_name TEXT,
    column_name TEXT,
    extension_name TEXT NOT NULL,
    definition TEXT NOT NULL,
    scope TEXT NOT NULL,
    CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name)
);
"""

_DEFINITION = "http://www.geopackage.org/spec121/#extension_schema"


def describe_columns(path: Path, layers: Sequence[ResultLayer]) -> None:
    """Add the meaning of every column to a GeoPackage, where a desktop GIS shows it.

    Parameters
    ----------
    path : pathlib.Path
        A GeoPackage; what is described in it already stays.
    layers : sequence of ResultLayer
        The layers in it.

    Raises
    ------
    sqlite3.Error
        If the file cannot be written.
    """
    rows = [
        (layer.name, column.name, column.name, column.title, column.meaning, _pick_list(column))
        for layer in layers
        for column in layer.columns
    ]
    picks = dict.fromkeys(
        (_pick_list(column), choice)
        for layer in layers
        for column in layer.columns
        for choice in column.choices
    )
    extension = [
        (table, "gpkg_schema", _DEFINITION, "read-write")
        for table in ("gpkg_data_columns", "gpkg_data_column_constraints")
    ]
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("PRAGMA synchronous = OFF")  # a draft is flushed as a whole at its end
        connection.executescript(_TABLES)
        connection.executemany(
            "INSERT OR IGNORE INTO gpkg_data_columns"
            " (table_name, column_name, name, title, description, constraint_name)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            rows,
        )
        connection.executemany(
            "INSERT OR IGNORE INTO gpkg_data_column_constraints (constraint_name, constraint_type, value)"
            " VALUES (?, 'enum', ?)",
            list(picks),
        )
        connection.executemany(
            "INSERT INTO gpkg_extensions (table_name, extension_name, definition, scope)"
            " SELECT ?1, ?2, ?3, ?4 WHERE NOT EXISTS (SELECT 1 FROM gpkg_extensions"
            " WHERE table_name = ?1 AND extension_name = ?2)",
            extension,
        )


def _pick_list(column: Column) -> str | None:
    """Name of the constraint that lists what may be chosen (lower case, as the standard wants it)."""
    return f"{column.name}_values".lower() if column.choices else None
