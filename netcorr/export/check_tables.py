"""A checked map as tables, one for each layer: made column by column, for maps of any size."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from netcorr.export.check_schema import (
    CHECK_LAYERS,
    CHECKED_FITTINGS,
    CHECKED_PIPES,
    CROSSINGS,
    FAR_FITTINGS,
    MAP_CHANGES,
    MISSING_ATTRIBUTES,
    NEAR_MISSES,
    NETWORK_PIECES,
)
from netcorr.export.check_style import CHECK_STYLES
from netcorr.export.geopackage import write_tables
from netcorr.export.plain_text import plain_text
from netcorr.export.result_schema import ResultLayer
from netcorr.network.ground import GroundPlane
from netcorr.network.log import CHANGES

if TYPE_CHECKING:
    import os

    import pyproj
    from numpy.typing import NDArray

    from netcorr.feedback import Feedback
    from netcorr.network.map_check import MapCheck


def write_check(check: MapCheck, path: str | os.PathLike[str], *, feedback: Feedback | None = None) -> None:
    """Write a checked map as a GeoPackage of layers to look at.

    Parameters
    ----------
    check : MapCheck
        What was found.
    path : str or path-like
        File to write, ending in ``.gpkg``. An earlier check there is replaced when the new one is complete
        and has been verified.
    feedback : Feedback, optional
        Told how far the work is.

    Raises
    ------
    ExportError
        If the file is in use by another program, holds other layers, or cannot be written.
    CancelledError
        If the user stopped it; nothing is written then.
    """
    write_tables(check_tables(check), path, layers=CHECK_LAYERS, styles=CHECK_STYLES, feedback=feedback)


def check_tables(check: MapCheck) -> dict[str, pd.DataFrame]:
    """Tables of a checked map, by layer name.

    Parameters
    ----------
    check : MapCheck
        What was found.

    Returns
    -------
    dict of str to geopandas.GeoDataFrame
        One for each of `CHECK_LAYERS`, typed also when it is empty.
    """
    columns = {
        CHECKED_PIPES: _pipes(check),
        CHECKED_FITTINGS: _fittings(check),
        MAP_CHANGES: _changes(check),
        NEAR_MISSES: _gaps(check, crossings=False),
        CROSSINGS: _gaps(check, crossings=True),
        NETWORK_PIECES: _pieces(check),
        FAR_FITTINGS: _far_fittings(check),
        MISSING_ATTRIBUTES: _missing(check),
    }
    return {layer.name: _typed(layer, values, check.network.crs) for layer, values in columns.items()}


def _typed(layer: ResultLayer, values: dict[str, Any], crs: pyproj.CRS) -> gpd.GeoDataFrame:
    """Columns of a layer in its order and types; a text is cleaned once, however often it occurs."""
    columns: dict[str, Any] = {}
    for column in layer.columns:
        given = values[column.name]
        if column.kind == "text":
            columns[column.name] = _clean(given)
        elif column.kind == "integer":
            columns[column.name] = pd.array(given, dtype="Int32")
        else:
            columns[column.name] = np.asarray(given, dtype=bool if column.kind == "flag" else float)
    return gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries(values["geometry"], crs=crs), crs=crs)


def _clean(texts: Any) -> pd.Series[Any]:
    code, unique = pd.factorize(pd.Series(texts, dtype=object), use_na_sentinel=True)
    clean = np.array([*(plain_text(text) or None for text in unique.tolist()), None], dtype=object)
    return pd.Series(clean[code], dtype=object)


def _some(numbers: Any, known: NDArray[np.bool_]) -> Any:
    """Whole numbers, missing where they are not known."""
    result = pd.array(np.asarray(numbers), dtype="Int32")
    result[~known] = pd.NA
    return result


def _pipes(check: MapCheck) -> dict[str, Any]:
    parts = check.parts
    row = np.flatnonzero(~parts.is_link)
    row = row[np.lexsort((_first_x(parts.columns["geometry"][row]), _code(parts.columns["pipe_id"][row])))]
    names = ("pipe_id", "length_m", "drawn_length_m", "material", "material_text", "diameter_mm", "assumed")
    piece = parts.edge_piece[row]
    return {
        **{name: parts.columns[name][row] for name in names},
        "number": pd.Series(row).groupby(parts.columns["pipe_id"][row], sort=False).cumcount() + 1,
        "in_service": parts.in_service[row],
        "piece": _some(piece + 1, piece >= 0),
        "geometry": parts.columns["geometry"][row],
    }


def _code(ids: NDArray[np.object_]) -> NDArray[np.intp]:
    return np.asarray(pd.factorize(ids, sort=True)[0], dtype=np.intp)


def _first_x(lines: NDArray[np.object_]) -> Any:
    return shapely.bounds(lines)[:, 0]


def _fittings(check: MapCheck) -> dict[str, Any]:
    fittings = check.network.fittings
    node = fittings["node"].to_numpy(dtype=np.intp)
    piece = np.where(node >= 0, check.parts.node_piece[node], -1) if len(node) else node
    return {
        "asset_id": fittings.index.to_numpy(dtype=object),
        **{name: fittings[name].to_numpy() for name in ("kind", "is_open", "pipe_id", "offset_m")},
        "piece": _some(piece + 1, piece >= 0),
        "geometry": fittings.geometry.to_numpy(),
    }


def _changes(check: MapCheck) -> dict[str, Any]:
    log = check.network.log
    names = ("source_id", "change", "moved_m", "text")
    return {
        **{name: log[name].to_numpy() for name in names},
        "meaning": log["change"].map(CHANGES).to_numpy(dtype=object),
        "geometry": log.geometry.to_numpy(),
    }


def _gaps(check: MapCheck, *, crossings: bool) -> dict[str, Any]:
    gaps, ids = check.gaps, check.parts.columns["pipe_id"]
    which = np.flatnonzero(gaps.is_crossing == crossings)
    order = check.effects.order[which]
    gaps = gaps.take(which)
    places = np.stack([gaps.from_xy, gaps.to_xy], axis=1)
    return {
        "order_to_fix": _some(order, order > 0),
        "pipe_id": ids[gaps.edge],
        "other_id": ids[gaps.other],
        "kind": gaps.kind,
        "gap_m": gaps.gap_m,
        "past_m": gaps.past_m,
        "connects_m": gaps.connects_m,
        "opens_m": check.effects.opens_m[which],
        "piece": gaps.piece + 1,
        "other_piece": gaps.other_piece + 1,
        "geometry": shapely.points(gaps.from_xy) if crossings else _lines(places),
    }


def _lines(places: NDArray[np.float64]) -> Any:
    return shapely.linestrings(places) if len(places) else np.zeros(0, dtype=object)


def _pieces(check: MapCheck) -> dict[str, Any]:
    parts, count = check.parts, len(check.parts.length_m)
    row = np.flatnonzero(parts.in_service)
    piece = parts.edge_piece[row]
    lines = parts.columns["geometry"][row]
    order = np.argsort(piece, kind="stable")
    mains = pd.Series(parts.columns["pipe_id"][row]).groupby(piece).nunique()
    node = check.network.fittings["node"].to_numpy(dtype=np.intp)
    on = parts.node_piece[node[node >= 0]]
    size_m = _extent_m(check, piece)
    gap_m, note = _ways_to(check)
    return {
        "piece": np.arange(1, count + 1),
        "length_m": parts.length_m,
        "share": parts.length_m / max(parts.total_m, 1e-9),
        "mains": mains.reindex(range(count)).to_numpy(),
        "fittings": np.bincount(on[on >= 0], minlength=count),
        "width_m": size_m[:, 0],
        "height_m": size_m[:, 1],
        "gap_m": gap_m,
        "note": note,
        "geometry": shapely.multilinestrings(lines[order], indices=piece[order]),
    }


def _extent_m(check: MapCheck, piece: NDArray[np.intp]) -> NDArray[np.float64]:
    """Sizes of the pieces on the ground, shape (p, 2)."""
    parts = check.parts
    lines = parts.columns["geometry"][parts.in_service]
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    plane = GroundPlane.about(xy, check.network.crs).metres(xy)
    bounds = pd.DataFrame(plane).groupby(piece[owner]).agg(["min", "max"]).to_numpy()
    return np.column_stack([bounds[:, 1] - bounds[:, 0], bounds[:, 3] - bounds[:, 2]])


def _ways_to(check: MapCheck) -> tuple[NDArray[np.float64], list[str]]:
    """Gap that leads to each piece from a longer one, and words for it."""
    parts, gaps, effects = check.parts, check.gaps, check.effects
    count = len(parts.length_m)
    gap_m, is_crossing = np.full(count, np.nan), gaps.is_crossing
    lone = np.bincount(effects.system, minlength=count)[effects.system] == 1
    note = [
        "nothing comes near to it" if alone else "longest of what the gaps could connect" for alone in lone
    ]
    if count == 1:
        note = ["all mains in service hang together"]
    for k in np.flatnonzero(effects.order > 0).tolist():
        far = int(effects.leads_to[k])
        crossing = is_crossing[k]
        gap_m[far] = np.nan if crossing else gaps.gap_m[k]
        ids = parts.columns["pipe_id"]
        what = "a crossing" if crossing else f"a gap of {gaps.gap_m[k]:.2f} m"
        note[far] = (
            f"{what} between mains {ids[gaps.edge[k]]} and {ids[gaps.other[k]]} parts it from a longer one"
        )
    return gap_m, note


def _far_fittings(check: MapCheck) -> dict[str, Any]:
    fittings = check.network.fittings
    far = fittings[fittings["node"] < 0]
    nearest = np.full(len(far), None, dtype=object)
    here = np.flatnonzero(~(far.geometry.isna() | far.geometry.is_empty).to_numpy())
    if len(here):
        parts = check.parts
        row = np.flatnonzero(parts.in_service)
        tree = shapely.STRtree(parts.columns["geometry"][row])
        found = tree.nearest(far.geometry.to_numpy()[here])
        nearest[here] = parts.columns["pipe_id"][row[found]]
    return {
        "asset_id": far.index.to_numpy(dtype=object),
        "kind": far["kind"].to_numpy(),
        "nearest_id": nearest,
        "offset_m": far["offset_m"].to_numpy(),
        "geometry": far.geometry.to_numpy(),
    }


def _missing(check: MapCheck) -> dict[str, Any]:
    lacking, parts = check.lacking, check.parts
    row = np.flatnonzero(parts.in_service)
    place = pd.Index(lacking["pipe_id"]).get_indexer(parts.columns["pipe_id"][row])
    row, place = row[place >= 0], place[place >= 0]
    order = np.argsort(place, kind="stable")
    shapes = (
        shapely.multilinestrings(parts.columns["geometry"][row[order]], indices=place[order])
        if len(row)
        else np.zeros(0, dtype=object)
    )
    unread = lacking["missing"].str.startswith("material")
    return {
        **{name: lacking[name].to_numpy() for name in ("pipe_id", "missing", "assumed", "stops", "length_m")},
        "material_text": lacking["material_text"].where(unread, None).to_numpy(dtype=object),
        "geometry": shapes,
    }
