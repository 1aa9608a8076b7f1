"""Features one after the other, without ever holding the whole layer."""

from __future__ import annotations

import importlib
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pyogrio
import shapely

from netcorr.layers.source_summary import LayerSummary

#: Features read at once where fiona cannot read the layer.
CHUNK = 20_000

#: One feature: its type of geometry, None without one, and the values of the wanted columns.
Record = tuple[str | None, tuple[Any, ...]]


def stream_records(layer: LayerSummary, columns: Sequence[str]) -> Iterator[Record]:
    """Features of a layer one by one: through fiona, or in pieces through pyogrio where fiona cannot.

    Parameters
    ----------
    layer : LayerSummary
        From `netcorr.layers.survey_source`.
    columns : sequence of str
        Wanted columns.

    Yields
    ------
    tuple of str or None, tuple
        Type of geometry, and the values.
    """
    collection = _opened(layer)
    if collection is None:
        yield from _through_pyogrio(layer, list(columns))
        return
    with collection:
        for feature in collection:
            geometry, properties = feature.geometry, feature.properties
            yield (
                None if geometry is None else geometry.type,
                tuple(properties.get(column) for column in columns),
            )


def _opened(layer: LayerSummary) -> Any:
    """Open a layer with fiona; None where fiona or its driver is missing."""
    try:
        fiona = importlib.import_module("fiona")  # a tenth of a second, which few tools need
    except ImportError:  # it has no wheels for the newest Python
        return None
    try:
        return fiona.open(layer.path, layer=layer.layer)
    except (fiona.errors.FionaError, ValueError):
        return None


def _through_pyogrio(layer: LayerSummary, columns: list[str]) -> Iterator[Record]:
    start = 0
    while start < layer.count:
        frame = pyogrio.read_dataframe(
            layer.path,
            layer=layer.layer,
            columns=columns,
            skip_features=start,
            max_features=CHUNK,
            on_invalid="ignore",
        )
        if not len(frame):
            return
        kinds = _geometry_names(frame, layer)
        values = [frame[column].tolist() for column in columns]
        yield from zip(kinds, zip(*values, strict=True) if values else [()] * len(frame), strict=True)
        start += len(frame)


def _geometry_names(frame: Any, layer: LayerSummary) -> list[str | None]:
    if layer.geometry == "none":
        return [None] * len(frame)
    kinds = shapely.get_type_id(np.asarray(frame.geometry)).tolist()
    return [_NAMES[kind] if kind >= 0 else None for kind in kinds]


_NAMES = {
    int(shapely.GeometryType.POINT): "Point",
    int(shapely.GeometryType.LINESTRING): "LineString",
    int(shapely.GeometryType.LINEARRING): "LinearRing",
    int(shapely.GeometryType.POLYGON): "Polygon",
    int(shapely.GeometryType.MULTIPOINT): "MultiPoint",
    int(shapely.GeometryType.MULTILINESTRING): "MultiLineString",
    int(shapely.GeometryType.MULTIPOLYGON): "MultiPolygon",
    int(shapely.GeometryType.GEOMETRYCOLLECTION): "GeometryCollection",
}
