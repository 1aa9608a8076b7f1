"""What lies beyond both ends of a main: how much of the reach it takes to get to the nearest site there.

A pair of sensors brackets a main only with one of them beyond each of its ends. So the search never turns
back on the main that it comes from: it runs over states, "arrived at a node along an edge", and not over
nodes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from netcorr.planning.problem import MainsGraph, Ragged

if TYPE_CHECKING:
    from netcorr.planning.mains_matrix import Matrix
    from netcorr.planning.problem import CandidateSites, Floats, Ints

#: Stands for a cost of zero, which a sparse matrix cannot hold.
_LEAST, _ZERO = 1e-12, 1e-9
#: Searched first, before the whole network is. [share of the reach]
_NEAR = 3.0


@dataclass(frozen=True, eq=False)
class Beyond:
    """Nearest site beyond both ends of each edge.

    Attributes
    ----------
    share : numpy.ndarray of float, shape (m, 2)
        What the way from the edge's `from_node` and from its `to_node` to the nearest site beyond takes of
        the reach; 0 with a site at the node itself, infinite where there is none.
    site : numpy.ndarray of int, shape (m, 2)
        Number of that site, -1 where there is none.
    """

    share: Floats
    site: Ints


def nearest_beyond(graph: MainsGraph, sites: CandidateSites) -> Beyond:
    """Find the nearest site beyond each end of each edge.

    Parameters
    ----------
    graph : MainsGraph
        Open mains.
    sites : CandidateSites
        Where sensors stand, or may stand.

    Returns
    -------
    Beyond
        By share of the reach, not by length.

    Notes
    -----
    Two states for each edge, two searches in one: `scipy.sparse.csgraph.dijkstra` from all states at a
    site. A way that turns round in a loop and comes back over the edge is no way beyond it; those few are
    searched anew without the edge.

    Examples
    --------
    >>> from netcorr.planning import CandidateSites
    >>> chain = MainsGraph(
    ...     4,
    ...     from_node=np.array([0, 1, 2]),
    ...     to_node=np.array([1, 2, 3]),
    ...     length_m=np.array([60.0, 30.0, 40.0]),
    ...     reach_m=np.full(3, 120.0),
    ...     weight=np.ones(3),
    ... )
    >>> nearest_beyond(chain, CandidateSites.at_nodes([0, 2])).share.tolist()
    [[0.0, 0.25], [0.5, 0.0], [0.0, inf]]
    """
    states = _States.of(graph)
    site_at = np.full(graph.node_count, -1)
    site_at[sites.listens] = sites.listens_site
    best, source = np.full(len(states), np.inf), np.full(len(states), -1)
    starts = np.flatnonzero(site_at[states.head] >= 0)
    if len(starts):
        # from states at a site back to those from which one walks on into it
        best, onward, found = csgraph.dijkstra(
            states.cost.T, indices=starts, min_only=True, return_predecessors=True
        )
        reached = found >= 0
        source[reached] = site_at[states.head[found[reached]]]
        for state in states.crossed_again(onward).tolist():
            best[state], at = states.without_its_edge(state, starts)
            source[state] = site_at[states.head[at]] if at >= 0 else -1
    m = len(graph)
    share = np.where(best < _ZERO, 0.0, best)
    return Beyond(np.stack([share[:m], share[m:]], axis=1), np.stack([source[:m], source[m:]], axis=1))


@dataclass(frozen=True, eq=False)
class _States:
    """State k is edge k arriving at its `from_node`, state m + k edge k arriving at its `to_node`.

    `cost` leads from a state to those that may follow it; `into` gathers its entries by where they lead to.
    """

    head: Ints
    edge: Ints
    cost: Matrix
    into: Ragged

    def __len__(self) -> int:
        return len(self.head)

    @classmethod
    def of(cls, graph: MainsGraph) -> _States:
        head = np.concatenate([graph.from_node, graph.to_node])
        tail = np.concatenate([graph.to_node, graph.from_node])
        edge = np.tile(np.arange(len(graph)), 2)
        before, after = _turns(head, tail, edge, node_count=graph.node_count)
        at_head, at_tail = (np.concatenate(shares) for shares in (graph.end_shares, graph.end_shares[::-1]))
        own = (graph.length_m / graph.reach_m)[edge]
        cost = np.maximum(own[after] + at_head[before] + at_tail[after], _LEAST)
        order = np.lexsort((after, before))
        matrix = sparse.csr_array((cost[order], (before[order], after[order])), shape=(len(head), len(head)))
        into = Ragged.grouped(after[order], values=np.arange(len(after)), count=len(head))
        return cls(head, edge, matrix, into)

    def crossed_again(self, onward: Ints) -> Ints:
        """States whose way turns round in a loop and leads back over the very edge that it comes from."""
        start = np.arange(len(self))
        at, found = start, np.zeros(len(self), dtype=bool)
        while len(start):
            at = onward[at]
            going = at >= 0
            start, at = start[going], at[going]
            again = self.edge[at] == self.edge[start]
            found[start[again]] = True
            start, at = start[~again], at[~again]
        return np.flatnonzero(found)

    def without_its_edge(self, state: int, goals: Ints) -> tuple[float, int]:
        """Cost and state of the nearest goal when the edge of a state is not there."""
        back = self.into[(state + len(self) // 2) % len(self)]
        kept = self.cost.data[back].copy()
        self.cost.data[back] = np.inf
        for limit in (_NEAR, np.inf):
            cost = csgraph.dijkstra(self.cost, indices=state, limit=limit)
            nearest = int(goals[np.argmin(cost[goals])])
            if np.isfinite(cost[nearest]):
                break
        self.cost.data[back] = kept
        return float(cost[nearest]), nearest if np.isfinite(cost[nearest]) else -1


def _turns(head: Ints, tail: Ints, edge: Ints, *, node_count: int) -> tuple[Ints, Ints]:
    """Pairs of states, one after the other, that do not turn back on the same edge."""
    leaving = Ragged.grouped(tail, values=np.arange(len(tail)), count=node_count)
    counts = leaving.counts[head]
    before = np.repeat(np.arange(len(head)), counts)
    number = np.arange(len(before)) - np.repeat(np.cumsum(counts) - counts, counts)
    after = leaving.values[leaving.start[head[before]] + number]
    onward = edge[before] != edge[after]
    return before[onward], after[onward]
