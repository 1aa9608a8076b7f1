"""Columns of edges to a networkx graph, in an order that depends on nothing but the edges."""

from __future__ import annotations

from itertools import repeat
from typing import TYPE_CHECKING, Any

import networkx as nx
import numpy as np
import pandas as pd

from netcorr.layers.collection import without_collection
from netcorr.network.pipe_network import EDGE_ATTRIBUTES

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    import pyproj
    from numpy.typing import NDArray

    from netcorr.network.lines import Floats, Ints


def edge_order(from_node: Ints, to_node: Ints) -> Ints:
    """Order in which the graph lists its edges: by their lower node, then by the higher, then as given."""
    low, high = np.minimum(from_node, to_node).astype(np.int64), np.maximum(from_node, to_node)
    place = low * (int(high.max(initial=0)) + 1) + high.astype(np.int64)
    if (place[1:] >= place[:-1]).all():
        return np.arange(len(place))
    return np.argsort(place, kind="stable")


def assemble_graph(columns: Mapping[str, NDArray[Any]], node_xy: Floats, *, crs: pyproj.CRS) -> nx.MultiGraph:
    """Build the graph of nodes 0 to m - 1 and the edges between them.

    Parameters
    ----------
    columns : mapping of str to numpy.ndarray, shape (p,)
        `EDGE_ATTRIBUTES` of the edges. Objects are taken as they are, so equal values should be one object
        (see `each_once`).
    node_xy : numpy.ndarray of float, shape (m, 2)
        Places of the nodes.
    crs : pyproj.CRS
        CRS of the map.

    Returns
    -------
    networkx.MultiGraph
        As in `PipeNetwork.graph`. Edges come in the order of `edge_order`: the same graph lists them in this
        order again.
    """
    order = edge_order(columns["from_node"], columns["to_node"])
    sorted_already = bool((np.diff(order) == 1).all())
    lists = {
        name: (columns[name] if sorted_already else columns[name][order]).tolist() for name in EDGE_ATTRIBUTES
    }
    nodes = list(range(len(node_xy)))  # every number is one object, wherever it is used
    lists |= {name: list(map(nodes.__getitem__, lists[name])) for name in ("from_node", "to_node")}
    graph = nx.MultiGraph(crs=crs)
    with without_collection():
        # the graph's own dictionaries, filled as add_node and add_edge do, which take several times as long
        graph._node.update(zip(nodes, _places(node_xy), strict=True))
        neighbours: list[dict[int, dict[int, dict[str, Any]]]] = [{} for _ in nodes]
        graph._adj.update(zip(nodes, neighbours, strict=True))
        for u, v, data in zip(lists["from_node"], lists["to_node"], _attributes(lists), strict=True):
            beside = neighbours[u]
            if v in beside:
                beside[v][len(beside[v])] = data
            else:
                beside[v] = neighbours[v][u] = {0: data}
    return graph


class _Edge:
    """What an edge is made as: its ``__dict__`` is what the graph holds.

    Python stores the names of attributes once for all objects of a class, so that these dictionaries take
    less than half the memory of others, and less than half the time to make.
    """


class _Node:
    """The same for a node."""


def _attributes(lists: Mapping[str, list[Any]]) -> Iterator[dict[str, Any]]:
    """Attributes of each edge, from lists in the order of `EDGE_ATTRIBUTES`."""
    made: Iterator[_Edge] = map(object.__new__, repeat(_Edge, len(lists["pipe_id"])))
    # the targets are set in turn, the edge itself first: no call and no tuple for each
    for (
        edge,
        edge.pipe_id,
        edge.material,
        edge.material_text,
        edge.diameter_mm,
        edge.wall_mm,
        edge.year,
        edge.wave_speed_m_s,
        edge.length_m,
        edge.drawn_length_m,
        edge.geometry,
        edge.from_node,
        edge.to_node,
        edge.is_open,
        edge.assumed,
        edge.could_be,
    ) in zip(made, *lists.values(), strict=True):
        yield edge.__dict__


def _places(node_xy: Floats) -> Iterator[dict[str, float]]:
    """Attributes of each node."""
    made: Iterator[_Node] = map(object.__new__, repeat(_Node, len(node_xy)))
    for node, node.x, node.y in zip(made, *node_xy.T.tolist(), strict=True):
        yield node.__dict__


def each_once(values: Any, missing: Any) -> NDArray[np.object_]:
    """Values with equal ones as one object, however many there are.

    Parameters
    ----------
    values : pandas.Series or numpy.ndarray, shape (n,)
        Numbers or texts.
    missing : object
        What stands for those that are missing.

    Returns
    -------
    numpy.ndarray of object, shape (n,)

    Examples
    --------
    >>> each_once(pd.Series(["pvc", None, "pvc"]), None).tolist()
    ['pvc', None, 'pvc']
    """
    code, unique = pd.factorize(values, use_na_sentinel=True)
    objects = np.fromiter([*unique.tolist(), missing], dtype=object)
    return np.asarray(objects[code])
