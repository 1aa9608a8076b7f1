"""Columns of edges to a networkx graph, in an order that depends on nothing but the edges."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import networkx as nx
import numpy as np
import pandas as pd

from netcorr.layers.collection import without_collection
from netcorr.network.pipe_network import EDGE_ATTRIBUTES

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pyproj
    from numpy.typing import NDArray

    from netcorr.network.lines import Floats


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
        As in `PipeNetwork.graph`. Edges come by their lower node, then by the higher, then as given: the
        same graph lists them in this order again.
    """
    ends = np.column_stack([columns["from_node"], columns["to_node"]]).astype(np.intp)
    order = np.lexsort((ends.max(axis=1), ends.min(axis=1)))
    nodes = np.arange(len(node_xy)).astype(object)  # every number is one object, wherever it is used
    lists = {name: columns[name][order].tolist() for name in EDGE_ATTRIBUTES}
    lists["from_node"], lists["to_node"] = nodes[ends[order, 0]].tolist(), nodes[ends[order, 1]].tolist()
    rows = zip(*lists.values(), strict=True)
    graph = nx.MultiGraph(crs=crs)
    with without_collection():
        # the graph's own dictionaries, filled as add_node and add_edge do, which take several times as long
        graph._node.update(zip(nodes, ({"x": x, "y": y} for x, y in node_xy.tolist()), strict=True))
        neighbours: list[dict[int, dict[int, dict[str, Any]]]] = [{} for _ in nodes]
        graph._adj.update(zip(nodes, neighbours, strict=True))
        for u, v, data in zip(lists["from_node"], lists["to_node"], map(vars, map(_Edge, rows)), strict=True):
            beside = neighbours[u]
            if v in beside:
                beside[v][len(beside[v])] = data
            else:
                beside[v] = neighbours[v][u] = {0: data}
    return graph


class _Edge:
    """Attributes of an edge, taken as its ``__dict__``.

    Python stores the names of attributes once for all objects of a class, so that these dictionaries take
    less than half the memory of others, and less than half the time to make.
    """

    def __init__(self, values: tuple[Any, ...]) -> None:
        (
            self.pipe_id,
            self.material,
            self.material_text,
            self.diameter_mm,
            self.wall_mm,
            self.year,
            self.wave_speed_m_s,
            self.length_m,
            self.drawn_length_m,
            self.geometry,
            self.from_node,
            self.to_node,
            self.is_open,
            self.assumed,
            self.could_be,
        ) = values  # in the order of EDGE_ATTRIBUTES


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
