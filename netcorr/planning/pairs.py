"""Graph, candidate sites and reach to the problem of choosing sites, in batches on small parts of the map."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.sparse import csgraph

from netcorr.errors import PlanError
from netcorr.feedback import Feedback, NoFeedback, check_cancelled
from netcorr.planning.mains_matrix import ROUNDING, MainsMatrix
from netcorr.planning.problem import CandidateSites, ChoiceProblem, MainsGraph, Ragged, Stretches
from netcorr.planning.second_way import with_margin

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.planning.problem import Floats, Ints

#: Listening places whose paths are searched together; on a part of the map that holds all of them.
BATCH = 96
_SILENT = NoFeedback()


def build_problem(
    graph: MainsGraph, sites: CandidateSites, *, margin: float = 0.0, feedback: Feedback = _SILENT
) -> ChoiceProblem:
    """Find all pairs of sites within reach and the stretches between them.

    Parameters
    ----------
    graph : MainsGraph
        Open mains.
    sites : CandidateSites
        Where loggers may stand.
    margin : float
        Share by which the second way round must be longer for a pair to cover what a loop holds, 0 or more;
        see `netcorr.planning.second_way`.
    feedback : Feedback
        Told of the progress.

    Returns
    -------
    ChoiceProblem
        One stretch for each edge, in the same order.

    Raises
    ------
    PlanError
        If there is no site, a site is at no node of the graph, or the margin is negative.
    CancelledError
        If `feedback` says so.

    Notes
    -----
    Of several shortest paths of the same length one counts. Dijkstra's search is that of
    `scipy.sparse.csgraph`; it needs memory for sources times nodes, so each batch of sites gets the part of
    the graph within its reach.

    Examples
    --------
    >>> chain = MainsGraph(
    ...     4,
    ...     from_node=np.array([0, 1, 2]),
    ...     to_node=np.array([1, 2, 3]),
    ...     length_m=np.array([60.0, 50.0, 40.0]),
    ...     reach_m=np.full(3, 120.0),
    ...     weight=np.array([60.0, 50.0, 40.0]),
    ... )
    >>> problem = build_problem(chain, CandidateSites.at_nodes([0, 2, 3]))
    >>> problem.pair_sites.tolist(), problem.pair_length_m.tolist()
    ([[0, 1], [1, 2]], [110.0, 40.0])
    >>> [pairs.tolist() for pairs in problem.covering]
    [[0], [0], [1]]
    """
    _check(graph, sites)
    mains = MainsMatrix.of(graph)
    found = []
    batches = list(_batches(mains, sites))
    for done, batch in enumerate(batches):
        check_cancelled(feedback)
        feedback.progress(done / len(batches), "finding paths between sites")
        found.append(_paths_of_batch(mains, sites, batch))
    return with_margin(_problem(graph, sites, _joined(found)), graph, margin=margin, feedback=feedback)


def _check(graph: MainsGraph, sites: CandidateSites) -> None:
    if not len(sites):
        raise PlanError(
            "candidate sites", found="there is none", remedy="give fittings that sit on the mains of the map"
        )
    if sites.listens.min() < 0 or sites.listens.max() >= graph.node_count:
        raise PlanError("candidate sites", found="a site at no node of the graph", remedy="attach it first")


@dataclass(frozen=True, eq=False)
class _Paths:
    """Pairs of sites and the edges between them.

    `pair`, `edge` and `first_at_from` have one entry for each edge of a path; `pair` is a row of `sites`.
    """

    sites: Ints
    length_m: Floats
    pair: Ints
    edge: Ints
    first_at_from: NDArray[np.bool_]


def _batches(mains: MainsMatrix, sites: CandidateSites) -> Iterator[Ints]:
    """Listening places in groups of neighbours: round the first that is left, the nearest that are left."""
    at_node = Ragged.grouped(
        sites.listens, values=np.arange(len(sites.listens)), count=mains.length_m.shape[0]
    )
    left = np.ones(len(sites.listens), dtype=bool)
    for centre in range(len(left)):
        if not left[centre]:
            continue
        reached_m = csgraph.dijkstra(mains.length_m, indices=sites.listens[centre], limit=mains.limit_m)
        near = np.flatnonzero(np.isfinite(reached_m))
        near = near[np.argsort(reached_m[near], kind="stable")]
        listed = np.concatenate([at_node[int(node)] for node in near])
        batch = listed[left[listed]][:BATCH]
        left[batch] = False
        yield batch


def _paths_of_batch(mains: MainsMatrix, sites: CandidateSites, batch: Ints) -> _Paths:
    """Paths from the places of a batch to places of sites with a higher number."""
    source = sites.listens[batch]
    reached_m = csgraph.dijkstra(mains.length_m, indices=source, limit=mains.limit_m, min_only=True)
    nodes = np.flatnonzero(np.isfinite(reached_m))
    local = mains.length_m[nodes][:, nodes]
    apart_m, before = csgraph.dijkstra(
        local, indices=np.searchsorted(nodes, source), limit=mains.limit_m, return_predecessors=True
    )
    near = np.flatnonzero(np.isin(sites.listens, nodes))
    target = np.searchsorted(nodes, sites.listens[near])
    later = sites.listens_site[near][None, :] > sites.listens_site[batch][:, None]
    row, column = np.nonzero(np.isfinite(apart_m[:, target]) & later)
    first, second = sites.listens_site[batch[row]], sites.listens_site[near[column]]
    paths = _walk_back(mains, nodes, before=before, row=row, end=target[column])
    return _within_reach(mains, paths, np.stack([first, second], axis=1), apart_m[row, target[column]])


def _walk_back(
    mains: MainsMatrix, nodes: Ints, *, before: NDArray[np.int32], row: Ints, end: Ints
) -> tuple[Ints, Ints, Floats]:
    """Edges of the paths, from their ends back to the sources: path, row in the table, cost of nodes."""
    path, at = np.arange(len(row)), end
    paths, entries, costs = [], [], []
    is_end = True
    while len(path):
        previous = before[row[path], at].astype(np.intp)
        moving = previous >= 0
        path, at, previous = path[moving], at[moving], previous[moving]
        entry = mains.entry(nodes[previous], nodes[at])
        is_start = before[row[path], previous] < 0
        paths.append(path)
        entries.append(entry)
        costs.append(np.where(is_start, 0.0, mains.leave[entry]) + (0.0 if is_end else mains.arrive[entry]))
        at, is_end = previous, False
    none = [np.zeros(0, dtype=np.intp)]
    return (
        np.concatenate(paths or none),
        np.concatenate(entries or none),
        np.concatenate(costs or [np.zeros(0)]),
    )


def _within_reach(
    mains: MainsMatrix, paths: tuple[Ints, Ints, Floats], pair_sites: Ints, length_m: Floats
) -> _Paths:
    """Leave out the paths along which sound does not carry."""
    path, entry, cost = paths
    edge = mains.edge[entry]
    share = np.bincount(path, mains.share[edge] + cost, minlength=len(length_m))
    kept = (share <= 1 + ROUNDING) & (length_m > 0)
    number = np.cumsum(kept) - 1
    here = kept[path]
    return _Paths(
        sites=pair_sites[kept],
        length_m=length_m[kept],
        pair=number[path[here]],
        edge=edge[here],
        first_at_from=mains.forward[entry[here]],
    )


def _joined(found: list[_Paths]) -> _Paths:
    offset = np.cumsum([0, *(len(one.length_m) for one in found)])
    return _Paths(
        sites=np.concatenate([one.sites for one in found]),
        length_m=np.concatenate([one.length_m for one in found]),
        pair=np.concatenate([one.pair + k for one, k in zip(found, offset, strict=False)]),
        edge=np.concatenate([one.edge for one in found]),
        first_at_from=np.concatenate([one.first_at_from for one in found]),
    )


def _problem(graph: MainsGraph, sites: CandidateSites, paths: _Paths) -> ChoiceProblem:
    """Number the pairs by their sites; two sites that listen at several nodes keep their shortest path."""
    order = np.lexsort((paths.length_m, paths.sites[:, 1], paths.sites[:, 0]))
    ordered = paths.sites[order]
    first = np.ones(len(order), dtype=bool)
    first[1:] = (ordered[1:] != ordered[:-1]).any(axis=1)
    number = np.full(len(order), -1)
    number[order[first]] = np.arange(int(first.sum()))
    pair = number[paths.pair]
    kept = pair >= 0
    pair, edge, first_at_from = pair[kept], paths.edge[kept], paths.first_at_from[kept]
    by_edge = np.lexsort((pair, edge))
    pair, edge, first_at_from = pair[by_edge], edge[by_edge], first_at_from[by_edge]
    pair_sites = ordered[first]
    low, high = pair_sites[pair].T
    return ChoiceProblem(
        stretches=Stretches(
            edge=np.arange(len(graph)),
            from_m=np.zeros(len(graph)),
            to_m=graph.length_m,
            length_m=graph.length_m,
            weight=graph.weight,
        ),
        sites=sites,
        pair_sites=pair_sites,
        pair_length_m=paths.length_m[order[first]],
        covering=Ragged.grouped(edge, values=pair, count=len(graph)),
        covering_from=np.where(first_at_from, low, high),
        covering_to=np.where(first_at_from, high, low),
    )
