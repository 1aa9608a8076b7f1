"""Frames to files that a tool can read, and the layers of a file to frames."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from netcorr.errors import UsageError
from netcorr.tools.declare import OutputLayer

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd


def as_file(value: Any, place: Path, *, item: str) -> Any:
    """Write a frame where a tool can read it; pass on what is a path already.

    Parameters
    ----------
    value : object
        Path, text or None; PipeNetwork, GeoDataFrame, DataFrame, or a mapping of GeoDataFrame by layer.
    place : pathlib.Path
        File to write, without its ending.
    item : str
        What messages call it.

    Returns
    -------
    object
        The path of the file, or `value` when there is nothing to write.

    Raises
    ------
    UsageError
        If it is none of these.
    """
    if value is None or isinstance(value, (str, Path)):
        return value
    import geopandas as gpd
    import pandas as pd

    from netcorr.network import PipeNetwork

    if isinstance(value, PipeNetwork):
        from netcorr.export import save_network

        save_network(value, place.with_suffix(".gpkg"))
        return place.with_suffix(".gpkg")
    if isinstance(value, gpd.GeoDataFrame):
        return _write_layers({place.name: value}, place, item=item)
    if isinstance(value, pd.DataFrame):
        return _write_table(value, place)
    if isinstance(value, Mapping) and all(isinstance(one, gpd.GeoDataFrame) for one in value.values()):
        return _write_layers(value, place, item=item)
    raise UsageError(
        item,
        found=f"a {type(value).__name__}",
        remedy="give a path, a network, a frame, or frames by layer: {'mains': ..., 'fittings': ...}",
    )


def _write_layers(layers: Mapping[str, gpd.GeoDataFrame], place: Path, *, item: str) -> Path:
    file = place.with_suffix(".gpkg")
    for name, frame in layers.items():
        if frame.crs is None:
            raise UsageError(f"{item}, {name}", found="no CRS", remedy="set the CRS that it was drawn in")
        plain = frame.drop(columns="fid", errors="ignore")
        plain.to_file(file, layer=name, driver="GPKG", engine="pyogrio")
    return file


def _write_table(table: pd.DataFrame, place: Path) -> Path:
    """Write a table; paths of recordings in it were relative to the working folder."""
    if "recording" in table:
        table = table.assign(recording=[_absolute(path) for path in table["recording"]])
    file = place.with_suffix(".csv")
    table.to_csv(file, index=False, date_format="%Y-%m-%dT%H:%M:%S.%f%z")
    return file


def _absolute(path: Any) -> Any:
    return str(Path(path).resolve()) if isinstance(path, (str, Path)) and str(path).strip() else path


def read_layers(outputs: Iterable[OutputLayer], files: Mapping[str, Any]) -> dict[str, pd.DataFrame]:
    """Read back what a tool wrote.

    Parameters
    ----------
    outputs : iterable of OutputLayer
        As declared.
    files : mapping of str to path
        Where each was written, by parameter.

    Returns
    -------
    dict
        GeoDataFrame, or DataFrame without geometry, by layer, in the declared order.
    """
    wanted = [(one.name, Path(files[one.parameter])) for one in outputs if files.get(one.parameter)]
    found: dict[str, pd.DataFrame] = {}
    if wanted:
        import pyogrio

        there = {file: {name for name, _ in pyogrio.list_layers(file)} for file in {f for _, f in wanted}}
        for name, file in wanted:
            if name in there[file]:
                found[name] = pyogrio.read_dataframe(file, layer=name)
    return found
