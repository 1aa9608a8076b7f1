"""A network that was saved after cleaning, opened as it was."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

import numpy as np
import pyproj

from netcorr.errors import NetworkError
from netcorr.feedback import Feedback, NoFeedback, check_cancelled
from netcorr.layers.collection import without_collection
from netcorr.layers.sources import existing
from netcorr.network.packed import totals, unpacked
from netcorr.network.pipe_network import PipeNetwork
from netcorr.network.tolerances import Tolerances

if TYPE_CHECKING:
    import os


#: Layers of a saved network.
EDGES, NODES, FITTINGS, LOG, INFO = (
    "network_edges",
    "network_nodes",
    "network_fittings",
    "network_log",
    "network_info",
)
#: Table of what it is opened from: the same as the layers, quicker to read.
ARRAYS = "network_arrays"
#: Counts up when an older netcorr could not read a file any more.
FORMAT = "3"

#: What the layers hold, for `netcorr.network.packed.totals` to compare with.
_TOTALS = {
    "edges": f"SELECT count(*), total(from_node), total(to_node), total(length_m) FROM {EDGES}",
    "fittings": f"SELECT count(*), total(node) FROM {FITTINGS}",
    "nodes": f"SELECT count(*) FROM {NODES}",
    "log": f"SELECT count(*) FROM {LOG}",
}
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
    try:
        with closing(_reading(file)) as connection:
            names = {name for (name,) in connection.execute("SELECT table_name FROM gpkg_contents")}
    except sqlite3.Error:
        return False
    return names >= {EDGES, NODES, FITTINGS, LOG, INFO, ARRAYS}


@without_collection(lasting=True)
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
    check_cancelled(feedback)
    feedback.progress(0.0, "opening the network")
    info, parts = _contents(file)
    crs = pyproj.CRS.from_user_input(info["crs"][0])
    tolerances = _tolerances(file, info)
    check_cancelled(feedback)
    feedback.progress(0.3, "building the graph")
    try:
        whole = unpacked(parts, crs)
    except (KeyError, ValueError, IndexError) as error:
        raise NetworkError(
            str(file), found=f"the saved network is damaged ({error})", remedy="save it again from the map"
        ) from error
    feedback.progress(1.0)
    return PipeNetwork(
        source=info["source"][0],
        graph=whole.graph,
        fittings=whole.fittings,
        log=whole.log,
        crs=crs,
        notes=tuple(info.get("note", ())),
        tolerances=tolerances,
    )


def _contents(file: Path) -> tuple[dict[str, list[str]], dict[str, bytes]]:
    """What is said about the network, and its arrays, if the layers beside them still say the same."""
    info: dict[str, list[str]] = {}
    try:
        with closing(_reading(file)) as connection:
            for name, value in connection.execute(f"SELECT name, value FROM {INFO} ORDER BY fid"):
                info.setdefault(str(name), []).append(str(value))
            _check_format(file, info)
            parts = dict(connection.execute(f"SELECT name, value FROM {ARRAYS}"))
            beside = {name: connection.execute(query).fetchone() for name, query in _TOTALS.items()}
    except sqlite3.Error as error:
        raise NetworkError(
            str(file),
            found=f"the saved network cannot be read ({error})",
            remedy="save it again from the map",
        ) from error
    try:
        same = all(np.allclose(beside[name], one, rtol=1e-9) for name, one in totals(parts).items())
    except (KeyError, ValueError):
        same = False
    if not same:
        raise NetworkError(
            str(file),
            found="the layers of the saved network were changed, or do not belong together",
            remedy="save it again from the map; it is not meant to be edited",
        )
    return info, parts


def _reading(file: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"file:{quote(str(file.absolute()))}?mode=ro", uri=True)


def _check_format(file: Path, info: dict[str, list[str]]) -> None:
    if info.get("format") != [FORMAT]:
        raise NetworkError(
            str(file),
            found=f"a saved network of format {', '.join(info.get('format', ['unknown']))}",
            remedy=f"this netcorr opens format {FORMAT}: save the network again from the map",
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
