"""Reading a network: mains and fittings of any source as one checked product."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio
import shapely

from netcorr.errors import LayerError
from netcorr.feedback import Feedback, NoFeedback, check_cancelled
from netcorr.layers.asset_ids import asset_ids, refuse_duplicates
from netcorr.layers.attributes import fittings_attributes, mains_attributes
from netcorr.layers.collection import without_collection
from netcorr.layers.distinct import Distinct
from netcorr.layers.fill_missing import fill_missing
from netcorr.layers.mapping import LayerMapping, MainsMapping
from netcorr.layers.network_layers import NetworkLayers
from netcorr.layers.place import check_together, placed, reprojected
from netcorr.layers.read_values import Codes, combined_role
from netcorr.layers.resolve import ResolvedSource, resolve_source
from netcorr.layers.shapes import LINES, POINTS_OR_LINES, check_types, explode, with_shape, with_true_height
from netcorr.layers.source_summary import LayerSummary
from netcorr.layers.sources import gdal_messages
from netcorr.layers.valve_lines import at_middle, is_line, with_links

_NO_FEEDBACK = NoFeedback()


@without_collection()
def read_network_layers(
    source: str | Path,
    *,
    mapping: LayerMapping | str | Path | None = None,
    crs: Any = None,
    feedback: Feedback = _NO_FEEDBACK,
) -> NetworkLayers:
    """Read mains and fittings from a source in whatever schema, checked and in one CRS.

    Parameters
    ----------
    source : str or pathlib.Path
        A dataset of several layers, a folder of files, or a TOML mapping that names its files.
    mapping : LayerMapping, or path of a TOML mapping, optional
        Which layer and column holds what; inferred from the names when missing, with the reasons in the
        notes.
    crs : pyproj.CRS or what makes one, optional
        CRS in which the layers were drawn, in place of what the files say.
    feedback : Feedback
        Told of progress; can stop the work.

    Returns
    -------
    NetworkLayers
        Mains as single lines (parts told apart, Z kept where it is true), fittings as points, both in the
        CRS of the mains. A material or diameter that is missing or not understood is None or NaN and
        counted in the notes, or dealt with as the mapping says under ``[missing]``; the column `assumed`
        then says so, and `could_be` what else it could be. A valve drawn as a short line is a fitting at its
        middle and a short main.

    Raises
    ------
    LayerError
        If a file, layer or column is missing or unreadable, ids are missing or there twice, there is no
        CRS or the coordinates betray a wrong one, the geometry is of the wrong type, or the unit of the
        diameters cannot be told.
    CancelledError
        If `feedback` says so.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import geopandas as gpd
    >>> from shapely import LineString, Point
    >>> mains = gpd.GeoDataFrame(
    ...     {"asset_id": ["M1"], "material": ["Ductile Iron"], "diameter_mm": [150]},
    ...     geometry=[LineString([(500000, 5500000), (500100, 5500000)])], crs="EPSG:32633")
    >>> fittings = gpd.GeoDataFrame(
    ...     {"asset_id": ["V1"], "kind": ["gate valve"]},
    ...     geometry=[Point(500000, 5500000)], crs="EPSG:32633")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder, "town.gpkg")
    ...     mains.to_file(file, layer="mains")
    ...     fittings.to_file(file, layer="fittings")
    ...     layers = read_network_layers(file)
    >>> layers.mains["material"].tolist(), layers.mains["diameter_mm"].tolist()
    (['ductile_iron'], [150.0])
    """
    resolved = resolve_source(source, mapping)
    given = resolved.mapping
    notes = list(given.reasons)
    check_cancelled(feedback)
    feedback.progress(0.1, "reading mains")
    mains = _mains(resolved, _first(crs, given.mains.crs, given.crs), notes)
    check_cancelled(feedback)
    feedback.progress(0.6, "reading fittings")
    parts = [
        _fittings(resolved, number, _first(crs, part.crs, given.crs), mains.crs, notes)
        for number, part in enumerate(given.fittings)
    ]
    fittings = gpd.GeoDataFrame(pd.concat(parts, ignore_index=True))
    _refuse_shared_ids(fittings, resolved.source)
    check_together(mains, fittings, resolved.source)
    feedback.progress(0.9, "checking attributes")
    line = is_line(fittings)
    mains = with_links(mains, fittings[line])
    mains = fill_missing(mains, given.missing, f"{resolved.source}, mains", notes)
    fittings = at_middle(fittings.drop(columns="layer"), f"{resolved.source}, fittings", notes)
    feedback.progress(1.0, "read")
    return NetworkLayers(resolved.source, mains, fittings, tuple(notes))


def _first(*values: Any) -> Any:
    return next((value for value in values if value is not None and value != ""), None)


def _mains(resolved: ResolvedSource, crs: Any, notes: list[str]) -> gpd.GeoDataFrame:
    layer, mapping, codes = resolved.mains, resolved.mapping.mains, resolved.mains_codes
    item = _called(layer)
    frame = _frame(layer, mapping.columns, "", item, notes)
    check_types(frame, LINES, item)
    if not len(frame):
        raise LayerError(item, found="no mains with a geometry", remedy="give the layer that holds the mains")
    frame = placed(frame, item, crs=crs, file_crs=layer.crs, notes=notes)
    frame, mapping, codes = _with_combined(frame, mapping, codes, item, notes)
    frame = with_true_height(mains_attributes(frame, mapping, item, notes, codes=codes), item, notes)
    several = explode(frame, item, notes)
    if several is not frame:
        refuse_duplicates(several["asset_id"].tolist(), several.index.tolist(), item)
    return several.reset_index(drop=True)


def _with_combined(
    frame: gpd.GeoDataFrame, mapping: MainsMapping, codes: Codes, item: str, notes: list[str]
) -> tuple[gpd.GeoDataFrame, MainsMapping, Codes]:
    """Take material and size from one column where only one is named and its texts hold both."""
    have = [role for role in ("material", "diameter") if role in mapping.columns]
    texts = {role: Distinct.of(frame[role], codes.get(role)).meant for role in have} if len(have) == 1 else {}
    both = combined_role(have, texts)
    if both is None:
        return frame, mapping, codes
    missing, role = both
    column = mapping.columns[role]
    notes.append(f"{item}: the {missing} is read from column {column!r} too, as its texts hold both")
    mapping = replace(mapping, columns={**mapping.columns, missing: column})
    codes = {**codes, missing: codes[role]} if role in codes else codes
    return frame.assign(**{missing: frame[role]}), mapping, codes


def _fittings(
    resolved: ResolvedSource, number: int, crs: Any, mains_crs: Any, notes: list[str]
) -> gpd.GeoDataFrame:
    layer, mapping = resolved.fittings[number], resolved.mapping.fittings[number]
    codes = resolved.fittings_codes[number]
    item = _called(layer)
    frame = _frame(layer, mapping.columns, mapping.id_prefix, item, notes)
    check_types(frame, POINTS_OR_LINES, item)
    frame = placed(frame, item, crs=crs, file_crs=layer.crs, notes=notes)
    frame = explode(fittings_attributes(frame, mapping, item, notes, codes=codes), item, notes)
    if shapely.has_z(frame.geometry.to_numpy()).any():
        frame = frame.set_geometry(shapely.force_2d(frame.geometry.to_numpy()), crs=frame.crs)
    return reprojected(frame, mains_crs, item, notes=notes).assign(layer=layer.name)


def _frame(layer: LayerSummary, columns: Any, prefix: str, item: str, notes: list[str]) -> gpd.GeoDataFrame:
    """Features with a geometry and an `asset_id`, indexed by their number in the file."""
    with gdal_messages(item) as said:
        frame = pyogrio.read_dataframe(
            layer.path,
            layer=layer.layer,
            columns=sorted(set(columns.values())),
            fid_as_index=True,
            on_invalid="ignore",  # a line of one point becomes a missing shape, which is said
        )
    notes.extend(f"{item}: {text}" for text in said)
    if not isinstance(frame, gpd.GeoDataFrame):
        raise LayerError(item, found="a table without geometry", remedy="name a layer with geometry")
    if "asset_id" not in columns:
        raise LayerError(item, found="no asset_id in its mapping", remedy="name the column with the ids")
    ids = asset_ids(frame[columns["asset_id"]], columns["asset_id"], item)
    ids = [f"{prefix}{asset}" for asset in ids] if prefix else ids
    by_role = {role: frame[column] for role, column in columns.items()}  # two roles may share a column
    by_role["asset_id"] = pd.Series(ids, index=frame.index, dtype=object)
    frame = gpd.GeoDataFrame(by_role, geometry=frame.geometry)
    return with_shape(frame, item, notes)


def _refuse_shared_ids(fittings: gpd.GeoDataFrame, source: str) -> None:
    ids = fittings["asset_id"]
    shared = ids[ids.duplicated(keep=False)].unique()
    if len(shared):
        first = fittings.loc[ids == shared[0], "layer"].tolist()
        raise LayerError(
            f"{source}, fittings",
            found=f"{len(shared)} ids are in two layers, such as {shared[0]} in {' and '.join(first)}",
            remedy='give one of the layers id_prefix = "..." in a mapping file',
        )


def _called(layer: LayerSummary) -> str:
    return f"{layer.path.name}, layer {layer.name}"
