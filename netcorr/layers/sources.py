"""Finding the layers of a file, a folder of files or a dataset, and reading their headers."""

from __future__ import annotations

import warnings
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pyproj
import shapely
from pyogrio.errors import DataLayerError, DataSourceError, FeatureError, FieldError, GeometryError
from pyproj.exceptions import CRSError

from netcorr.errors import LayerError
from netcorr.layers.names import listed, similar
from netcorr.layers.source_summary import ColumnSummary, GeometryFamily, LayerSummary, SourceSummary

#: Endings of files that are opened when a folder is given. Tables without geometry are not among them.
VECTOR_SUFFIXES = frozenset(
    (
        *(".gpkg", ".shp", ".geojson", ".json", ".geojsonl", ".geojsons", ".fgb", ".parquet", ".geoparquet"),
        *(".gdb", ".sqlite", ".gml", ".kml", ".tab", ".mif", ".dxf"),
    )
)
_PARQUET = frozenset((".parquet", ".geoparquet"))
#: How many features are looked at when a file does not declare its type of geometry.
_PEEK = 500
_DTYPES = {"O": "text", "U": "text", "i": "integer", "u": "integer", "f": "real", "b": "yes/no", "M": "date"}
#: What pyogrio raises when GDAL cannot do its part.
GDAL_ERRORS = (DataSourceError, DataLayerError, FeatureError, FieldError, GeometryError)


def survey_source(source: str | Path) -> SourceSummary:
    """Headers of every layer of a source; no feature is read, so it is quick.

    Parameters
    ----------
    source : str or pathlib.Path
        A file, a folder of files, or a dataset of several layers.

    Returns
    -------
    SourceSummary
        Layers without values, mapping or roles.

    Raises
    ------
    LayerError
        If there is no such file, or nothing in it can be read.
    """
    path = existing(source)
    is_folder = path.is_dir() and path.suffix.lower() != ".gdb"
    layers: list[LayerSummary] = []
    unread: list[str] = []
    for file in _vector_files(path) if is_folder else [path]:
        try:
            layers += _file_layers(file, is_folder=is_folder)
        except LayerError as error:
            if not is_folder:
                raise
            unread.append(str(error))
    if not layers:
        raise LayerError(
            str(source),
            found="; ".join(unread) or "no file with layers in it",
            remedy="give a GeoPackage, Shapefile, GeoJSON or FlatGeobuf, or a folder of them",
        )
    return SourceSummary(source=path.name, layers=_distinct(layers), unread=tuple(unread), path=path)


def existing(source: str | Path) -> Path:
    """Path of a source that must be there.

    Parameters
    ----------
    source : str or pathlib.Path
        File or folder.

    Returns
    -------
    pathlib.Path
        The same.

    Raises
    ------
    LayerError
        If there is nothing at the path; the message names near matches beside it.
    """
    path = Path(source)
    if not path.exists():
        beside = [p.name for p in path.parent.iterdir()] if path.parent.is_dir() else []
        raise LayerError(
            str(source), found="no such file or folder", remedy=f"check the path{similar(path.name, beside)}"
        )
    return path


def find_layer(summary: SourceSummary, name: str | None) -> LayerSummary:
    """Layer of a source by name.

    Parameters
    ----------
    summary : SourceSummary
        From `survey_source`.
    name : str or None
        Name of the layer, or None for the only one.

    Returns
    -------
    LayerSummary
        The layer.

    Raises
    ------
    LayerError
        If there is no such layer, or none was named and there are several.
    """
    if name is None and len(summary.layers) == 1:
        return summary.layers[0]
    for matches in (
        [layer for layer in summary.layers if layer.name == name],
        [layer for layer in summary.layers if layer.layer == name],
        [layer for layer in summary.layers if name and layer.name.casefold() == name.casefold()],
    ):
        if len(matches) == 1:
            return matches[0]
    names = [layer.name for layer in summary.layers]
    found = f"no layer {name!r}" if name is not None else f"{len(names)} layers and none is named"
    near = similar(name or "", names)
    raise LayerError(summary.source, found=found, remedy=f"name one of its layers: {listed(names)}{near}")


@contextmanager
def gdal_messages(item: str) -> Iterator[list[str]]:
    """Turn what GDAL raises into a LayerError, and collect what it warns of.

    Parameters
    ----------
    item : str
        What is being read.

    Yields
    ------
    list of str
        Warnings; filled when the block ends.

    Raises
    ------
    LayerError
        If GDAL cannot read it.
    """
    said: list[str] = []
    try:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            yield said
        said.extend(dict.fromkeys(str(w.message) for w in caught if issubclass(w.category, RuntimeWarning)))
    except GDAL_ERRORS as error:
        raise LayerError(
            item,
            found=f"cannot be read ({_one_line(error)})",
            remedy="check that the file is whole and is a vector format such as GeoPackage or Shapefile",
        ) from error
    except UnicodeDecodeError as error:
        raise LayerError(
            item,
            found=f"text that is not {error.encoding.upper()}, as the file declares",
            remedy="state the true encoding, for a Shapefile in its .cpg file (for example ISO-8859-1)",
        ) from error


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())[:160]


def _vector_files(folder: Path) -> list[Path]:
    return sorted(p for p in folder.iterdir() if p.suffix.lower() in VECTOR_SUFFIXES)


def _refuse_cut_shapefile(file: Path) -> None:
    """GDAL reads a Shapefile that lost its end as one with missing shapes, so its sizes are checked here.

    Sizes as declared in the headers (ESRI Shapefile Technical Description, 1998; dBASE III table header).
    """
    declared: dict[Path, int] = {}
    head = _start(file, 100)
    if len(head) == 100:
        declared[file] = 2 * int.from_bytes(head[24:28], "big")
    table = next((p for p in (file.with_suffix(".dbf"), file.with_suffix(".DBF")) if p.exists()), None)
    if table is not None:
        head = _start(table, 12)
        rows, start, width = (int.from_bytes(head[a:b], "little") for a, b in ((4, 8), (8, 10), (10, 12)))
        declared[table] = start + rows * width
    for part, size in declared.items():
        if part.stat().st_size < size:
            raise LayerError(
                part.name,
                found=f"the file is cut off: {part.stat().st_size} of {size} bytes are there",
                remedy="copy it again from its source",
            )


def _start(file: Path, size: int) -> bytes:
    with file.open("rb") as stream:
        return stream.read(size)


def _refuse_parquet_without_driver(file: Path) -> None:
    """Say that GDAL lacks its Parquet driver, an optional one, rather than blame the file."""
    if "Parquet" not in pyogrio.list_drivers():
        raise LayerError(
            file.name,
            found=f"GeoParquet, for which the GDAL {pyogrio.__gdal_version_string__} in use has no driver",
            remedy="save it as GeoPackage (.gpkg) or FlatGeobuf (.fgb) in a GIS, or use a GDAL with Parquet",
        )


def _file_layers(file: Path, *, is_folder: bool) -> list[LayerSummary]:
    if file.suffix.lower() in _PARQUET:
        _refuse_parquet_without_driver(file)
    if file.suffix.lower() == ".shp" and file.is_file():
        _refuse_cut_shapefile(file)
    with gdal_messages(file.name):
        names = [str(name) for name in pyogrio.list_layers(file)[:, 0]]
        layers = [_header(file, name) for name in names]
    if is_folder and len(layers) == 1:
        return [replace(layers[0], name=file.stem)]
    return layers


def _header(file: Path, layer: str) -> LayerSummary:
    info = pyogrio.read_info(file, layer=layer, force_feature_count=True, force_total_bounds=True)
    declared = info["geometry_type"]
    bounds = info["total_bounds"]
    is_known = bounds is not None and bool(np.all(np.isfinite(bounds)))
    return LayerSummary(
        name=layer,
        path=file,
        layer=layer,
        geometry=_family(declared) or _peek_family(file, layer),
        has_z=bool(declared and str(declared).endswith((" Z", " ZM", "25D"))),
        count=int(info["features"]),
        crs=_crs(info["crs"]),
        bounds=(float(bounds[0]), float(bounds[1]), float(bounds[2]), float(bounds[3])) if is_known else None,
        columns=tuple(
            ColumnSummary(str(name), _DTYPES.get(np.dtype(dtype).kind, "other"))
            for name, dtype in zip(info["fields"], info["dtypes"], strict=True)
        ),
    )


def _crs(text: Any) -> pyproj.CRS | None:
    """CRS of a header; one that means nothing counts as none."""
    if not text:
        return None
    try:
        crs = pyproj.CRS.from_user_input(text)
    except CRSError:
        return None
    return None if crs.name.lower().startswith("undefined") else crs


def _family(declared: str | None) -> GeometryFamily | None:
    """Family of a declared type of geometry; None when the file declares nothing useful."""
    if declared is None:
        return "none"
    word = str(declared).lower()
    for part, family in _FAMILIES.items():
        if part in word:
            return family
    return None


_FAMILIES: dict[str, GeometryFamily] = {
    "line": "line",
    "curvepolygon": "polygon",
    "curve": "line",
    "circularstring": "line",
    "point": "point",
    "polygon": "polygon",
    "surface": "polygon",
}


def _peek_family(file: Path, layer: str) -> GeometryFamily:
    frame = pyogrio.read_dataframe(file, layer=layer, columns=[], max_features=_PEEK, on_invalid="ignore")
    kinds = Counter(
        _family(shapely.GeometryType(kind).name)
        for kind in shapely.get_type_id(np.asarray(frame.geometry)).tolist()
        if kind >= 0
    )
    if not kinds:
        return "none"
    first = next(iter(kinds))
    return first if len(kinds) == 1 and first is not None else "mixed"


def _distinct(layers: list[LayerSummary]) -> tuple[LayerSummary, ...]:
    """Tell layers of the same name in different files apart by the name of the file."""
    counts = Counter(layer.name for layer in layers)
    return tuple(
        replace(layer, name=f"{layer.path.name}:{layer.layer}") if counts[layer.name] > 1 else layer
        for layer in layers
    )
