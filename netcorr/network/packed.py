"""A network as plain arrays of bytes, from which it is put together again quickly.

Numbers are in NumPy's own file format; texts and other values that repeat are numbered, with each different
one once.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import shapely

from netcorr.layers.alternatives import from_json, to_json
from netcorr.network.assemble import assemble_graph
from netcorr.network.pipe_network import EDGE_ATTRIBUTES, FITTING_COLUMNS, LOG_COLUMNS, PipeNetwork

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import pyproj
    from numpy.typing import NDArray

#: Attributes of edges that repeat, and what stands for one that is missing.
_SHARED: dict[str, Any] = {
    "pipe_id": None,
    "material": None,
    "material_text": None,
    "diameter_mm": float("nan"),
    "wall_mm": float("nan"),
    "year": float("nan"),
    "wave_speed_m_s": float("nan"),
    "assumed": "",
}
_NUMBERS = ("from_node", "to_node", "is_open", "length_m", "drawn_length_m")


@dataclass(frozen=True, eq=False)
class Unpacked:
    """What of a network was packed.

    Attributes
    ----------
    graph, fittings, log
        As in `PipeNetwork`.
    """

    graph: nx.MultiGraph
    fittings: gpd.GeoDataFrame
    log: gpd.GeoDataFrame


def packed(network: PipeNetwork) -> dict[str, bytes]:
    """Pack the graph, the fittings and the log of a network.

    Parameters
    ----------
    network : PipeNetwork
        Any network.

    Returns
    -------
    dict of str to bytes
        For `unpacked`.
    """
    graph, parts = network.graph, _Parts({})
    edges = [data for _, _, data in graph.edges(data=True)]
    for name in _SHARED:
        parts.put_coded(f"edge.{name}", [data[name] for data in edges])
    parts.put_coded("edge.could_be", [to_json(data["could_be"]) for data in edges])
    for name in _NUMBERS:
        parts.put(f"edge.{name}", np.array([data[name] for data in edges]))
    lines = np.array([data["geometry"] for data in edges], dtype=object)
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    parts.put("edge.xy", xy)
    parts.put("edge.points", np.bincount(owner, minlength=len(lines)).astype(np.int32))
    parts.put(
        "node.xy", np.array([(node["x"], node["y"]) for _, node in graph.nodes(data=True)], dtype=float)
    )
    fittings = network.fittings
    parts.put_coded("fitting.asset_id", fittings.index)
    for name in ("kind", "pipe_id"):
        parts.put_coded(f"fitting.{name}", fittings[name])
    for name in ("is_open", "node", "offset_m"):
        parts.put(f"fitting.{name}", fittings[name].to_numpy())
    parts.put_places("fitting", fittings)
    for name in ("source_id", "change", "text"):
        parts.put_coded(f"log.{name}", network.log[name])
    parts.put("log.moved_m", network.log["moved_m"].to_numpy(dtype=float))
    parts.put_places("log", network.log)
    return parts.held


def unpacked(parts: Mapping[str, bytes], crs: pyproj.CRS) -> Unpacked:
    """Put together what `packed` took apart.

    Parameters
    ----------
    parts : mapping of str to bytes
        From `packed`.
    crs : pyproj.CRS
        CRS of the network.

    Returns
    -------
    Unpacked
        Equal to what was packed.

    Raises
    ------
    KeyError, ValueError
        If a part is missing or damaged.
    """
    held = _Parts(dict(parts))
    graph = assemble_graph(_edges(held), held.get("node.xy").reshape(-1, 2), crs=crs)
    kinds = {name: held.coded(f"fitting.{name}") for name in ("kind", "pipe_id")}
    numbers = {name: held.get(f"fitting.{name}") for name in ("is_open", "node", "offset_m")}
    columns = {**kinds, **numbers, "pipe_id": pd.Series(kinds["pipe_id"], dtype=object)}  # None stays None
    fittings = gpd.GeoDataFrame(
        {name: columns[name] for name in FITTING_COLUMNS}, geometry=held.places("fitting"), crs=crs
    )
    fittings.index = held.coded("fitting.asset_id")
    fittings.index.name = "asset_id"
    rows = {name: held.coded(f"log.{name}") for name in ("source_id", "change", "text")}
    rows["moved_m"] = held.get("log.moved_m")
    log = gpd.GeoDataFrame({name: rows[name] for name in LOG_COLUMNS}, geometry=held.places("log"), crs=crs)
    return Unpacked(graph, fittings, log)


def totals(parts: Mapping[str, bytes]) -> dict[str, tuple[float, ...]]:
    """Counts and sums of what was packed, to be compared with what lies beside it.

    Returns
    -------
    dict of str to tuple of float
        Of the edges: how many, and the sums of both nodes and of the lengths. Of the fittings: how many, and
        the sum of their nodes. Of nodes and log: how many.
    """
    held = _Parts(dict(parts))
    edges = [held.get(f"edge.{name}") for name in ("from_node", "to_node", "length_m")]
    sits = held.get("fitting.node")
    return {
        "edges": (len(edges[0]), *(float(values.sum()) for values in edges)),
        "fittings": (len(sits), float(sits.sum())),
        "nodes": (len(held.get("node.xy")),),
        "log": (len(held.get("log.moved_m")),),
    }


def _edges(held: _Parts) -> dict[str, NDArray[Any]]:
    columns: dict[str, NDArray[Any]] = {
        name: held.coded(f"edge.{name}", missing) for name, missing in _SHARED.items()
    }
    columns["could_be"] = held.coded("edge.could_be", read=from_json)
    columns |= {name: held.get(f"edge.{name}") for name in _NUMBERS}
    count = held.get("edge.points")
    owner = np.repeat(np.arange(len(count)), count)
    columns["geometry"] = np.asarray(shapely.linestrings(held.get("edge.xy"), indices=owner), dtype=object)
    drawn_m, length_m = columns["drawn_length_m"], columns["length_m"]
    measured = length_m != drawn_m  # elsewhere both lengths are one object
    columns["drawn_length_m"] = drawn_m.astype(object)
    columns["length_m"] = columns["drawn_length_m"].copy()
    columns["length_m"][measured] = length_m[measured]
    return {name: columns[name] for name in EDGE_ATTRIBUTES}


class _Parts:
    """Arrays by name, as bytes."""

    def __init__(self, held: dict[str, bytes]) -> None:
        self.held = held

    def put(self, name: str, values: NDArray[Any]) -> None:
        stream = BytesIO()
        np.save(stream, values, allow_pickle=False)
        self.held[name] = stream.getvalue()

    def get(self, name: str) -> NDArray[Any]:
        values: NDArray[Any] = np.load(BytesIO(self.held[name]), allow_pickle=False)
        return values

    def put_coded(self, name: str, values: Any) -> None:
        """Put texts or numbers of which many are equal; the missing ones have the number -1."""
        code, unique = pd.factorize(pd.Series(values, dtype=object), use_na_sentinel=True)
        self.put(f"{name}.code", code.astype(np.int32))
        self.held[f"{name}.values"] = json.dumps(unique.tolist(), ensure_ascii=False).encode()

    def coded(
        self, name: str, missing: Any = None, *, read: Callable[[Any], Any] | None = None
    ) -> NDArray[np.object_]:
        """Equal values are one object; `read` turns each, and what is missing, into what it stands for."""
        unique = [*json.loads(self.held[f"{name}.values"]), missing]
        objects = np.fromiter(unique if read is None else map(read, unique), dtype=object)
        return np.asarray(objects[self.get(f"{name}.code")])

    def put_places(self, name: str, frame: gpd.GeoDataFrame) -> None:
        """Put points, NaN where there is none; those at one place once."""
        shapes = np.asarray(frame.geometry.array)
        code, unique = pd.factorize(shapely.get_x(shapes) + 1j * shapely.get_y(shapes))
        self.put(f"{name}.place", code.astype(np.int32))
        self.put(f"{name}.xy", np.column_stack([unique.real, unique.imag]))

    def places(self, name: str) -> NDArray[np.object_]:
        xy = self.get(f"{name}.xy")
        points = np.full(len(xy) + 1, None, dtype=object)
        points[:-1] = shapely.points(xy)
        return np.asarray(points[self.get(f"{name}.place")])
