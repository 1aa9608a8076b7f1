"""A result with what crews sent back: history added, candidates brought up to date, all or nothing."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import struct
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyogrio
import shapely

from netcorr.errors import ExportError
from netcorr.export.describe_columns import describe_columns
from netcorr.export.geopackage import write_layer
from netcorr.export.history_schema import VERIFICATION_HISTORY
from netcorr.export.in_use import check_not_in_use, open_existing
from netcorr.export.layer_style import HISTORY_STYLE
from netcorr.export.result_schema import LEAK_CANDIDATES
from netcorr.export.safe_file import replacing
from netcorr.export.write_styles import STYLE_TABLE, write_styles
from netcorr.units import FOOT_M

if TYPE_CHECKING:
    import pandas as pd
    from shapely import Point

    from netcorr.units import UnitSystem
    from netcorr.verification import Visit

#: Keeps map programs from changing or deleting rows of the history.
_APPEND_ONLY = """
CREATE TRIGGER IF NOT EXISTS {name}_keep_{verb} BEFORE {verb} ON {name}
BEGIN SELECT RAISE(ABORT, 'rows of {name} are only ever added'); END;
"""


def update_result(
    target: Path,
    *,
    history: pd.DataFrame,
    states: Mapping[str, Visit],
    points: Mapping[str, Point],
    units: UnitSystem = "metric",
) -> None:
    """Add to the history of a result and bring its candidates up to date.

    Parameters
    ----------
    target : pathlib.Path
        The result; it is replaced by one that is complete and checked, and everything else in it stays.
    history : geopandas.GeoDataFrame
        Rows to add to `verification_history`.
    states : mapping of str to Visit
        What is known now of candidates, by id.
    points : mapping of str to shapely.Point
        Where candidates were predicted, for those that were moved in the result itself.
    units : {'metric', 'us'}
        Whether a crew finds its lengths in the columns of metres or of feet.

    Raises
    ------
    ExportError
        If another program has the file open or changed it meanwhile, or it cannot be written. It is then as
        it was.
    """
    check_not_in_use(target)
    before = _marks(target)
    with replacing(target) as draft:
        shutil.copy2(target, draft)
        counts = _counts(draft)
        _append(history, draft)
        describe_columns(draft, [VERIFICATION_HISTORY])
        write_styles(draft, [HISTORY_STYLE])
        with contextlib.closing(_with_functions(draft)) as connection:
            connection.execute("BEGIN")
            for candidate_id, state in states.items():
                _update(connection, candidate_id, state, units=units)
            for candidate_id, point in points.items():
                _put_back(connection, candidate_id, point)
            for verb in ("UPDATE", "DELETE"):
                connection.execute(_APPEND_ONLY.format(name=VERIFICATION_HISTORY.name, verb=verb))
            connection.execute("COMMIT")
        _check(draft, counts, added=len(history))
        check_not_in_use(target)
        if _marks(target) != before:
            raise ExportError(
                str(target),
                found="another program changed it meanwhile",
                remedy="close that program and run this again; nothing was changed",
            )


def _marks(target: Path) -> tuple[int, int]:
    status = target.stat()
    return status.st_size, status.st_mtime_ns


def _append(history: pd.DataFrame, draft: Path) -> None:
    there = VERIFICATION_HISTORY.name in [str(name) for name, _ in pyogrio.list_layers(draft)]
    write_layer(history, draft, VERIFICATION_HISTORY, append=there)


def _update(connection: sqlite3.Connection, candidate_id: str, state: Visit, *, units: UnitSystem) -> None:
    """Write what is known of a candidate into the columns of the crew."""
    values: dict[str, Any] = {
        "verification": state.verification,
        **_in_units("offset", state.offset_m, units),
        **_in_units("depth", state.depth_m, units),
        "visited": None if state.visited is None else f"{state.visited:%Y-%m-%dT%H:%M:%S.000Z}",
        "crew": state.crew or None,
        "photo": state.photo or None,
        "field_note": state.note or None,
    }
    columns = ", ".join(f"{name} = ?" for name in values)
    changed = connection.execute(
        f"UPDATE {LEAK_CANDIDATES.name} SET {columns} WHERE candidate_id = ?",
        (*values.values(), candidate_id),
    )
    if changed.rowcount != 1:
        raise OSError(f"candidate {candidate_id} is there {changed.rowcount} times")


def _in_units(name: str, length_m: float | None, units: UnitSystem) -> dict[str, float | None]:
    """One of the two columns of a length; the other is empty, so that they never contradict each other."""
    in_feet = None if length_m is None else round(length_m / FOOT_M, 2)
    return {
        f"{name}_m": length_m if units == "metric" else None,
        f"{name}_ft": in_feet if units == "us" else None,
    }


def _put_back(connection: sqlite3.Connection, candidate_id: str, point: Point) -> None:
    """Put a candidate back to where it was predicted; where it was moved to is in the history."""
    name = LEAK_CANDIDATES.name
    (srs_id,) = connection.execute(
        "SELECT srs_id FROM gpkg_geometry_columns WHERE table_name = ?", (name,)
    ).fetchone()
    blob = struct.pack("<2sBBi", b"GP", 0, 1, srs_id) + shapely.to_wkb(point, byte_order=1)
    connection.execute(f"UPDATE {name} SET geom = ? WHERE candidate_id = ?", (blob, candidate_id))


def _with_functions(draft: Path) -> sqlite3.Connection:
    """Connection with the five functions that the triggers of a GeoPackage's spatial index call.

    Without them any change of a row fails (OGC 12-128r17, annex F.3).
    """
    connection = open_existing(draft)
    for number, name in enumerate(("ST_MinX", "ST_MinY", "ST_MaxX", "ST_MaxY")):
        connection.create_function(name, 1, _bound(number), deterministic=True)
    connection.create_function("ST_IsEmpty", 1, _is_empty, deterministic=True)
    return connection


def _bound(number: int) -> Any:
    def bound(blob: bytes | None) -> float | None:
        shape = _shape(blob)
        return None if shape is None or shape.is_empty else float(shape.bounds[number])

    return bound


def _is_empty(blob: bytes | None) -> int | None:
    shape = _shape(blob)
    return None if shape is None else int(shape.is_empty)


def _shape(blob: bytes | None) -> Any:
    """Geometry of a GeoPackage's blob: a header of 8 bytes, an envelope, then WKB (clause 2.1.3)."""
    if blob is None:
        return None
    envelope = (0, 32, 48, 48, 64)[blob[3] >> 1 & 7]
    return shapely.from_wkb(blob[8 + envelope :])


def _counts(draft: Path) -> dict[str, int]:
    with contextlib.closing(open_existing(draft)) as connection:
        names = [name for (name,) in connection.execute("SELECT table_name FROM gpkg_contents")]
        return {name: connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for name in names}


def _check(draft: Path, counts: Mapping[str, int], *, added: int) -> None:
    """Refuse a draft in which anything was lost; a look may be added."""
    name = VERIFICATION_HISTORY.name
    found = _counts(draft)
    wanted = {**counts, name: counts.get(name, 0) + added}
    if found.get(STYLE_TABLE, 0) - counts.get(STYLE_TABLE, 0) in (0, 1):
        wanted[STYLE_TABLE] = found[STYLE_TABLE]
    with contextlib.closing(open_existing(draft)) as connection:
        [(integrity,)] = connection.execute("PRAGMA integrity_check").fetchmany(1)
    if integrity != "ok" or found != wanted:
        raise OSError(f"the file written fails its check: {integrity}, {found} instead of {wanted}")
