"""The history of a result to records and back."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyogrio
from shapely import Point

from netcorr.errors import ExportError, VerificationError
from netcorr.export.field_values import moment
from netcorr.export.history_schema import VERIFICATION_HISTORY
from netcorr.export.safe_file import DRIVER_ERRORS
from netcorr.path.reference import point_at
from netcorr.verification import FoundPlace, Record, Visit
from netcorr.verification.found_place import BY_OFFSET

if TYPE_CHECKING:
    import pandas as pd
    import pyproj

    from netcorr.path.correlation_path import CorrelationPath
    from netcorr.position.fix import Candidate

Row = dict[str, Any]


def read_history(path: Path) -> tuple[Record, ...]:
    """Read what was taken in before.

    Parameters
    ----------
    path : pathlib.Path
        A result.

    Returns
    -------
    tuple of Record
        Oldest first; empty for a result that nothing was sent back for yet.

    Raises
    ------
    ExportError
        If the file cannot be read, or its history was edited.
    """
    name = VERIFICATION_HISTORY.name
    try:
        if name not in [str(found) for found, _ in pyogrio.list_layers(path)]:
            return ()
        table = pyogrio.read_dataframe(path, layer=name).drop(columns="geometry").astype(object)
        rows = table.where(table.notna(), None).to_dict("records")
        return tuple(_record({str(key): value for key, value in row.items()}) for row in rows)
    except (*DRIVER_ERRORS, VerificationError, KeyError, TypeError, ValueError) as error:
        raise ExportError(
            str(path),
            found=f"its layer {name} cannot be read ({error})",
            remedy="use the result as netcorr verify wrote it; this layer is not meant to be edited",
        ) from error


def _record(row: Row) -> Record:
    moved = None if row["moved_x"] is None else Point(float(row["moved_x"]), float(row["moved_y"]))
    taken = moment(row["taken"], name="taken")
    if taken is None:
        raise VerificationError("taken", found="empty", remedy="give a time")
    return Record(
        Visit(
            candidate_id=row["candidate_id"] or "",
            verification=row["verification"],
            offset_m=row["offset_m"],
            depth_m=row["depth_m"],
            visited=moment(row["visited"], name="visited"),
            crew=row["crew"] or "",
            photo=row["photo"] or "",
            note=row["field_note"] or "",
            place=moved,
        ),
        FoundPlace(
            from_a_m=row["found_from_a_m"],
            across_m=row["across_m"],
            known_by=row["known_by"] or "",
            doubts=(row["doubt"],) if row["doubt"] else (),
        ),
        taken=taken,
        source=row["source_file"],
        source_sha256=row["source_sha256"],
    )


def history_table(
    records: Sequence[Record],
    *,
    candidates: Mapping[str, tuple[Candidate, CorrelationPath]],
    crs: pyproj.CRS,
) -> pd.DataFrame:
    """Rows of the history.

    Parameters
    ----------
    records : sequence of Record
        In any order.
    candidates : mapping of str to (Candidate, CorrelationPath)
        Candidates of the result by id.
    crs : pyproj.CRS
        CRS of the result.

    Returns
    -------
    geopandas.GeoDataFrame
        Points where leaks were found; without one where nobody knows.
    """
    return VERIFICATION_HISTORY.table(_history_rows(records, candidates), crs)


def _history_rows(
    records: Sequence[Record], candidates: Mapping[str, tuple[Candidate, CorrelationPath]]
) -> Iterator[Row]:
    for record in records:
        visit, found = record.visit, record.found
        known = candidates.get(visit.candidate_id)
        yield {
            **{column.name: getattr(visit, column.name, None) for column in VERIFICATION_HISTORY.columns},
            "crew": visit.crew or None,
            "photo": visit.photo or None,
            "field_note": visit.note or None,
            "moved_x": None if visit.place is None else visit.place.x,
            "moved_y": None if visit.place is None else visit.place.y,
            "found_from_a_m": found.from_a_m,
            "error_m": None if found.from_a_m is None or not known else found.from_a_m - known[0].from_a_m,
            "across_m": found.across_m,
            "known_by": found.known_by or None,
            "doubt": "; ".join(found.doubts) or None,
            "taken": record.taken,
            "source_file": record.source,
            "source_sha256": record.source_sha256,
            "geometry": (_place(found, known[1]) if known else None) or visit.place,
        }


def _place(found: FoundPlace, path: CorrelationPath) -> Point | None:
    """Point on the map of a place that was measured along the pipe."""
    if found.known_by != BY_OFFSET or found.from_a_m is None or not 0 <= found.from_a_m <= path.length_m:
        return None
    return point_at(path, found.from_a_m)


def now() -> datetime:
    """Time of taking in, to the second."""
    return datetime.now(UTC).replace(microsecond=0)
