"""Styles into a GeoPackage: the table `layer_styles`, from which map programs take them by themselves."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Sequence
from pathlib import Path

from netcorr.export.layer_style import LayerStyle
from netcorr.export.qml import layer_qml
from netcorr.export.sld import layer_sld

#: Name of the table.
STYLE_TABLE = "layer_styles"

#: As QGIS makes it, so that it and what is built on it find their own table.
_TABLE = f"""
CREATE TABLE IF NOT EXISTS {STYLE_TABLE} (
    id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
    f_table_catalog TEXT(256),
    f_table_schema TEXT(256),
    f_table_name TEXT(256),
    f_geometry_column TEXT(256),
    styleName TEXT(30),
    styleQML TEXT,
    styleSLD TEXT,
    useAsDefault BOOLEAN,
    description TEXT,
    owner TEXT(30),
    ui TEXT(30),
    update_time DATETIME DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now'))
);
INSERT OR IGNORE INTO gpkg_contents (table_name, data_type, identifier, description)
VALUES ('{STYLE_TABLE}', 'attributes', '{STYLE_TABLE}', 'How the layers look on a map');
"""


def write_styles(path: Path, styles: Sequence[LayerStyle]) -> None:
    """Add the looks of layers to a GeoPackage, each as QML and SLD; one that a layer has stays.

    Parameters
    ----------
    path : pathlib.Path
        A GeoPackage.
    styles : sequence of LayerStyle
        One for each layer that has a look.

    Raises
    ------
    sqlite3.Error
        If the file cannot be written.
    """
    rows = [
        (
            style.layer.name,
            "geom" if style.layer.geometry else "",
            style.layer.name[:30],
            layer_qml(style),
            layer_sld(style),
            style.layer.title,
        )
        for style in styles
    ]
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        connection.executescript(_TABLE)
        connection.executemany(
            f"INSERT INTO {STYLE_TABLE} (f_table_catalog, f_table_schema, f_table_name, f_geometry_column,"
            " styleName, styleQML, styleSLD, useAsDefault, description, owner, ui)"
            " SELECT '', '', ?1, ?2, ?3, ?4, ?5, 1, ?6, '', NULL"
            f" WHERE NOT EXISTS (SELECT 1 FROM {STYLE_TABLE} WHERE f_table_name = ?1)",
            rows,
        )
