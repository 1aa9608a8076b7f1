"""Reading a network: mains and fittings of any source as one checked product."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio
import shapely

from netcorr.errors import LayerError
from netcorr.feedback import Feedback, NoFeedback, check_cancelled
from netcorr.layers.attributes import asset_ids, fittings_attributes, mains_attributes, refuse_duplicates
from netcorr.layers.mapping import FittingsMapping, LayerMapping, MainsMapping
from netcorr.layers.network_layers import NetworkLayers
from netcorr.layers.place import check_together, placed, reprojected
from netcorr.layers.resolve import resolve_source
from netcorr.layers.shapes import LINES, POINTS, check_types, explode, with_shape, with_true_height
from netcorr.layers.source_summary import LayerSummary
from netcorr.layers.sources import gdal_messages

_NO_FEEDBACK = NoFeedback()


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
        counted in the notes.

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
    mains = _mains(resolved.mains, given.mains, _first(crs, given.mains.crs, given.crs), notes)
    check_cancelled(feedback)
    feedback.progress(0.6, "reading fittings")
    fittings = gpd.GeoDataFrame(
        pd.concat(
            [
                _fittings(layer, part, _first(crs, part.crs, given.crs), mains.crs, notes)
                for layer, part in zip(resolved.fittings, given.fittings, strict=True)
            ],
            ignore_index=True,
        )
    )
    _refuse_shared_ids(fittings, resolved.source)
    check_together(mains, fittings, resolved.source)
    feedback.progress(1.0, "read")
    return NetworkLayers(resolved.source, mains, fittings.drop(columns="layer"), tuple(notes))


def _first(*values: Any) -> Any:
    return next((value for value in values if value is not None and value != ""), None)


def _mains(layer: LayerSummary, mapping: MainsMapping, crs: Any, notes: list[str]) -> gpd.GeoDataFrame:
    item = _called(layer)
    frame = _frame(layer, mapping.columns, "", item, notes)
    check_types(frame, LINES, item)
    if not len(frame):
        raise LayerError(item, found="no mains with a geometry", remedy="give the layer that holds the mains")
    frame = placed(frame, item, crs=crs, file_crs=layer.crs, notes=notes)
    frame = with_true_height(mains_attributes(frame, mapping, item, notes), item, notes)
    frame = explode(frame, item, notes)
    refuse_duplicates(frame["asset_id"].tolist(), frame.index.tolist(), item)
    return frame.reset_index(drop=True)


def _fittings(
    layer: LayerSummary, mapping: FittingsMapping, crs: Any, mains_crs: Any, notes: list[str]
) -> gpd.GeoDataFrame:
    item = _called(layer)
    frame = _frame(layer, mapping.columns, mapping.id_prefix, item, notes)
    check_types(frame, POINTS, item)
    frame = placed(frame, item, crs=crs, file_crs=layer.crs, notes=notes)
    frame = explode(fittings_attributes(frame, mapping, item, notes), item, notes)
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
    by_role = {role: frame[column] for role, column in columns.items()}  # two roles may share a column
    by_role["asset_id"] = pd.Series([f"{prefix}{asset}" for asset in ids], index=frame.index, dtype=object)
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
