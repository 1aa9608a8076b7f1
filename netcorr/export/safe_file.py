"""Files that are either complete or not there: written beside their place, then moved into it."""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pyogrio

from netcorr.errors import ExportError

#: No writing takes so long: a draft of this age was left behind. [s]
_LEFT_S = 86_400.0
#: What the driver raises when a file cannot be read or written.
DRIVER_ERRORS = (
    pyogrio.errors.DataSourceError,
    pyogrio.errors.DataLayerError,
    pyogrio.errors.FeatureError,
    pyogrio.errors.FieldError,
    pyogrio.errors.GeometryError,
)


def check_folder(target: Path) -> None:
    """Refuse a file whose folder is missing, or that is itself a folder.

    Raises
    ------
    ExportError
        If so.
    """
    if not target.parent.is_dir():
        raise ExportError(
            str(target),
            found=f"there is no folder {target.parent}",
            remedy="make the folder first or choose another",
        )
    if target.exists() and not target.is_file():
        raise ExportError(str(target), found="this is not a file", remedy="choose another name")


@contextlib.contextmanager
def replacing(target: Path) -> Iterator[Path]:
    """Give a draft to write beside the target; move it into place only when all went well.

    Yields
    ------
    pathlib.Path
        File to write, in a folder of its own on the same disk as `target`.

    Raises
    ------
    ExportError
        If anything fails while the draft is written or moved; the target is then as it was.
    """
    folder: str | None = None
    try:
        folder = tempfile.mkdtemp(prefix=f".netcorr-{os.getpid()}-", dir=target.parent)
        draft = Path(folder) / target.name
        yield draft
        _flush_to_disk(draft)
        os.replace(draft, target)
    except PermissionError as error:
        raise ExportError(
            str(target),
            found=f"no permission to write ({error.strerror})",
            remedy="close any program that has it open, check the rights of the folder, or choose another",
        ) from error
    except (OSError, sqlite3.Error, *DRIVER_ERRORS) as error:
        raise ExportError(
            str(target),
            found=f"it could not be written ({error})",
            remedy="check that the disk has room and can be written to; nothing was changed",
        ) from error
    finally:
        if folder is not None:
            shutil.rmtree(folder, ignore_errors=True)
        _sweep(target.parent)


def _sweep(folder: Path) -> None:
    """Remove drafts that a process left long ago, because it was killed or the power failed."""
    for draft in folder.glob(".netcorr-*"):
        with contextlib.suppress(OSError):
            if draft.is_dir() and time.time() - draft.stat().st_mtime > _LEFT_S:
                shutil.rmtree(draft, ignore_errors=True)


def _flush_to_disk(path: Path) -> None:
    """Make sure that the bytes are on the disk before the name points at them."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())
