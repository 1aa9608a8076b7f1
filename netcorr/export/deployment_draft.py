"""A draft of the deployments table, to be filled in by hand and then located with."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from netcorr.errors import ExportError
from netcorr.export.plain_text import plain_text
from netcorr.export.safe_file import check_folder, replacing

if TYPE_CHECKING:
    from netcorr.position.photo_sites import PhotoSite
    from netcorr.recordings.photos import Photo

#: Columns that a table of deployments begins with where it is written to be filled in; `locate` reads them.
DEPLOYMENT_COLUMNS = (
    "logger",
    "fitting",
    "recording",
    "start",
    "clock_offset_ms",
    "clock_sd_ms",
    "lead_m",
    "note",
)
#: Columns of the draft; what comes after those of every table is for whoever fills it in.
DRAFT_COLUMNS = (
    *DEPLOYMENT_COLUMNS,
    "photos",
    "photographed",
    "nearest",
    "nearest_kind",
    "nearest_m",
    "second",
    "second_m",
    "doubt",
)
#: A spreadsheet takes a cell that starts so for a formula.
_FORMULA = ("=", "+", "-", "@")


def check_draft_target(path: Path) -> None:
    """Refuse a file that is there: somebody may have filled it in.

    Raises
    ------
    ExportError
        If it exists, or its folder does not.
    """
    check_folder(path)
    if path.exists():
        raise ExportError(
            str(path),
            found="it exists, and may have been filled in by hand",
            remedy="choose another name, or move that file away first",
        )


def write_draft(sites: Sequence[PhotoSite], path: str | os.PathLike[str]) -> None:
    """Write the draft as a table that spreadsheets open.

    Parameters
    ----------
    sites : sequence of PhotoSite
        One row each.
    path : str or path-like
        CSV file to write; never one that is there.

    Raises
    ------
    ExportError
        If it exists, or cannot be written.

    Notes
    -----
    `fitting` is filled in only where it is sure; `recording` is left to be filled in, and until then
    `locate` refuses the table, naming the rows. It starts with the mark by which spreadsheets know UTF-8.
    """
    target = Path(path)
    check_draft_target(target)
    with replacing(target) as draft, draft.open("w", newline="", encoding="utf-8-sig") as stream:
        writer = csv.DictWriter(stream, DRAFT_COLUMNS)
        writer.writeheader()
        writer.writerows(draft_rows(sites, folder=target.parent))


def draft_rows(sites: Sequence[PhotoSite], *, folder: Path) -> Iterator[dict[str, str]]:
    """Rows of the draft.

    Parameters
    ----------
    sites : sequence of PhotoSite
        One row each.
    folder : pathlib.Path
        Folder of the table; paths of photos are given from there.

    Yields
    ------
    dict of str to str
        Cells by column of `DRAFT_COLUMNS`; those that are left out are empty.
    """
    named: dict[str, int] = {}
    for site in sites:
        first = site.photos[0]
        name = plain_text(first.path.stem).lstrip("".join(_FORMULA)).strip() or "logger"
        named[name] = named.get(name, 0) + 1
        row = {
            "logger": name if named[name] == 1 else f"{name} ({named[name]})",
            "fitting": site.fitting or "",
            "photos": "; ".join(_from(photo, folder) for photo in site.photos),
            "photographed": time_text(first.taken),
            "doubt": plain_text("; ".join(site.doubts)),
        }
        for title, near in zip(("nearest", "second"), site.near, strict=False):
            row |= {title: plain_text(near.fitting), f"{title}_m": f"{near.distance_m:.1f}"}
        if site.near:
            row["nearest_kind"] = site.near[0].kind
        yield row


def time_text(taken: datetime | None) -> str:
    """Time of a photo as a table shows it: to the second, with its zone where there is one."""
    return "" if taken is None else taken.isoformat(timespec="seconds")


def _from(photo: Photo, folder: Path) -> str:
    """Path of a photo from a folder; never one that starts like a formula."""
    try:
        path = Path(os.path.relpath(photo.path, folder)).as_posix()
    except ValueError:  # another drive
        path = str(photo.path.resolve())
    path = plain_text(path)
    return f"./{path}" if path.startswith(_FORMULA) else path
