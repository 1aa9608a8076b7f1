"""The second way round: a stretch counts only when it is clearly on the path between the two sensors.

Where the mains form a loop, sound goes both ways round it. When the ways are about as long, nobody can say
from the delay, or from a map that is a little wrong, on which of them a leak lies.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from scipy.sparse import csgraph

from netcorr.errors import PlanError
from netcorr.feedback import Feedback, NoFeedback, check_cancelled
from netcorr.planning.mains_matrix import ROUNDING, MainsMatrix
from netcorr.planning.problem import ChoiceProblem, MainsGraph, Ragged, keep_coverings

if TYPE_CHECKING:
    from netcorr.planning.mains_matrix import Matrix
    from netcorr.planning.problem import Flags, Floats, Ints

#: Stretches that are looked at on the same part of the map.
BATCH = 64
_SILENT = NoFeedback()


def with_margin(
    problem: ChoiceProblem, graph: MainsGraph, *, margin: float, feedback: Feedback = _SILENT
) -> ChoiceProblem:
    """Leave out of the problem what pairs cover only by a narrow margin over the second way round.

    Parameters
    ----------
    problem : ChoiceProblem
        Made from `graph`.
    graph : MainsGraph
        Open mains.
    margin : float
        Share by which the shortest way between the two sites that avoids a stretch must be longer than the
        path, 0 or more.
    feedback : Feedback
        Told of the progress.

    Returns
    -------
    ChoiceProblem
        The numbers of sites, pairs and stretches stay.

    Raises
    ------
    PlanError
        If the margin is negative.
    CancelledError
        If `feedback` says so.

    Notes
    -----
    For every stretch the distances of the sites on one side of it to those on the other are found anew
    without it, by `scipy.sparse.csgraph`, on the part of the map that matters.

    Examples
    --------
    A ring main of 100 and 104 m between two sites: with a margin of 5 % neither side of it counts.

    >>> from netcorr.planning import CandidateSites, build_problem
    >>> ring = MainsGraph(
    ...     4,
    ...     from_node=np.array([0, 1, 0, 2]),
    ...     to_node=np.array([1, 3, 2, 3]),
    ...     length_m=np.array([50.0, 50.0, 50.0, 54.0]),
    ...     reach_m=np.full(4, 120.0),
    ...     weight=np.ones(4),
    ... )
    >>> problem = build_problem(ring, CandidateSites.at_nodes([0, 3]))
    >>> problem.coverable().tolist()
    [True, True, False, False]
    >>> with_margin(problem, ring, margin=0.05).coverable().tolist()
    [False, False, False, False]
    """
    if not (0 <= margin < float("inf")):
        raise PlanError("margin over the second way", found=f"{100 * margin:g} %", remedy="give 0 % or more")
    if not margin:
        return problem
    mains = MainsMatrix.of(graph)
    listens = Ragged.grouped(
        problem.sites.listens_site, values=problem.sites.listens, count=len(problem.sites)
    )
    wanted = np.flatnonzero(problem.covering.counts > 0)
    kept = np.ones(len(problem.covering.values), dtype=bool)
    done = 0
    for batch in _batches(mains, graph, wanted, problem):
        check_cancelled(feedback)
        feedback.progress(done / max(len(wanted), 1), "looking for second ways round")
        _judge(problem, graph, mains, listens, batch=batch, margin=margin, kept=kept)
        done += len(batch)
    return keep_coverings(problem, kept)


def _batches(mains: MainsMatrix, graph: MainsGraph, wanted: Ints, problem: ChoiceProblem) -> Iterator[Ints]:
    """Stretches in groups of neighbours."""
    start = graph.from_node[problem.stretches.edge]
    at_node = Ragged.grouped(start[wanted], values=wanted, count=graph.node_count)
    left = np.zeros(len(problem.stretches), dtype=bool)
    left[wanted] = True
    for centre in wanted.tolist():
        if not left[centre]:
            continue
        reached_m = csgraph.dijkstra(mains.length_m, indices=int(start[centre]), limit=mains.limit_m)
        near = np.flatnonzero(np.isfinite(reached_m))
        near = near[np.argsort(reached_m[near], kind="stable")]
        listed = np.concatenate([at_node[int(node)] for node in near])
        batch = listed[left[listed]][:BATCH]
        left[batch] = False
        yield batch


def _judge(
    problem: ChoiceProblem,
    graph: MainsGraph,
    mains: MainsMatrix,
    listens: Ragged,
    *,
    batch: Ints,
    margin: float,
    kept: Flags,
) -> None:
    """Mark what does not count among the coverings of some stretches."""
    longest_m = mains.limit_m * (1 + margin)
    entries = _entries(problem.covering, batch)
    sources = np.unique(np.concatenate([listens[int(s)] for s in np.unique(problem.covering_from[entries])]))
    reached_m = csgraph.dijkstra(mains.length_m, indices=sources, limit=longest_m, min_only=True)
    nodes = np.flatnonzero(np.isfinite(reached_m))
    local = mains.length_m[nodes][:, nodes].tocsr()
    local.sort_indices()
    number = np.full(graph.node_count, -1)
    number[nodes] = np.arange(len(nodes))
    for stretch in batch.tolist():
        edge = int(problem.stretches.edge[stretch])
        part = slice(problem.covering.start[stretch], problem.covering.start[stretch + 1])
        pair_m = problem.pair_length_m[problem.covering.values[part]]
        ends = number[[graph.from_node[edge], graph.to_node[edge]]]
        other_m = float(mains.other_m[mains.entry(graph.from_node[[edge]], graph.to_node[[edge]])[0]])
        second_m = _second_ways_m(
            local,
            ends,
            other_m,
            [number[listens[int(s)]] for s in problem.covering_from[part]],
            [number[listens[int(s)]] for s in problem.covering_to[part]],
            limit_m=float(pair_m.max()) * (1 + margin),
        )
        kept[part] = second_m >= pair_m * (1 + margin) * (1 - ROUNDING)


def _entries(lists: Ragged, which: Ints) -> Ints:
    return np.concatenate([np.arange(lists.start[k], lists.start[k + 1]) for k in which])


def _second_ways_m(
    local: Matrix,
    ends: Ints,
    other_m: float,
    from_nodes: list[Ints],
    to_nodes: list[Ints],
    *,
    limit_m: float,
) -> Floats:
    """Distances of places to places without the edge between two nodes; infinite beyond the limit."""
    changed = [_entry(local, int(a), int(b)) for a, b in (ends, ends[::-1])]
    before = local.data[changed]
    local.data[changed] = other_m if np.isfinite(other_m) else 2 * limit_m + 1
    sources = np.unique(np.concatenate(from_nodes))
    apart_m = csgraph.dijkstra(local, indices=sources, limit=limit_m)
    local.data[changed] = before
    row = {int(node): k for k, node in enumerate(sources)}
    return np.array(
        [
            min(
                (apart_m[row[int(a)], int(b)] for a in here for b in there if b >= 0),
                default=np.inf,
            )
            for here, there in zip(from_nodes, to_nodes, strict=True)
        ]
    )


def _entry(matrix: Matrix, row: int, column: int) -> int:
    start, stop = matrix.indptr[row], matrix.indptr[row + 1]
    return int(start + np.searchsorted(matrix.indices[start:stop], column))
