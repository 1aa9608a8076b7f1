"""A network that was saved after cleaning, opened as it was."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import shapely

from netcorr.errors import NetworkError
from netcorr.feedback import Feedback, NoFeedback, check_cancelled
from netcorr.layers.collection import without_collection
from netcorr.layers.sources import existing, gdal_messages
from netcorr.network.assemble import assemble_graph, each_once
from netcorr.network.pipe_network import EDGE_ATTRIBUTES, FITTING_COLUMNS, LOG_COLUMNS, PipeNetwork
from netcorr.network.tolerances import Tolerances

if TYPE_CHECKING:
    import os

    from numpy.typing import NDArray

#: Layers of a saved network.
EDGES, NODES, FITTINGS, LOG, INFO = (
    "network_edges",
    "network_nodes",
    "network_fittings",
    "network_log",
    "network_info",
)
#: Counts up when an older netcorr could not read a file any more.
FORMAT = "2"

_TEXTS = ("material", "material_text")
_SHARED = ("pipe_id", *_TEXTS, "diameter_mm", "wall_mm", "year", "wave_speed_m_s", "assumed")
_SILENT = NoFeedback()


def is_saved_network(path: str | os.PathLike[str]) -> bool:
    """Whether a file holds a network that `netcorr.export.save_network` wrote.

    Parameters
    ----------
    path : str or path-like
        Any file; it need not exist.

    Returns
    -------
    bool
        True for a GeoPackage with the layers of a network.
    """
    file = Path(path)
    if file.suffix.lower() != ".gpkg" or not file.is_file():
        return False
    uri = f"file:{quote(str(file.absolute()))}?mode=ro"
    try:
        with closing(sqlite3.connect(uri, uri=True)) as connection:
            names = {name for (name,) in connection.execute("SELECT table_name FROM gpkg_contents")}
    except sqlite3.Error:
        return False
    return names >= {EDGES, NODES, FITTINGS, LOG, INFO}


@without_collection()
def open_network(path: str | os.PathLike[str], *, feedback: Feedback = _SILENT) -> PipeNetwork:
    """Open a saved network without cleaning it again.

    Parameters
    ----------
    path : str or path-like
        GeoPackage written by `netcorr.export.save_network`, or by ``netcorr check``.
    feedback : Feedback
        Told of the progress.

    Returns
    -------
    PipeNetwork
        Equal to the one that was saved.

    Raises
    ------
    LayerError
        If the file is missing or cannot be read.
    NetworkError
        If it is no saved network, was written by a newer netcorr, or its layers contradict each other.
    CancelledError
        If `feedback` says so.
    """
    file = existing(path if isinstance(path, str) else Path(path))
    if not is_saved_network(file):
        raise NetworkError(
            str(file),
            found="no saved network in it",
            remedy="give a file that netcorr check wrote, or read the map with read_network_layers",
        )
    parts = {}
    for done, name in enumerate((INFO, EDGES, FITTINGS, LOG)):
        check_cancelled(feedback)
        feedback.progress(0.2 * done, f"opening {name}")
        with gdal_messages(f"{file.name}, layer {name}"):
            parts[name] = pyogrio.read_dataframe(file, layer=name)
    info = _info(file, parts[INFO])
    crs = pyproj.CRS.from_user_input(info["crs"][0])
    node_xy = _node_places(file, parts[EDGES], parts[FITTINGS])
    feedback.progress(0.8, "building the graph")
    graph = assemble_graph(_edge_columns(parts[EDGES]), node_xy, crs=crs)
    feedback.progress(1.0)
    return PipeNetwork(
        source=info["source"][0],
        graph=graph,
        fittings=_fittings(parts[FITTINGS], crs),
        log=gpd.GeoDataFrame(parts[LOG][list(LOG_COLUMNS)], geometry=parts[LOG].geometry.array).set_crs(
            crs, allow_override=True
        ),
        crs=crs,
        notes=tuple(info.get("note", ())),
        tolerances=_tolerances(file, info),
    )


def _tolerances(file: Path, info: dict[str, list[str]]) -> Tolerances:
    try:
        return Tolerances(**{field.name: float(info[field.name][0]) for field in fields(Tolerances)})
    except (KeyError, ValueError) as error:
        raise NetworkError(
            str(file),
            found=f"the tolerances of the saved network are missing or no numbers ({error})",
            remedy="save it again from the map; it is not meant to be edited",
        ) from error


def _info(file: Path, table: pd.DataFrame) -> dict[str, list[str]]:
    info: dict[str, list[str]] = {}
    for name, value in zip(table["name"], table["value"], strict=True):
        info.setdefault(str(name), []).append(str(value))
    if info.get("format") != [FORMAT]:
        raise NetworkError(
            str(file),
            found=f"a saved network of format {', '.join(info.get('format', ['unknown']))}",
            remedy=f"this netcorr opens format {FORMAT}: save the network again from the map",
        )
    return info


def _node_places(file: Path, edges: gpd.GeoDataFrame, fittings: pd.DataFrame) -> NDArray[np.float64]:
    """Places of the nodes, which are the ends of the edges; refuse layers edited apart from each other."""
    xy, edge = shapely.get_coordinates(edges.geometry.array, return_index=True)
    first = np.searchsorted(edge, np.arange(len(edges) + 1))
    node = np.concatenate([edges["from_node"], edges["to_node"]])
    place = xy[np.concatenate([first[:-1], first[1:] - 1])]
    node_xy = np.full((int(node.max(initial=-1)) + 1, 2), np.nan)
    node_xy[node] = place
    sits = fittings["node"].to_numpy()
    whole = np.isfinite(node_xy).all() and (node_xy[node] == place).all()
    if not whole or sits.min(initial=-1) < -1 or sits.max(initial=-1) >= len(node_xy):
        raise NetworkError(
            str(file),
            found="edges and fittings of the saved network do not belong together",
            remedy="save it again from the map; it is not meant to be edited",
        )
    return node_xy


def _edge_columns(edges: gpd.GeoDataFrame) -> dict[str, NDArray[Any]]:
    columns: dict[str, NDArray[Any]] = {}
    for name in EDGE_ATTRIBUTES:
        if name == "geometry":
            columns[name] = np.asarray(edges.geometry.array)
        elif name in _SHARED:
            missing = None if name in _TEXTS else "" if name == "assumed" else float("nan")
            columns[name] = each_once(edges[name], missing)
        else:
            columns[name] = edges[name].to_numpy()
    same = columns["length_m"] == columns["drawn_length_m"]
    drawn = columns["drawn_length_m"].astype(object)
    length = drawn.copy()
    length[~same] = columns["length_m"][~same]
    columns["drawn_length_m"], columns["length_m"] = drawn, length
    return columns


def _fittings(table: gpd.GeoDataFrame, crs: pyproj.CRS) -> gpd.GeoDataFrame:
    pipe_id = table["pipe_id"].to_numpy(dtype=object, copy=True)
    pipe_id[pd.isna(pipe_id)] = None
    frame = gpd.GeoDataFrame(
        {
            "kind": table["kind"].to_numpy(dtype=object),
            "is_open": table["is_open"].to_numpy(dtype=bool),
            "node": table["node"].to_numpy(),
            "pipe_id": pd.Series(pipe_id, dtype=object),
            "offset_m": table["offset_m"].to_numpy(dtype=float),
        },
        geometry=table.geometry.to_numpy(),
        crs=crs,
    )
    frame.index = table["asset_id"].to_numpy(dtype=object)
    frame.index.name = "asset_id"
    return frame[[*FITTING_COLUMNS, "geometry"]]
