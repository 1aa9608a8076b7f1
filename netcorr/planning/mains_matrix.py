"""The graph of mains as scipy's searches take it: a matrix of lengths, and which edge each entry is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from scipy import sparse

from netcorr.planning.problem import MainsGraph

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.planning.problem import Floats, Ints

#: A rounding error must not put a path out of reach.
ROUNDING = 1e-9
#: Stands for a length of zero, which a sparse matrix cannot hold. [m]
_LEAST_M = 1e-6

Matrix: TypeAlias = "sparse.csr_array"


@dataclass(frozen=True, eq=False)
class MainsMatrix:
    """The graph as a matrix of lengths, and a table of edges by their ends.

    Of parallel edges only the shortest is there, and no edge from a node to itself.

    Attributes
    ----------
    length_m : scipy.sparse.csr_array, shape (n, n)
        Length between neighbouring nodes; its entries are in the order of `key`. [m]
    key : numpy.ndarray of int
        ``from * n + to`` for both directions, rising.
    edge : numpy.ndarray of int
        Edge of the graph that each entry is.
    forward : numpy.ndarray of bool
        Whether it leads from the edge's `from_node` to its `to_node`.
    other_m : numpy.ndarray of float
        Length of the next longer edge between the same nodes; infinite where there is none. [m]
    share : numpy.ndarray of float, shape (m,)
        How much of the reach each edge of the graph takes up.
    leave, arrive : numpy.ndarray of float
        What passing the node that an entry leaves, or the one at which it arrives, costs on its side, as a
        share of the reach.
    limit_m : float
        No path within reach is longer. [m]
    """

    length_m: Matrix
    key: NDArray[np.int64]
    edge: Ints
    forward: NDArray[np.bool_]
    other_m: Floats
    share: Floats
    leave: Floats
    arrive: Floats
    limit_m: float

    @classmethod
    def of(cls, graph: MainsGraph) -> MainsMatrix:
        """Make the matrix of a graph."""
        n, m = graph.node_count, len(graph)
        a = np.concatenate([graph.from_node, graph.to_node])
        b = np.concatenate([graph.to_node, graph.from_node])
        edge = np.tile(np.arange(m), 2)
        length_m = np.maximum(graph.length_m, _LEAST_M)[edge]
        key = a.astype(np.int64) * n + b
        order = np.lexsort((edge, length_m, key))
        order = order[a[order] != b[order]]
        first = np.ones(len(order), dtype=bool)
        first[1:] = key[order][1:] != key[order][:-1]
        keep = order[first]
        start = np.flatnonzero(first)
        second = np.minimum(start + 1, max(len(order) - 1, 0))
        has_second = (np.diff(start, append=len(order)) > 1) if len(order) else first
        at_from, at_to = graph.end_shares
        forward = keep < m
        return cls(
            length_m=sparse.csr_array((length_m[keep], (a[keep], b[keep])), shape=(n, n)),
            key=key[keep],
            edge=edge[keep],
            forward=forward,
            other_m=np.where(has_second, length_m[order[second]], np.inf),
            share=graph.length_m / graph.reach_m,
            leave=np.where(forward, at_from[edge[keep]], at_to[edge[keep]]),
            arrive=np.where(forward, at_to[edge[keep]], at_from[edge[keep]]),
            limit_m=float(graph.reach_m.max(initial=0.0)) * (1 + ROUNDING) + 1e3 * _LEAST_M,
        )

    def entry(self, a: Ints, b: Ints) -> Ints:
        """Rows of the table of edges that lead from `a` to `b`."""
        rows: Ints = np.searchsorted(self.key, a.astype(np.int64) * self.length_m.shape[0] + b)
        return rows
