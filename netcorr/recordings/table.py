"""The deployments table: which logger stood where, and what it recorded."""

from __future__ import annotations

import math
import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from netcorr.errors import ClockError, RecordingError
from netcorr.feedback import Feedback, NoFeedback
from netcorr.recordings.recording import MOST_DRIFT_PPM, Deployment
from netcorr.recordings.table_rows import BEYOND, PLACE, Row, read_layer_rows, read_text_rows

#: Columns that are read; the first two must be there.
COLUMNS = (
    "logger",
    "recording",
    "fitting",
    "lon",
    "lat",
    "start",
    "clock_offset_ms",
    "clock_sd_ms",
    "clock_drift_ppm",
    "clock_drift_sd_ppm",
    "lead_m",
    "note",
    "known_noise",
)
#: A column that begins so but is not in `COLUMNS` would change the answer if it were passed over.
_TELLING = re.compile(r"(clock|lead|start|offset|known_noise)(_|$)|(longitude|latitude)$")
#: Such columns as they should be called.
_TELLING_COLUMNS = tuple(name for name in COLUMNS[3:] if name != "note")
#: A thousand and a half, or one and a half?
_THOUSANDS = re.compile(r"[+-]?\d{1,3}(,\d{3})+")
_TEXT_SUFFIXES = {".csv", ".tsv", ".tab", ".txt"}


@dataclass(frozen=True)
class _Problem:
    """What is wrong with one cell."""

    row: int
    column: str
    found: str
    of_clock: bool = False

    def __str__(self) -> str:
        return f"row {self.row}, column {self.column}: {self.found}"


def read_deployments(
    path: str | Path, *, layer: str | None = None, feedback: Feedback | None = None
) -> tuple[Deployment, ...]:
    """Read a deployments table.

    Parameters
    ----------
    path : str or pathlib.Path
        Text file (comma, semicolon or tab; UTF-8), or any vector dataset; points of a layer are places.
    layer : str, optional
        Layer of the dataset; may be left out when only one has the columns `logger` and `recording`.
    feedback : Feedback, optional
        Told which columns are not used.

    Returns
    -------
    tuple of Deployment
        One for each row, in the order of the table. Empty rows are passed over.

    Raises
    ------
    RecordingError
        If the table cannot be read, lacks a column, or rows are at fault: all of them are named.
    ClockError
        If nothing but start times is at fault.

    Notes
    -----
    Columns, whatever the case of their letters: `logger`, `recording` (relative to the table), `fitting`
    and/or `lon` and `lat` [degree]; optional `start` (ISO 8601 with a zone), `clock_offset_ms`
    (logger's clock minus true time, at the first sample), `clock_sd_ms`, `clock_drift_ppm` (by how many
    millionths the logger's clock runs fast, counted from the first sample), `clock_drift_sd_ppm`,
    `lead_m`, `note`, `known_noise` (fitting at which a noise was made meanwhile). Other columns
    are not used, but one that looks as if it mattered (`clock_offset`, `start_time`) is refused. Numbers may
    have a decimal comma, unless three digits follow it. A recording belongs to one row only.
    """
    path = Path(path)
    if not path.exists():
        raise RecordingError(
            str(path), found="no such file", remedy="check the name of the deployments table"
        )
    if path.suffix.lower() in _TEXT_SUFFIXES:
        table = path.name
        columns, rows = read_text_rows(path)
    else:
        table, columns, rows = read_layer_rows(path, layer=layer)
    _check_columns(columns, table=table, feedback=feedback or NoFeedback())
    if not rows:
        raise RecordingError(table, found="no rows", remedy="add one row for each recording")
    return _deployments(rows, table=table, folder=path.parent)


def _check_columns(columns: Iterable[str], *, table: str, feedback: Feedback) -> None:
    have = list(columns)
    missing = [name for name in COLUMNS[:2] if name not in have]
    if missing:
        raise RecordingError(
            table,
            found=f"no column {' and no column '.join(missing)} among {', '.join(have)}",
            remedy=f"name the columns {', '.join(COLUMNS)}",
        )
    unknown = [name for name in have if name not in COLUMNS]
    telling = [name for name in unknown if _TELLING.match(name)]
    if telling:
        raise RecordingError(
            table,
            found=f"column {', '.join(telling)}, which is not known",
            remedy=f"rename it if it is one of {', '.join(_TELLING_COLUMNS)}, mind the unit, or take it out",
        )
    if unknown:
        feedback.message(f"{table}: not used: column {', '.join(unknown)}")


def _deployments(rows: Iterable[Row], *, table: str, folder: Path) -> tuple[Deployment, ...]:
    """Every row, or one error that names everything at fault."""
    made: list[Deployment] = []
    problems: list[_Problem] = []
    for number, cells in rows:
        reader = _RowReader(number, cells)
        deployment = reader.deployment(table=table, folder=folder)
        if deployment is not None:
            made.append(deployment)
        problems += reader.problems
    problems += _recordings_named_twice(made)
    if problems:
        problems.sort(key=lambda problem: problem.row)
        kind = ClockError if all(problem.of_clock for problem in problems) else RecordingError
        raise kind(table, found="; ".join(map(str, problems)), remedy="correct the table")
    return tuple(made)


def parse_time(text: str) -> datetime:
    """Time as tables write it: ISO 8601, also with slashes in the date or a space before the zone.

    Parameters
    ----------
    text : str
        Year first.

    Returns
    -------
    datetime.datetime
        Without a zone when the text has none.

    Raises
    ------
    ValueError
        If it is no such time.

    Examples
    --------
    >>> parse_time("2026/03/01 02:00:00.125 +01").isoformat()
    '2026-03-01T02:00:00.125000+01:00'
    >>> parse_time("2026-03-01T02:00:00 UTC").isoformat()
    '2026-03-01T02:00:00+00:00'
    """
    text = re.sub(r"^(\d{4})/(\d\d)/(\d\d)", r"\1-\2-\3", text.strip())
    return datetime.fromisoformat(re.sub(r"\s+(?=[+-]\d|Z$)", "", re.sub(r"UTC$", "Z", text)))


def _recordings_named_twice(deployments: Iterable[Deployment]) -> list[_Problem]:
    """Rows that name a recording of an earlier row: compared with itself, it would show a leak halfway."""
    first: dict[str, Deployment] = {}
    problems = []
    for deployment in deployments:
        key = os.path.normcase(os.path.normpath(deployment.recording))
        earlier = first.setdefault(key, deployment)
        if earlier is not deployment:
            same = "the same logger" if earlier.logger == deployment.logger else f"logger {earlier.logger}"
            problems.append(
                _Problem(
                    deployment.row,
                    "recording",
                    f"{deployment.recording.name} is the recording of {same} in row {earlier.row} already",
                )
            )
    return problems


class _RowReader:
    """One row, and what is wrong with it."""

    def __init__(self, number: int, cells: Mapping[str, object]) -> None:
        self.number = number
        self.cells = cells
        self.problems: list[_Problem] = []

    def deployment(self, *, table: str, folder: Path) -> Deployment | None:
        """The row's deployment; None when anything in it is wrong."""
        if BEYOND in self.cells:
            self._wrong("after the last one", f"unexpected cells {self.cells[BEYOND]}")
        logger = self._text("logger", needed=True)
        recording = self._text("recording", needed=True).replace("\\", "/")
        fitting = self._text("fitting") or None
        lon_lat = self._lon_lat()
        start = self._start()
        offset_ms = self._number("clock_offset_ms")
        sd_ms = self._number("clock_sd_ms", least=0.0)
        drift_ppm = self._number("clock_drift_ppm", least=-MOST_DRIFT_PPM, most=MOST_DRIFT_PPM)
        drift_sd_ppm = self._number("clock_drift_sd_ppm", least=0.0, most=MOST_DRIFT_PPM)
        lead_m = self._number("lead_m", least=0.0)
        if fitting is None and lon_lat is None and not self.problems:
            self._wrong("fitting", "empty, and no place either: fill in fitting, or lon and lat")
        if self.problems:
            return None
        return Deployment(
            table=table,
            row=self.number,
            logger=logger,
            recording=folder / recording,
            fitting=fitting,
            lon_lat=lon_lat,
            start=start,
            clock_offset_s=(offset_ms or 0.0) / 1000,
            clock_sd_s=None if sd_ms is None else sd_ms / 1000,
            lead_m=lead_m or 0.0,
            note=self._text("note"),
            clock_drift_ppm=drift_ppm or 0.0,
            clock_drift_sd_ppm=drift_sd_ppm,
            known_noise=self._text("known_noise") or None,
        )

    def _wrong(self, column: str, found: str, *, of_clock: bool = False) -> None:
        self.problems.append(_Problem(self.number, column, found, of_clock))

    def _text(self, column: str, *, needed: bool = False) -> str:
        """Cell as text; a name that a layer holds as a whole number stays one, 7 and not 7.0."""
        value = self.cells.get(column)
        if isinstance(value, float) and value.is_integer():
            value = int(value)
        text = "" if value is None else str(value)
        if needed and not text:
            self._wrong(column, "empty")
        return text

    def _number(self, column: str, *, least: float = -math.inf, most: float = math.inf) -> float | None:
        value = self.cells.get(column)
        if value is None or value == "":
            return None
        text = str(value)
        if _THOUSANDS.fullmatch(text):
            self._wrong(
                column, f"{value!r} may be read in two ways: write it with a point, or without a comma"
            )
            return None
        try:
            number = float(text.replace(",", "."))
        except ValueError:
            self._wrong(column, f"{value!r} is no number")
            return None
        if not (math.isfinite(number) and least <= number <= most):
            bounds = f"at least {least:g}" + (f" and at most {most:g}" if most < math.inf else "")
            needed = bounds if least > -math.inf else "finite"
            self._wrong(column, f"{value!r} must be {needed}")
            return None
        return number

    def _lon_lat(self) -> tuple[float, float] | None:
        lon = self._number("lon", least=-180.0, most=180.0)
        lat = self._number("lat", least=-90.0, most=90.0)
        if lon is not None and lat is not None:
            return lon, lat
        for missing, other in (("lon", "lat"), ("lat", "lon")):
            if self.cells.get(missing) in (None, "") and self.cells.get(other) not in (None, ""):
                self._wrong(missing, f"empty, but {other} is filled in")
        place = self.cells.get(PLACE)
        if isinstance(place, str):
            self._wrong("geometry", place)
        return place if isinstance(place, tuple) else None

    def _start(self) -> datetime | None:
        value = self.cells.get("start")
        if value is None or value == "":
            return None
        start = value if isinstance(value, datetime) else None
        if start is None:
            try:
                start = parse_time(str(value))
            except ValueError:
                self._wrong(
                    "start",
                    f"{value!r} is no time: write it as 2026-03-01T02:00:00+01:00, or with Z for UTC",
                    of_clock=True,
                )
                return None
        if start.tzinfo is None:
            self._wrong(
                "start",
                f"{str(value)!r} has no time zone: write it as 2026-03-01T02:00:00+01:00, or with Z for UTC",
                of_clock=True,
            )
            return None
        return start
