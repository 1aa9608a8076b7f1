"""Pieces to a networkx graph, the graph of what is open, and the edges as a layer."""

from __future__ import annotations

import gc
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import shapely

from netcorr.network.pipe_network import EDGE_ATTRIBUTES

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pyproj
    from numpy.typing import NDArray

    from netcorr.network.lines import Floats, Ints, Lines
    from netcorr.network.log import ChangeLog
    from netcorr.network.pieces import Pieces
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.network.valves import Parted

#: A measured length this many times longer or shorter than the drawn one is worth a line in the log.
MEASURED_FACTOR = 1.1

_COPIED = ("material", "material_text", "diameter_mm", "wall_mm", "year", "wave_speed_m_s")


def open_graph(network: PipeNetwork) -> nx.MultiGraph:
    """Graph of the edges through which water and sound can pass.

    Parameters
    ----------
    network : PipeNetwork
        Any network.

    Returns
    -------
    networkx.MultiGraph
        A graph of its own with all nodes and the open edges; the attributes are those of the network.
    """
    graph = nx.MultiGraph(**network.graph.graph)
    graph.add_nodes_from(network.graph.nodes(data=True))
    graph.add_edges_from(edge for edge in network.graph.edges(keys=True, data=True) if edge[3]["is_open"])
    return graph


def network_edges(network: PipeNetwork) -> gpd.GeoDataFrame:
    """Edges of the network as a layer.

    Parameters
    ----------
    network : PipeNetwork
        Any network.

    Returns
    -------
    geopandas.GeoDataFrame
        One row an edge, columns `EDGE_ATTRIBUTES` with the key that tells parallel edges apart.
    """
    rows = [{**data, "key": key} for _, _, key, data in network.graph.edges(keys=True, data=True)]
    columns = [*(name for name in EDGE_ATTRIBUTES if name != "geometry"), "key", "geometry"]
    return gpd.GeoDataFrame(rows, columns=columns, geometry="geometry", crs=network.crs)


def graph_from_pieces(
    lines: Lines, pieces: Pieces, parted: Parted, *, ratio: Floats, crs: pyproj.CRS
) -> tuple[nx.MultiGraph, Ints]:
    """Build the graph, nodes numbered from west to east.

    Parameters
    ----------
    lines : Lines
        Mains.
    pieces : Pieces
        Their pieces.
    parted : Parted
        Nodes of the pieces, and the links across closed valves.
    ratio : numpy.ndarray of float, shape (n,)
        Measured by drawn length of each main.
    crs : pyproj.CRS
        CRS of the map.

    Returns
    -------
    graph : networkx.MultiGraph
        As in `PipeNetwork.graph`.
    number : numpy.ndarray of int, shape (m,)
        Number of each node in the graph.
    """
    xy = parted.node_xy
    order = np.lexsort((xy[:, 1], xy[:, 0]))
    number = np.empty(len(xy), dtype=np.intp)
    number[order] = np.arange(len(xy))
    graph = nx.MultiGraph(crs=crs)
    nodes = np.arange(len(xy)).astype(object)  # every number one object, wherever it is used
    columns = _columns(lines, pieces, ratio)
    for name, ends in (("from_node", parted.from_node), ("to_node", parted.to_node)):
        columns[name] = nodes[number[ends]].tolist()
    rows = zip(*(columns[name] for name in EDGE_ATTRIBUTES), strict=True)
    with _without_collection():
        for node, x, y in zip(nodes.tolist(), xy[order, 0].tolist(), xy[order, 1].tolist(), strict=True):
            graph.add_node(node, x=x, y=y)
        for u, v, row in zip(columns["from_node"], columns["to_node"], rows, strict=True):
            graph.add_edge(u, v, **dict(zip(EDGE_ATTRIBUTES, row, strict=True)))
    graph.add_edges_from(_links(parted, number))
    return graph, number


@contextmanager
def _without_collection() -> Iterator[None]:
    """Spare Python the search for garbage among millions of new objects: it takes as long as making them."""
    was_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_enabled:
            gc.enable()


def _columns(lines: Lines, pieces: Pieces, ratio: Floats) -> dict[str, list[Any]]:
    """Attributes of the edges, a list each."""
    line = pieces.line
    columns: dict[str, list[Any]] = {"pipe_id": lines.ids[line].tolist()}
    for name in _COPIED:
        missing = None if name.startswith("material") else float("nan")
        columns[name] = _each_once(lines.frame[name], missing)[line].tolist()
    drawn_m = pieces.drawn_m.astype(object)
    columns["drawn_length_m"] = drawn_m.tolist()
    measured = ratio[line] != 1  # elsewhere both lengths are one object
    drawn_m[measured] = (pieces.drawn_m * ratio[line])[measured]
    columns["length_m"] = drawn_m.tolist()
    columns["geometry"] = pieces.geometry.tolist()
    columns["is_open"] = lines.in_service[line].tolist()
    assumed = lines.frame["assumed"] if "assumed" in lines.frame else pd.Series("", index=lines.frame.index)
    columns["assumed"] = _each_once(assumed.fillna(""), "")[line].tolist()
    return columns


def _each_once(values: Any, missing: Any) -> NDArray[np.object_]:
    """Values with equal ones as one object, whatever the number of edges."""
    code, unique = pd.factorize(values, use_na_sentinel=True)
    objects = np.empty(len(unique) + 1, dtype=object)
    objects[:] = [*unique.tolist(), missing]
    return objects[code]


def measured_ratio(lines: Lines, pieces: Pieces, log: ChangeLog) -> Floats:
    """Measured by drawn length of each main, 1 where it was not measured."""
    drawn_m = np.bincount(pieces.line, pieces.drawn_m, minlength=len(lines))
    measured_m = lines.frame["length_m"].to_numpy(dtype=float)
    known = np.isfinite(measured_m) & (measured_m > 0)
    ratio = np.where(known, measured_m / drawn_m, 1.0)
    odd = np.flatnonzero(np.maximum(ratio, 1 / ratio) > MEASURED_FACTOR)
    text = [
        f"measured {a:.1f} m, drawn {b:.1f} m" for a, b in zip(measured_m[odd], drawn_m[odd], strict=True)
    ]
    log.add("measured", lines.ids[odd], xy=lines.xyz[lines.first[odd], :2], text=text)
    return ratio


def _links(parted: Parted, number: Ints) -> list[tuple[int, int, dict[str, Any]]]:
    """Edges across closed valves."""
    nodes = number[parted.link_nodes].tolist()
    spots = parted.node_xy[parted.link_nodes[:, 0]]
    shapes = np.asarray(shapely.linestrings(np.repeat(spots[:, None, :], 2, axis=1)))
    blank: dict[str, Any] = dict.fromkeys(EDGE_ATTRIBUTES, float("nan"))
    blank |= {
        "material": None,
        "material_text": None,
        "length_m": 0.0,
        "drawn_length_m": 0.0,
        "is_open": False,
        "assumed": "",
    }
    return [
        (u, v, blank | {"pipe_id": valve, "geometry": shape, "from_node": u, "to_node": v})
        for (u, v), valve, shape in zip(nodes, parted.link_valve, shapes, strict=True)
    ]
