"""What a result was made from: files with their fingerprints, settings and version."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC
from pathlib import Path
from typing import TYPE_CHECKING, Any

import netcorr
from netcorr.export.result_tables import all_rejected, fitting_of

if TYPE_CHECKING:
    from netcorr.position.fix import SurveyFix

Row = dict[str, Any]

#: Larger files keep their size only: reading them again would take longer than finding the leak. [bytes]
LARGEST_HASHED = 256 * 2**20


@dataclass(frozen=True)
class Inputs:
    """Files and settings that a survey was located with.

    Attributes
    ----------
    files : mapping of str to pathlib.Path or None
        By role, such as ``network``, ``deployments`` and ``mapping``; None for what was not given.
    settings : mapping of str to object
        By name with the unit in it.
    """

    files: Mapping[str, Path | None] = field(default_factory=dict)
    settings: Mapping[str, Any] = field(default_factory=dict)


def fingerprint(path: Path) -> str | None:
    """SHA-256 of a file.

    Parameters
    ----------
    path : pathlib.Path
        Any path.

    Returns
    -------
    str or None
        In hexadecimal; None for what is no readable file, or larger than `LARGEST_HASHED`.
    """
    try:
        if not path.is_file() or path.stat().st_size > LARGEST_HASHED:
            return None
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return None


def path_from(folder: Path, path: Path) -> str:
    """Path as seen from a folder, with slashes; its name alone where there is no way between the two."""
    try:
        return Path(os.path.relpath(path, folder)).as_posix()
    except ValueError:  # another drive
        return path.name


def made_from_rows(fix: SurveyFix, inputs: Inputs, *, folder: Path) -> Iterator[Row]:
    """Rows of the table `made_from`.

    Parameters
    ----------
    fix : SurveyFix
        The answer.
    inputs : Inputs
        Files and settings.
    folder : pathlib.Path
        Folder of the result, from which paths are seen.

    Yields
    ------
    dict
        Values by column.
    """
    yield {"role": "program", "name": "netcorr", "value": netcorr.__version__}
    settings = {"map_accuracy_m": fix.map_accuracy_m, **inputs.settings}
    for name, value in settings.items():
        if value is not None:
            yield {"role": "setting", "name": name, "value": str(value)}
    for role, path in inputs.files.items():
        if path is not None:
            yield {"role": role, "name": path.name, **_file(path, folder)}
    yield from _recordings(fix, folder)


def _recordings(fix: SurveyFix, folder: Path) -> Iterator[Row]:
    for one in fix.rounds:
        for recording in one.recordings:
            row = recording.deployment
            yield {
                **_file(row.recording, folder),
                "role": "recording",
                "name": row.recording.name,
                "logger": row.logger,
                "fitting": fitting_of(row, fix),
                "round": one.number,
                "start": recording.start.astimezone(UTC).isoformat(timespec="microseconds"),
                "sample_rate_hz": recording.sample_rate_hz,
                "table_name": row.table,
                "table_row": row.row,
            }
    for number, item in all_rejected(fix):
        row = item.deployment
        yield {
            **_file(row.recording, folder),
            "role": "recording",
            "name": row.recording.name,
            "value": item.reason,
            "logger": row.logger,
            "fitting": fitting_of(row, fix),
            "round": number,
            "table_name": row.table,
            "table_row": row.row,
        }


def _file(path: Path, folder: Path) -> Row:
    size = path.stat().st_size if path.is_file() else None
    # a larger number does not fit the column; the fingerprint is left out then as well
    known = size if size is not None and size < 2**31 else None
    return {"path": path_from(folder, path), "sha256": fingerprint(path), "bytes": known}
