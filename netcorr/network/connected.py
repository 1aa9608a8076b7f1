"""Which pipes hang together: the network as columns, and the pieces that it falls into."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from operator import itemgetter
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from netcorr.network.pipe_network import EDGE_ATTRIBUTES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.network.lines import Floats, Ints
    from netcorr.network.pipe_network import PipeNetwork

#: Types of the columns that are no objects.
_KINDS: dict[str, type] = {
    "length_m": float,
    "drawn_length_m": float,
    "diameter_mm": float,
    "wave_speed_m_s": float,
    "from_node": np.intp,
    "to_node": np.intp,
    "is_open": bool,
}


@dataclass(frozen=True, eq=False)
class Connected:
    """Edges of a network as columns, and the piece that each is part of.

    A piece is what the drawing connects: a closed valve does not part pieces, a main out of service
    belongs to none.

    Attributes
    ----------
    columns : dict of str to numpy.ndarray, shape (e,)
        `EDGE_ATTRIBUTES` of the edges.
    keys : numpy.ndarray of int, shape (e,)
        Key of each edge in the graph.
    node_xy : numpy.ndarray of float, shape (m, 2)
        Places of the nodes.
    is_link : numpy.ndarray of bool, shape (e,)
        Links across closed valves.
    in_service : numpy.ndarray of bool, shape (e,)
        Pieces of mains in service.
    edge_piece : numpy.ndarray of int, shape (e,)
        Piece of each edge, 0 the one with the most metres; -1 for mains out of service.
    node_piece : numpy.ndarray of int, shape (m,)
        Piece of each node, -1 where no main in service is.
    length_m : numpy.ndarray of float, shape (p,)
        Metres of main in service in each piece, most first. [m]
    zones : int
        Pieces when closed valves part them too.
    """

    columns: dict[str, NDArray[Any]]
    keys: Ints
    node_xy: Floats
    is_link: NDArray[np.bool_]
    in_service: NDArray[np.bool_]
    edge_piece: Ints
    node_piece: Ints
    length_m: Floats
    zones: int

    @cached_property
    def total_m(self) -> float:
        """Metres of main in service. [m]"""
        return float(self.length_m.sum())

    @cached_property
    def degree(self) -> Ints:
        """Ends of mains in service, and links, at each node."""
        used = self.in_service | self.is_link
        ends = np.concatenate([self.columns["from_node"][used], self.columns["to_node"][used]])
        return np.bincount(ends, minlength=len(self.node_xy))


def connected(network: PipeNetwork) -> Connected:
    """Find the pieces of a network.

    Parameters
    ----------
    network : PipeNetwork
        Any network.

    Returns
    -------
    Connected
        Pieces numbered by their metres, the longest first; of equally long ones the one with the
        westernmost node.
    """
    columns, keys = _columns(network)
    ends = np.column_stack([columns["from_node"], columns["to_node"]]).reshape(-1, 2)
    places = network.graph.nodes(data=True)
    node_xy = np.array([(place["x"], place["y"]) for _, place in places], dtype=float).reshape(-1, 2)
    in_service = columns["is_open"]
    is_link = ~in_service & (columns["drawn_length_m"] == 0)
    drawn = _parts(ends[in_service | is_link], len(node_xy))
    node_part = np.full(len(node_xy), -1)
    at_main = np.unique(ends[in_service])
    node_part[at_main] = drawn[at_main]
    node_piece, length_m = _by_length(node_part, ends[in_service, 0], columns["length_m"][in_service])
    open_part = _parts(ends[in_service], len(node_xy))
    return Connected(
        columns=columns,
        keys=keys,
        node_xy=node_xy,
        is_link=is_link,
        in_service=in_service,
        edge_piece=np.where(in_service | is_link, node_piece[ends[:, 0]], -1),
        node_piece=node_piece,
        length_m=length_m,
        zones=len(np.unique(open_part[at_main])),
    )


def _columns(network: PipeNetwork) -> tuple[dict[str, NDArray[Any]], Ints]:
    """Attributes of the edges as columns, and their keys."""
    edges = network.graph.edges  # no list of them: the search for garbage would go through it again and again
    pick = itemgetter(*EDGE_ATTRIBUTES)
    rows = np.fromiter((value for _, _, data in edges(data=True) for value in pick(data)), dtype=object)
    table = rows.reshape(-1, len(EDGE_ATTRIBUTES))
    columns: dict[str, NDArray[Any]] = {name: table[:, k] for k, name in enumerate(EDGE_ATTRIBUTES)}
    for name, kind in _KINDS.items():
        columns[name] = columns[name].astype(kind)
    return columns, np.fromiter((key for _, _, key in edges(keys=True)), dtype=np.intp)


def _parts(ends: Ints, count: int) -> Ints:
    links = coo_array((np.ones(len(ends), dtype=bool), (ends[:, 0], ends[:, 1])), shape=(count, count))
    return np.asarray(connected_components(links, directed=False)[1], dtype=np.intp)


def _by_length(node_part: Ints, start: Ints, length_m: Floats) -> tuple[Ints, Floats]:
    """Number the parts from the longest to the shortest; of equal ones the first node decides."""
    used, first, number = np.unique(node_part[node_part >= 0], return_index=True, return_inverse=True)
    code = np.full(len(node_part), -1)
    code[node_part >= 0] = number
    total = np.bincount(code[start], length_m, minlength=len(used))
    order = np.lexsort((first, -np.round(total, 6)))
    rank = np.empty(len(used), dtype=np.intp)
    rank[order] = np.arange(len(used))
    node_piece = np.full(len(node_part), -1)
    node_piece[code >= 0] = rank[number]
    return node_piece, np.asarray(total[order], dtype=np.float64)
