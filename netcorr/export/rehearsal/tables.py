"""A rehearsal as tables, one for each layer."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from shapely import LineString

from netcorr.export.geopackage import write_tables
from netcorr.export.pipe_words import material_text
from netcorr.export.rehearsal.schema import (
    REHEARSAL_LAYERS,
    REHEARSAL_SHARES,
    REHEARSAL_STYLES,
    REHEARSED_LEAKS,
    REHEARSED_MAINS,
    REHEARSED_SITES,
    SIMULATED,
    TOLD_POINTS,
)
from netcorr.rehearsal.summary import summarise, summarise_by

if TYPE_CHECKING:
    import os
    from collections.abc import Iterator, Mapping

    import pandas as pd

    from netcorr.feedback import Feedback
    from netcorr.rehearsal import Rehearsal, RehearsedLeak, Summary

    Row = dict[str, Any]


def write_rehearsal(
    rehearsal: Rehearsal,
    path: str | os.PathLike[str],
    *,
    folders: Mapping[int, str] | None = None,
    feedback: Feedback | None = None,
) -> None:
    """Write a rehearsal as a GeoPackage of layers to look at.

    Parameters
    ----------
    rehearsal : Rehearsal
        What came of the leaks.
    path : str or path-like
        File to write, ending in ``.gpkg``. An earlier rehearsal there is replaced when the new one is
        complete and has been checked.
    folders : mapping of int to str, optional
        Where the recordings of each leak were kept.
    feedback : Feedback, optional
        Told how far the work is.

    Raises
    ------
    ExportError
        If the file is in use by another program, holds other layers, or cannot be written.
    CancelledError
        If the user stopped it.
    """
    tables = rehearsal_tables(rehearsal, folders=folders)
    write_tables(tables, path, layers=REHEARSAL_LAYERS, styles=REHEARSAL_STYLES, feedback=feedback)


def rehearsal_tables(
    rehearsal: Rehearsal, *, folders: Mapping[int, str] | None = None
) -> dict[str, pd.DataFrame]:
    """Tables of a rehearsal, by layer name.

    Parameters
    ----------
    rehearsal : Rehearsal
        What came of the leaks.
    folders : mapping of int to str, optional
        Where the recordings of each leak were kept.

    Returns
    -------
    dict of str to pandas.DataFrame
        One for each of `REHEARSAL_LAYERS`, typed also when it is empty.
    """
    crs = rehearsal.network.crs
    leaks = rehearsal.leaks
    summaries = (summarise(leaks), *summarise_by(leaks, lambda one: material_text(one.leak.material)))
    return {
        REHEARSED_LEAKS.name: REHEARSED_LEAKS.table((_leak(one, folders or {}) for one in leaks), crs),
        TOLD_POINTS.name: TOLD_POINTS.table(_told(rehearsal), crs),
        REHEARSED_MAINS.name: REHEARSED_MAINS.table(_mains(rehearsal), crs),
        REHEARSED_SITES.name: REHEARSED_SITES.table(_sites(rehearsal), crs),
        REHEARSAL_SHARES.name: REHEARSAL_SHARES.table(map(share_row, summaries), None),
    }


def _leak(one: RehearsedLeak, folders: Mapping[int, str]) -> Row:
    told, leak = one.told, one.leak
    return {
        "leak": one.number,
        "outcome": told.outcome,
        "error_m": told.error_m,
        "probability": told.probability,
        "in_area": told.in_area,
        "area_m": told.area_m if told.probability else None,
        "between_sites": one.between_sites,
        "told": told.words,
        "pipe_id": leak.pipe_id,
        "material": leak.material,
        "diameter_mm": leak.diameter_mm,
        "from_start_m": leak.place.offset_m,
        "sites": len(one.sites),
        "nearest_m": one.nearest_m[0] if one.nearest_m else None,
        "second_m": one.nearest_m[1] if len(one.nearest_m) > 1 else None,
        "heard_db": one.heard_db,
        "sensor_a": told.sensor_a or None,
        "sensor_b": told.sensor_b or None,
        "recordings": folders.get(one.number),
        "caution": SIMULATED,
        "geometry": leak.point,
    }


def _told(rehearsal: Rehearsal) -> Iterator[Row]:
    for one in rehearsal.leaks:
        point = one.told.point
        if point is not None and point.distance(one.leak.point) > 0:
            yield {
                "leak": one.number,
                "outcome": one.told.outcome,
                "error_m": one.told.error_m,
                "geometry": LineString([one.leak.point, point]),
            }


def _mains(rehearsal: Rehearsal) -> Iterator[Row]:
    on: dict[tuple[int, int, int], list[RehearsedLeak]] = {}
    for one in rehearsal.leaks:
        on.setdefault(one.leak.place.edge, []).append(one)
    for edge, leaks in on.items():
        data = rehearsal.network.edge(*edge)
        helped = sum(one.told.helped for one in leaks)
        missed = Counter(one.told.outcome for one in leaks if not one.told.helped)
        yield {
            "pipe_id": data["pipe_id"],
            "material": data["material"],
            "diameter_mm": data["diameter_mm"],
            "length_m": data["length_m"],
            "leaks": len(leaks),
            "found": helped,
            "fails": not helped,
            "why": ", ".join(f"{count} x {words}" for words, count in missed.most_common()) or None,
            "geometry": data["geometry"],
        }


def _sites(rehearsal: Rehearsal) -> Iterator[Row]:
    taken = Counter(
        (site.setup, site.fitting)
        for one in rehearsal.leaks
        if one.told.outcome != "out of reach"
        for site in one.sites
    )
    for site in rehearsal.sites:
        yield {
            "fitting": site.fitting,
            "logger": site.logger,
            "setup": site.setup or None,
            "leaks": taken[site.setup, site.fitting],
            "geometry": rehearsal.network.fittings.geometry[site.fitting],
        }


def share_row(one: Summary) -> Row:
    """Columns of `REHEARSAL_SHARES` for one summary."""
    low, high = one.found.interval
    counts = one.outcomes
    return {
        "material": one.name,
        "leaks": one.count,
        "found": one.found.hits,
        "found_low": low,
        "found_high": high,
        "in_area": counts.get("in the area", 0),
        "beyond_sensor": counts.get("beyond a sensor", 0),
        "not_heard": counts.get("not heard", 0),
        "wrong_place": counts.get("wrong place", 0),
        "no_answer": counts.get("no answer", 0),
        "out_of_reach": counts.get("out of reach", 0),
        "median_m": one.median_m,
        "p90_m": one.p90_m,
        "area_m": one.area_m,
    }
