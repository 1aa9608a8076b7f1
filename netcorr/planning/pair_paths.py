"""Paths of pairs of sensors, in order from one sensor to the other, with speeds and shares of the reach."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from netcorr.planning.expected import PlannedPath

if TYPE_CHECKING:
    from netcorr.planning.edge_speeds import EdgeSpeeds
    from netcorr.planning.problem import ChoiceProblem, Flags, Floats, Ints, MainsGraph


@dataclass(frozen=True, eq=False)
class PairPath:
    """Edges between two sensors.

    Attributes
    ----------
    pair : int
        Row of `ChoiceProblem.pair_sites`.
    edge : numpy.ndarray of int, shape (n,)
        From the first site of the pair to the second one.
    forward : numpy.ndarray of bool, shape (n,)
        Whether the path runs from the edge's `from_node` to its `to_node`.
    start_m : numpy.ndarray of float, shape (n,)
        Where each edge begins on the path. [m]
    path : PlannedPath
        What the position of a leak on it depends on.
    """

    pair: int
    edge: Ints
    forward: Flags
    start_m: Floats
    path: PlannedPath

    def place_m(self, position: int, from_m: Floats, graph: MainsGraph) -> Floats:
        """Places on one of its edges, measured from the edge's `from_node`, as places from A."""
        length_m = graph.length_m[self.edge[position]]
        inside = from_m if self.forward[position] else length_m - from_m
        return np.asarray(self.start_m[position] + inside)


def pair_paths(
    problem: ChoiceProblem, graph: MainsGraph, speeds: EdgeSpeeds, *, pairs: Flags | None = None
) -> Iterator[PairPath]:
    """Put the edges of each pair in order.

    Parameters
    ----------
    problem : ChoiceProblem
        Made from `graph` without a margin over the second way round: it must hold all edges of each path.
    graph : MainsGraph
        Open mains.
    speeds : EdgeSpeeds
        Speeds of its edges.
    pairs : numpy.ndarray of bool, shape (p,), optional
        Pairs that are wanted; all unless given.

    Yields
    ------
    PairPath
        One for each pair that covers something.
    """
    pair = problem.covering.values
    edge = problem.stretches.edge[problem.covering.group]
    forward = problem.covering_from == problem.pair_sites[pair, 0]
    order = np.argsort(pair, kind="stable")
    if pairs is not None:
        order = order[pairs[pair[order]]]
    pair, edge, forward = pair[order], edge[order], forward[order]
    tail = np.where(forward, graph.from_node[edge], graph.to_node[edge])
    head = np.where(forward, graph.to_node[edge], graph.from_node[edge])
    at_from, at_to = graph.end_shares
    leave, arrive = (
        np.where(forward, at_from[edge], at_to[edge]),
        np.where(forward, at_to[edge], at_from[edge]),
    )
    bounds = np.flatnonzero(np.diff(pair, prepend=-1, append=-2))
    for low, high in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
        chain = low + np.array(_chain(tail[low:high].tolist(), head[low:high].tolist()), dtype=np.intp)
        here = edge[chain]
        length_m = graph.length_m[here]
        yield PairPath(
            pair=int(pair[low]),
            edge=here,
            forward=forward[chain],
            start_m=np.cumsum(length_m) - length_m,
            path=PlannedPath(
                length_m=length_m,
                speed_m_s=speeds.speed_m_s[here],
                common_sd_m_s=speeds.common_sd_m_s[here],
                pipe_sd_m_s=speeds.pipe_sd_m_s[here],
                group=_numbered(speeds.group[here]),
                pipe=_numbered(speeds.pipe[here]),
                share=length_m / graph.reach_m[here],
                node_share=arrive[chain[:-1]] + leave[chain[1:]],
                plastic=speeds.plastic[here],
            ),
        )


def _chain(tail: list[int], head: list[int]) -> list[int]:
    """Order in which edges follow each other, from the one that no other leads to."""
    after = {node: k for k, node in enumerate(tail)}
    heads = set(head)
    at = next(k for k, node in enumerate(tail) if node not in heads)
    found = [at]
    while head[at] in after:
        at = after[head[at]]
        found.append(at)
    return found


def _numbered(codes: Ints) -> Ints:
    return np.unique(codes, return_inverse=True)[1]
