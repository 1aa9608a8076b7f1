"""Whether another program has a GeoPackage open, before it is read for good or replaced."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path
from urllib.parse import quote

from netcorr.errors import ExportError


def check_nothing_beside(target: Path) -> None:
    """Refuse a file beside which another program keeps what it has not written yet.

    Raises
    ------
    ExportError
        If a write-ahead log or a journal lies there.
    """
    for ending in ("-wal", "-journal"):
        beside = target.with_name(target.name + ending)
        if beside.exists():
            raise ExportError(
                str(target),
                found=f"{beside.name} lies beside it, so another program is using it or has crashed",
                remedy="close the program that has it open and try again, or choose another name",
            )


def check_not_in_use(target: Path) -> None:
    """Refuse a GeoPackage that another program holds.

    Raises
    ------
    ExportError
        If it is in use, write-protected, or no GeoPackage.
    """
    check_nothing_beside(target)
    try:
        with contextlib.closing(open_existing(target)) as connection:
            connection.execute("BEGIN EXCLUSIVE")
            connection.rollback()
    except sqlite3.OperationalError as error:
        raise held(target, error) from error
    except sqlite3.DatabaseError as error:
        raise ExportError(
            str(target), found=f"it is not a GeoPackage ({error})", remedy="give a result of netcorr locate"
        ) from error


def held(target: Path, error: sqlite3.OperationalError) -> ExportError:
    """Error for a file that another program has open."""
    return ExportError(
        str(target),
        found=f"another program has it open, or it is write-protected ({error})",
        remedy="close the program that uses it and try again, or choose another name",
    )


def open_existing(path: Path) -> sqlite3.Connection:
    """Connection that never makes a file, and never waits."""
    uri = f"file:{quote(str(path.absolute()))}?mode=rw"
    return sqlite3.connect(uri, uri=True, timeout=0, isolation_level=None)
