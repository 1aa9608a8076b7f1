"""The points of a result for apps that read no GeoPackage: GeoJSON, KML or GPX."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import pyogrio

from netcorr.errors import ExportError
from netcorr.export.cautions import CAUTIONS
from netcorr.export.plain_text import plain_text
from netcorr.export.result_schema import LEAK_CANDIDATES, SENSORS
from netcorr.export.safe_file import check_folder, replacing
from netcorr.export.wgs84 import tables_in_wgs84
from netcorr.feedback import Feedback, NoFeedback
from netcorr.verification.visit import VERIFICATIONS

if TYPE_CHECKING:
    import pandas as pd

    from netcorr.position.fix import SurveyFix
    from netcorr.units import UnitSystem

#: Endings of the files that can be written.
POINT_SUFFIXES = (".geojson", ".kml", ".gpx")
#: Name of the collection; a file that bears it is an earlier one of ours.
NAME = "netcorr_points"
#: What a point is.
CANDIDATE, DO_NOT_DIG, SENSOR = "leak candidate", "do not dig", "sensor"

#: Driver, its options for the dataset and for the layer, and the column for the name, the description and the
#: kind of point.
_FORMATS: dict[str, tuple[str, dict[str, str], dict[str, str], tuple[str, str, str]]] = {
    ".geojson": ("GeoJSON", {}, {"RFC7946": "YES"}, ("name", "description", "kind")),
    ".kml": (
        "KML",
        {"NameField": "name", "DescriptionField": "description"},
        {},
        ("name", "description", "kind"),
    ),
    ".gpx": ("GPX", {"METADATA_NAME": NAME, "GPX_USE_EXTENSIONS": "YES"}, {}, ("name", "desc", "type")),
}
#: Signs that apps which show a description as a page would take for markup, and what stands for them.
_NO_MARKUP = str.maketrans({"<": "‹", ">": "›"})
_HEAD_BYTES = 4096


def write_points(
    source: SurveyFix | str | os.PathLike[str],
    path: str | os.PathLike[str],
    *,
    units: UnitSystem = "metric",
    feedback: Feedback | None = None,
) -> int:
    """Write candidates and sensors as points in longitude and latitude (WGS 84).

    Parameters
    ----------
    source : SurveyFix, str or path-like
        The answer of a survey, or a GeoPackage that `write_result` wrote.
    path : str or path-like
        File to write; its ending says how: ``.geojson`` (RFC 7946), ``.kml`` or ``.gpx`` (waypoints).
    units : {'metric', 'us'}
        Units of the directions in words, when `source` is an answer.
    feedback : Feedback, optional
        Told when the shift of the datum is coarse.

    Returns
    -------
    int
        Number of points written.

    Raises
    ------
    ExportError
        If the source is not a result, the ending is none of these, another file has its place, or it
        cannot be written.

    Notes
    -----
    Each point has a name, a kind and a description: the way to it, where to search, and the cautions. The
    name of a candidate that was visited says what the ground said.
    Signs that could be taken for markup are replaced, since some apps show a description as a page.
    """
    target = Path(path)
    suffix = target.suffix.lower()
    if suffix not in _FORMATS:
        raise ExportError(
            str(target),
            found=f"{suffix or 'no ending'} says none of GeoJSON, KML and GPX",
            remedy="end the name with " + ", ".join(POINT_SUFFIXES),
        )
    check_points_target(target)
    tables = tables_in_wgs84(source, units=units, feedback=feedback or NoFeedback())
    rows = [*_candidate_rows(tables[LEAK_CANDIDATES.name]), *_sensor_rows(tables[SENSORS.name])]
    driver, dataset_options, layer_options, names = _FORMATS[suffix]
    frame = _frame(rows).rename(columns=dict(zip(("name", "description", "kind"), names, strict=True)))
    layer = "waypoints" if driver == "GPX" else NAME
    with replacing(target) as draft:
        pyogrio.write_dataframe(
            frame,
            draft,
            layer=layer,
            driver=driver,
            geometry_type="Point",
            dataset_options=dataset_options,
            layer_options=layer_options,
        )
        _check_written(draft, layer, len(frame))
    return len(frame)


def check_points_target(target: Path) -> None:
    """Refuse a place without a folder, and a file that is not an earlier one of these.

    Raises
    ------
    ExportError
        If so.
    """
    check_folder(target)
    if not target.exists():
        return
    try:
        with target.open("rb") as file:
            ours = NAME.encode() in file.read(_HEAD_BYTES)
    except OSError:
        ours = False
    if not ours:
        raise ExportError(
            str(target),
            found="it exists and holds no points that netcorr wrote",
            remedy="choose another name, or move that file away first",
        )


def _candidate_rows(table: pd.DataFrame) -> Iterator[dict[str, Any]]:
    for row in table.sort_values("rank").to_dict("records"):
        state = row["verification"]
        visited = f" ({state})" if isinstance(state, str) and state != VERIFICATIONS[0] else ""
        yield {
            "name": _said(f"{row['name']}{visited}"),
            "kind": CANDIDATE if row["in_bracket"] else DO_NOT_DIG,
            "description": _sentences(row, ("caution", "directions", "note", "coordinates")),
            "candidate_id": row["candidate_id"],
            "rank": int(row["rank"]),
            "probability": round(float(row["probability"]), 4),
            "geometry": row["geometry"],
        }


def _sensor_rows(table: pd.DataFrame) -> Iterator[dict[str, Any]]:
    for row in table.to_dict("records"):
        fitting = " ".join(part for part in (row["kind"], row["fitting"]) if isinstance(part, str))
        where = f"Logger {row['logger']} stood here."
        if row["lead_m"] > 0:  # not when it is unknown, which is NaN
            where += f" It is {row['lead_m']:.2f} m of pipe off the main."
        yield {
            "name": _said(f"Sensor: {fitting or row['logger']}"),
            "kind": SENSOR,
            "description": _said(" ".join((where, *CAUTIONS))),
            "candidate_id": None,
            "rank": None,
            "probability": float("nan"),
            "geometry": row["geometry"],
        }


def _sentences(row: Mapping[Any, Any], columns: tuple[str, ...]) -> str:
    return _said(" ".join(row[name] for name in columns if isinstance(row[name], str) and row[name]))


def _said(text: str) -> str:
    """Text that no app takes for anything but text."""
    return plain_text(text).translate(_NO_MARKUP)


def _frame(rows: list[dict[str, Any]]) -> gpd.GeoDataFrame:
    """Rows with a place; typed also when there are none."""
    placed = [row for row in rows if row["geometry"] is not None and not row["geometry"].is_empty]
    names = ("name", "kind", "description", "candidate_id", "rank", "probability")
    columns = {name: [row[name] for row in placed] for name in names}
    frame = gpd.GeoDataFrame(columns, geometry=[row["geometry"] for row in placed], crs=4326)
    return frame.astype({**dict.fromkeys(names[:4], "object"), "rank": "Int32", "probability": "float64"})


def _check_written(draft: Path, layer: str, count: int) -> None:
    found = pyogrio.read_info(draft, layer=layer, force_feature_count=True)["features"]
    if found != count:
        raise OSError(f"the file written holds {found} instead of {count} points")
