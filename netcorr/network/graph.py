"""Pieces to a networkx graph, the graph of what is open, and the edges as a layer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import networkx as nx
import numpy as np
import shapely

from netcorr.layers.network_layers import ASSUMED, COULD_BE
from netcorr.network.assemble import assemble_graph, each_once, edge_order
from netcorr.network.pipe_network import EDGE_ATTRIBUTES

if TYPE_CHECKING:
    from collections.abc import Mapping

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
    west_east = _west_east(xy)
    number = np.empty(len(xy), dtype=np.intp)
    number[west_east] = np.arange(len(xy))
    from_node = number[np.append(parted.from_node, parted.link_nodes[:, 0])]
    to_node = number[np.append(parted.to_node, parted.link_nodes[:, 1])]
    order = edge_order(from_node, to_node)
    columns = _columns(lines, pieces, _links(parted), ratio=ratio, order=order)
    columns |= {"from_node": from_node[order], "to_node": to_node[order]}
    return assemble_graph(columns, xy[west_east], crs=crs), number


def _west_east(xy: Floats) -> Ints:
    """Order of places from west to east, then from south to north, then as given."""
    order = np.argsort(xy[:, 0])
    east = xy[order, 0]
    same = np.append(False, east[1:] == east[:-1])
    same[:-1] |= same[1:]  # few as a rule, and next to each other: only these have an order of their own
    tied = np.flatnonzero(same)
    order[tied] = order[tied][np.lexsort((order[tied], xy[order[tied], 1], east[tied]))]
    return order


def _columns(
    lines: Lines, pieces: Pieces, links: Mapping[str, NDArray[Any]], *, ratio: Floats, order: Ints
) -> dict[str, NDArray[Any]]:
    """Attributes of the edges: of pieces and then links, put in order."""
    k = len(links["pipe_id"])
    line = np.append(pieces.line, len(lines) + np.arange(k))[order]  # a link is as a line after the last
    texts = _assumed(lines)
    by_line: dict[str, NDArray[Any]] = {
        "pipe_id": lines.ids,
        "is_open": lines.in_service,
        "assumed": texts,
        "could_be": _could_be(lines, texts),
    }
    for name in _COPIED:
        missing = None if name.startswith("material") else float("nan")
        by_line[name] = each_once(lines.frame[name], missing)
    columns = {name: np.append(values, links[name])[line] for name, values in by_line.items()}
    drawn_m = np.append(pieces.drawn_m, np.zeros(k))[order]
    ratio = np.append(ratio, np.ones(k))[line]
    columns["drawn_length_m"] = drawn_m.astype(object)
    columns["length_m"] = columns["drawn_length_m"].copy()
    measured = ratio != 1  # elsewhere both lengths are one object
    columns["length_m"][measured] = (drawn_m * ratio)[measured]
    columns["geometry"] = np.append(pieces.geometry, links["geometry"])[order]
    return columns


def _assumed(lines: Lines) -> NDArray[np.object_]:
    """What is assumed of each main, in words."""
    if ASSUMED not in lines.frame:
        return np.full(len(lines), "", dtype=object)
    return each_once(lines.frame[ASSUMED].fillna(""), "")


def _could_be(lines: Lines, assumed: NDArray[np.object_]) -> NDArray[np.object_]:
    """What else each main could be; not said where something is assumed and nothing says how surely."""
    if COULD_BE in lines.frame:
        return each_once(lines.frame[COULD_BE], None)
    return np.fromiter([() if text == "" else None for text in assumed], dtype=object)


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


def _links(parted: Parted) -> dict[str, NDArray[Any]]:
    """Attributes of the edges across closed valves, but for their nodes and lengths."""
    k = len(parted.link_valve)
    spots = parted.node_xy[parted.link_nodes[:, 0]]
    columns: dict[str, NDArray[Any]] = {name: np.full(k, np.nan).astype(object) for name in _COPIED}
    columns["material"] = columns["material_text"] = np.full(k, None, dtype=object)
    columns["pipe_id"] = np.array(parted.link_valve, dtype=object)
    columns["geometry"] = np.asarray(shapely.linestrings(np.repeat(spots[:, None, :], 2, axis=1)))
    columns["is_open"] = np.zeros(k, dtype=bool)
    columns["assumed"] = np.full(k, "", dtype=object)
    columns["could_be"] = np.fromiter([()] * k, dtype=object)
    return columns
