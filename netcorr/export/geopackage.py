"""Tables to a GeoPackage that is either complete and checked, or not there at all."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import warnings
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import pyogrio

from netcorr.errors import ExportError
from netcorr.export.describe_columns import describe_columns
from netcorr.export.in_use import check_nothing_beside, held, open_existing
from netcorr.export.layer_style import AROUND_STYLES, RESULT_STYLES, LayerStyle
from netcorr.export.made_from import Inputs
from netcorr.export.result_schema import LEAK_CANDIDATES, RESULT_LAYERS, ResultLayer
from netcorr.export.result_tables import result_tables
from netcorr.export.safe_file import check_folder, replacing
from netcorr.export.stored_schema import STORED_LAYERS
from netcorr.export.stored_tables import stored_tables
from netcorr.export.write_styles import STYLE_TABLE, write_styles
from netcorr.feedback import Feedback, NoFeedback, check_cancelled
from netcorr.verification.visit import NOT_VISITED

if TYPE_CHECKING:
    import pandas as pd

    from netcorr.position.fix import SurveyFix
    from netcorr.units import UnitSystem

#: `application_id` and `user_version` of a GeoPackage 1.3 (OGC 12-128r17, requirement 2).
_APPLICATION_ID = int.from_bytes(b"GPKG", "big")
_USER_VERSION = 10300

#: Every layer that `write_result` writes, in this order.
WRITTEN_LAYERS = (*RESULT_LAYERS, *STORED_LAYERS)


def write_result(
    fix: SurveyFix,
    path: str | os.PathLike[str],
    *,
    units: UnitSystem = "metric",
    inputs: Inputs | None = None,
    feedback: Feedback | None = None,
) -> None:
    """Write the result of a survey as a GeoPackage.

    The layers and their columns are those of `netcorr.export.result_schema.RESULT_LAYERS`, in the CRS
    of the network, and those of `netcorr.export.stored_schema.STORED_LAYERS`, which keep what the answer
    rests on; they are there and typed even when they have no rows. An older result under the same name is
    replaced only when the new one is complete and has been checked.

    Parameters
    ----------
    fix : SurveyFix
        The answer of a survey.
    path : str or path-like
        File to write, ending in ``.gpkg``.
    units : {'metric', 'us'}
        Units of the directions in words; numbers are in SI units.
    inputs : Inputs, optional
        Files and settings that it was located with; their fingerprints are kept in the result.
    feedback : Feedback, optional
        Told how far the work is.

    Raises
    ------
    ExportError
        If the file is in use by another program, holds other layers, or cannot be written.
    CancelledError
        If the user stopped it; nothing is written then.
    """
    folder = Path(path).absolute().parent
    tables = {**result_tables(fix, units=units), **stored_tables(fix, inputs or Inputs(), folder=folder)}
    write_tables(
        tables, path, layers=WRITTEN_LAYERS, styles=(*RESULT_STYLES, *AROUND_STYLES), feedback=feedback
    )


def write_tables(
    tables: Mapping[str, pd.DataFrame],
    path: str | os.PathLike[str],
    *,
    layers: Sequence[ResultLayer],
    styles: Sequence[LayerStyle] = (),
    feedback: Feedback | None = None,
) -> None:
    """Write tables as layers of one new GeoPackage, all or nothing.

    Parameters
    ----------
    tables : mapping of str to pandas.DataFrame
        A table for each of `layers`, by its name.
    path : str or path-like
        File to write, ending in ``.gpkg``.
    layers : sequence of ResultLayer
        What to write, in this order.
    styles : sequence of LayerStyle
        How they look on a map; layers without one look as the map program likes.
    feedback : Feedback, optional
        Told how far the work is.

    Raises
    ------
    ExportError
        If the file is in use by another program, holds other layers, or cannot be written.
    CancelledError
        If the user stopped it.
    """
    feedback = feedback or NoFeedback()
    target = Path(path)
    check_target(target, layers=layers)
    with replacing(target) as draft, _flushed_once():
        for done, layer in enumerate(layers):
            check_cancelled(feedback)
            feedback.progress(done / len(layers), f"writing {layer.name}")
            has_bytes = any(column.kind == "bytes" for column in layer.columns)
            (_write_bytes if has_bytes else write_layer)(tables[layer.name], draft, layer)
        describe_columns(draft, layers)
        if styles:
            write_styles(draft, styles)
        _check_written(draft, tables, style_count=len(styles))
        check_cancelled(feedback)
        check_target(target, layers=layers)
    feedback.progress(1.0, f"wrote {target.name}")


@contextlib.contextmanager
def _flushed_once() -> Iterator[None]:
    """Let the driver not wait for the disk after each layer: the draft is flushed as a whole at its end."""
    option = "OGR_SQLITE_SYNCHRONOUS"
    before = pyogrio.get_gdal_config_option(option)
    pyogrio.set_gdal_config_options({option: "OFF"})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({option: before})


def check_target(target: Path, *, layers: Sequence[ResultLayer] = WRITTEN_LAYERS) -> None:
    """Refuse a file name at which writing would lose something or disturb another program.

    Parameters
    ----------
    target : pathlib.Path
        File that is going to be written or replaced.
    layers : sequence of ResultLayer
        What is going to be written: a file that holds nothing else may be replaced.

    Raises
    ------
    ExportError
        If the name is wrong, the folder is missing, the file is in use or is not an earlier result.
    """
    if target.suffix.lower() != ".gpkg":
        raise ExportError(str(target), found="no .gpkg at the end", remedy="name it such as result.gpkg")
    check_folder(target)
    check_nothing_beside(target)
    if target.exists():
        _check_replaceable(target, {layer.name for layer in layers} | {STYLE_TABLE})


def write_layer(table: pd.DataFrame, draft: Path, layer: ResultLayer, *, append: bool = False) -> None:
    """Add one layer, or rows to one that is there; a complaint of the driver is as bad as an error here.

    Parameters
    ----------
    table : pandas.DataFrame
        The rows.
    draft : pathlib.Path
        GeoPackage to add to, new or not.
    layer : ResultLayer
        What the layer is.
    append : bool, default False
        Whether the layer is there already.

    Raises
    ------
    OSError
        If the driver complains.
    """
    described = {
        "FID": "fid",
        "GEOMETRY_NAME": "geom",
        "IDENTIFIER": layer.title,
        "DESCRIPTION": layer.description,
    }
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        try:
            pyogrio.write_dataframe(
                table,
                draft,
                layer=layer.name,
                driver="GPKG",
                geometry_type=layer.geometry,
                append=append,
                dataset_options={"VERSION": "1.3"},
                layer_options={} if append else described,
            )
        except RuntimeWarning as warning:
            raise OSError(str(warning)) from warning


def _write_bytes(table: pd.DataFrame, draft: Path, layer: ResultLayer) -> None:
    """Add a table with a column of bytes, which the driver would write as text; not as the first layer."""
    columns = ", ".join(f'"{one.name}" {"BLOB" if one.kind == "bytes" else "TEXT"}' for one in layer.columns)
    marks = ", ".join("?" * len(layer.columns))
    names = [column.name for column in layer.columns]
    with contextlib.closing(open_existing(draft)) as connection:
        connection.execute("BEGIN")
        connection.execute(
            f'CREATE TABLE "{layer.name}" (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, {columns})'
        )
        connection.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description)"
            " VALUES (?, 'attributes', ?, ?)",
            (layer.name, layer.title, layer.description),
        )
        connection.executemany(
            f'INSERT INTO "{layer.name}" ({", ".join(names)}) VALUES ({marks})',
            table[names].itertuples(index=False, name=None),
        )
        connection.execute("COMMIT")


def _check_replaceable(target: Path, own: set[str]) -> None:
    """Refuse a file that another program holds, or that holds more than our own layers."""
    try:
        with contextlib.closing(open_existing(target)) as connection:
            connection.execute("BEGIN EXCLUSIVE")
            names = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
            listed = "gpkg_contents" in names
            found = connection.execute("SELECT table_name FROM gpkg_contents") if listed else ()
            others = sorted({name for (name,) in found} - own)
            visited = _visited(connection) if LEAK_CANDIDATES.name in names else 0
            connection.rollback()
    except sqlite3.OperationalError as error:
        raise held(target, error) from error
    except sqlite3.DatabaseError as error:
        raise ExportError(
            str(target),
            found=f"it exists and is not a GeoPackage ({error})",
            remedy="choose another name, or move that file away first",
        ) from error
    if visited:
        raise ExportError(
            str(target),
            found=f"a crew recorded something at {visited} of its candidates, which would be lost",
            remedy="choose another name; netcorr verify takes such records into a result",
        )
    if others or (names and not listed):
        what = f"layers that are not a result ({', '.join(others[:5])})" if others else "other data"
        raise ExportError(
            str(target), found=f"it holds {what}, which would be lost", remedy="choose another name"
        )


def _visited(connection: sqlite3.Connection) -> int:
    """How many candidates a crew has filled in."""
    columns = {row[1] for row in connection.execute(f"PRAGMA table_info({LEAK_CANDIDATES.name})")}
    if "verification" not in columns:
        return 0
    (count,) = connection.execute(
        f"SELECT count(*) FROM {LEAK_CANDIDATES.name} WHERE verification <> ?", (NOT_VISITED,)
    ).fetchone()
    return int(count)


def _check_written(draft: Path, tables: Mapping[str, pd.DataFrame], *, style_count: int) -> None:
    """Refuse a draft that does not hold what was to be written."""
    wanted = {name: len(table) for name, table in tables.items()}
    if style_count:
        wanted[STYLE_TABLE] = style_count
    with contextlib.closing(open_existing(draft)) as connection:
        [(integrity,)] = connection.execute("PRAGMA integrity_check").fetchmany(1)
        marks = tuple(
            connection.execute(f"PRAGMA {key}").fetchone()[0] for key in ("application_id", "user_version")
        )
        listed = [name for (name,) in connection.execute("SELECT table_name FROM gpkg_contents")]
        counts = {name: connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for name in listed}
    opened = {str(name) for name, _ in pyogrio.list_layers(draft)}
    if integrity != "ok" or marks != (_APPLICATION_ID, _USER_VERSION):
        raise OSError(f"the file written fails its check: {integrity}, marks {marks}")
    if counts != wanted or opened != set(wanted):
        raise OSError(f"the file written holds {counts} instead of {wanted}")
