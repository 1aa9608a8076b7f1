"""A copy of a result in longitude and latitude, for phone apps."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import pyogrio
import pyproj

from netcorr.errors import ExportError
from netcorr.export.geopackage import write_tables
from netcorr.export.layer_style import RESULT_STYLES
from netcorr.export.result_schema import LEAK_CANDIDATES, RESULT_LAYERS
from netcorr.export.result_tables import result_tables
from netcorr.export.safe_file import DRIVER_ERRORS, check_folder, replacing
from netcorr.feedback import Feedback, NoFeedback
from netcorr.layers.crs import shift_note

if TYPE_CHECKING:
    import pandas as pd

    from netcorr.position.fix import SurveyFix
    from netcorr.units import UnitSystem

_WGS84 = pyproj.CRS.from_epsg(4326)
#: Begins what a copy adds to the notes of the candidates.
ON_THIS_COPY = "On this copy,"


def write_wgs84(
    source: SurveyFix | str | os.PathLike[str],
    path: str | os.PathLike[str],
    *,
    units: UnitSystem = "metric",
    feedback: Feedback | None = None,
) -> None:
    """Write a result in WGS 84 (EPSG:4326).

    Parameters
    ----------
    source : SurveyFix, str or path-like
        The answer of a survey, or a GeoPackage that `write_result` wrote.
    path : str or path-like
        File to write. ``.gpkg`` holds all layers; ``.geojson`` or ``.json`` holds the leak candidates
        as points after RFC 7946.
    units : {'metric', 'us'}
        Units of the directions in words, when `source` is an answer; numbers are in SI units.
    feedback : Feedback, optional
        Told how far the work is, and when the datum shift is coarse.

    Raises
    ------
    ExportError
        If the source is not a result, or the file cannot be written.
    CancelledError
        If the user stopped it.

    Notes
    -----
    Where the shift from the network's datum to WGS 84 is not known to a metre, `feedback` is told and
    the note of every candidate says so: the point on a phone is then off by that much, the layers in the
    network's own CRS are not.
    """
    feedback = feedback or NoFeedback()
    target = Path(path)
    moved = tables_in_wgs84(source, units=units, feedback=feedback)
    if target.suffix.lower() in {".geojson", ".json"}:
        _write_points(moved[LEAK_CANDIDATES.name], target)
    elif target.suffix.lower() == ".gpkg":
        write_tables(moved, target, layers=RESULT_LAYERS, styles=RESULT_STYLES, feedback=feedback)
    else:
        raise ExportError(
            str(target),
            found=f"{target.suffix or 'no ending'} says neither GeoPackage nor GeoJSON",
            remedy="end the name with .gpkg or .geojson",
        )


def tables_in_wgs84(
    source: SurveyFix | str | os.PathLike[str], *, units: UnitSystem = "metric", feedback: Feedback
) -> dict[str, pd.DataFrame]:
    """Give the layers of a result in WGS 84.

    Parameters
    ----------
    source : SurveyFix, str or path-like
        The answer of a survey, or a GeoPackage that `write_result` wrote.
    units : {'metric', 'us'}
        Units of the directions in words, when `source` is an answer.
    feedback : Feedback
        Told when the datum shift is coarse; the note of every candidate says it, too.

    Returns
    -------
    dict of str to DataFrame
        Tables by layer, those with places in EPSG:4326.

    Raises
    ------
    ExportError
        If the source is not a result.
    """
    tables = (
        _read_tables(Path(source))
        if isinstance(source, str | os.PathLike)
        else result_tables(source, units=units)
    )
    return _in_wgs84(tables, feedback)


def _read_tables(path: Path) -> dict[str, pd.DataFrame]:
    if not path.is_file():
        raise ExportError(str(path), found="there is no such file", remedy="give a result of netcorr locate")
    try:
        return {
            layer.name: layer.typed(pyogrio.read_dataframe(path, layer=layer.name)) for layer in RESULT_LAYERS
        }
    except (*DRIVER_ERRORS, KeyError) as error:
        raise ExportError(
            str(path), found=f"not a complete result ({error})", remedy="give a result of netcorr locate"
        ) from error


def _in_wgs84(tables: dict[str, pd.DataFrame], feedback: Feedback) -> dict[str, pd.DataFrame]:
    moved = {
        name: table.to_crs(_WGS84) if isinstance(table, gpd.GeoDataFrame) else table
        for name, table in tables.items()
    }
    candidates = tables[LEAK_CANDIDATES.name]
    is_map = isinstance(candidates, gpd.GeoDataFrame) and len(candidates) > 0
    bounds = tuple(gpd.GeoDataFrame(candidates).total_bounds) if is_map else None
    note = shift_note(pyproj.CRS(candidates.crs), _WGS84, bounds=bounds)
    if note:
        feedback.message(note)
        copy = moved[LEAK_CANDIDATES.name].copy()
        sentence = f"{ON_THIS_COPY} {note}."
        copy["note"] = [f"{text} {sentence}" if text else sentence for text in copy["note"]]
        moved[LEAK_CANDIDATES.name] = copy
    return moved


def _write_points(points: pd.DataFrame, target: Path) -> None:
    check_folder(target)
    if target.exists():
        _check_is_ours(target)
    with replacing(target) as draft:
        pyogrio.write_dataframe(
            points,
            draft,
            layer=LEAK_CANDIDATES.name,
            driver="GeoJSON",
            geometry_type=LEAK_CANDIDATES.geometry,
            layer_options={"RFC7946": "YES", "DESCRIPTION": LEAK_CANDIDATES.description},
        )
        _check_points(draft, len(points))


def _check_is_ours(target: Path) -> None:
    """Refuse to replace a file that is not an earlier copy."""
    try:
        name = json.loads(target.read_text(encoding="utf-8")).get("name")
    except (OSError, ValueError, AttributeError):
        name = None
    if name != LEAK_CANDIDATES.name:
        raise ExportError(
            str(target),
            found="it exists and is not an earlier copy of a result",
            remedy="choose another name, or move that file away first",
        )


def _check_points(draft: Path, count: int) -> None:
    found = json.loads(draft.read_text(encoding="utf-8"))
    if len(found["features"]) != count:
        raise OSError(f"the file written holds {len(found['features'])} instead of {count} points")
