"""Of all pairs that cover a piece of main, the one that would place a leak there best."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from netcorr.errors import PlanError
from netcorr.planning.expected import expected_stretch_m
from netcorr.planning.pair_paths import pair_paths

if TYPE_CHECKING:
    from netcorr.planning.edge_speeds import EdgeSpeeds
    from netcorr.planning.expected import FixSettings
    from netcorr.planning.problem import ChoiceProblem, Flags, Floats, Ints, MainsGraph
    from netcorr.planning.reach import SoundBudget


@dataclass(frozen=True, eq=False)
class Cuts:
    """Edges cut into pieces of equal length, in the order of the edges.

    Attributes
    ----------
    edge : numpy.ndarray of int, shape (k,)
        Edge of the graph, rising.
    from_share, to_share : numpy.ndarray of float, shape (k,)
        Where each piece begins and ends, as a share of the edge from its `from_node`.
    length_m : numpy.ndarray of float, shape (k,)
        Its length. [m]
    """

    edge: Ints
    from_share: Floats
    to_share: Floats
    length_m: Floats

    @classmethod
    def of(cls, graph: MainsGraph, edges: Flags, *, step_m: float, whole: Flags | None = None) -> Cuts:
        """Cut edges.

        Parameters
        ----------
        graph : MainsGraph
            Open mains.
        edges : numpy.ndarray of bool, shape (m,)
            Which.
        step_m : float
            Longest piece. [m]
        whole : numpy.ndarray of bool, shape (m,), optional
            Edges to leave whole all the same.

        Raises
        ------
        PlanError
            If the longest piece has no length.
        """
        if not step_m > 0:
            raise PlanError("longest piece", found=f"{step_m:g} m", remedy="give a length above 0 m")
        edge = np.flatnonzero(edges)
        count = np.maximum(np.ceil(graph.length_m[edge] / step_m), 1).astype(np.intp)
        if whole is not None:
            count[whole[edge]] = 1
        of = np.repeat(edge, count)
        number = np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
        size = 1 / np.repeat(count, count)
        return cls(of, number * size, (number + 1) * size, graph.length_m[of] * size)

    @property
    def middle(self) -> Floats:
        """Middle of each piece, as a share of its edge."""
        return (self.from_share + self.to_share) / 2


def best_pairs(
    cuts: Cuts,
    problem: ChoiceProblem,
    whole: ChoiceProblem,
    graph: MainsGraph,
    *,
    speeds: EdgeSpeeds,
    settings: FixSettings,
    budget: SoundBudget,
) -> tuple[Ints, Floats]:
    """Find the best pair for the middle of each piece.

    Parameters
    ----------
    cuts : Cuts
        Pieces.
    problem : ChoiceProblem
        The sensors, and which of their pairs count for which edge.
    whole : ChoiceProblem
        The same without a margin over the second way round: all of every path.
    graph : MainsGraph
        Open mains.
    speeds : EdgeSpeeds
        Speeds of its edges.
    settings : FixSettings
        What makes a position uncertain.
    budget : SoundBudget
        Loudness of the leak, and length of one recording.

    Returns
    -------
    pair : numpy.ndarray of int, shape (k,)
        Row of `pair_sites`, -1 where no pair covers the piece. Where no speed is known, the shortest pair.
    expected_m : numpy.ndarray of float, shape (k,)
        Expected length of the 95 % stretch with that pair; NaN where none covers it or a speed is not known.
        [m]
    """
    first = np.full(len(graph) + 1, 0)
    np.cumsum(np.bincount(cuts.edge, minlength=len(graph)), out=first[1:])
    middle_m = cuts.middle * graph.length_m[cuts.edge]
    best = np.full(len(cuts.edge), np.inf)
    best_pair, shortest_m = np.full(len(best), -1), np.full(len(best), np.inf)
    counts = set(zip(problem.covering.group.tolist(), problem.covering.values.tolist(), strict=True))
    wanted = np.zeros(len(problem.pair_sites), dtype=bool)
    wanted[problem.covering.values] = True
    for found in pair_paths(whole, graph, speeds, pairs=wanted):
        rows, places = [], []
        for position, edge in enumerate(found.edge.tolist()):
            here = slice(first[edge], first[edge + 1])
            if here.start < here.stop and (edge, found.pair) in counts:
                rows.append(np.arange(here.start, here.stop))
                places.append(found.place_m(position, middle_m[here], graph))
        if not rows:
            continue
        row, place = np.concatenate(rows), np.concatenate(places)
        stretch_m = expected_stretch_m(found.path, place, settings=settings, budget=budget)
        length_m = float(found.path.length_m.sum())
        known = np.where(np.isfinite(stretch_m), stretch_m, np.inf)
        better = (known < best[row]) | ((known == best[row]) & (length_m < shortest_m[row]))
        best[row[better]], shortest_m[row[better]] = known[better], length_m
        best_pair[row[better]] = found.pair
    return best_pair, np.where(np.isfinite(best), best, np.nan)
