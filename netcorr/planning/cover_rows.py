"""Inequalities that every covering choice of sites obeys: the rows of the integer programme.

The pairs that cover a stretch join sites on one side of it to sites on the other. A choice covers the stretch
when it holds both ends of one such pair. So whichever set of sites touches all of these pairs, one of it must
be chosen: the two sides are such sets, and every other vertex cover gives a row as well. Together the rows
say exactly what covering means. There are too many of them to write down, but the one that a solution breaks
most is a minimum cut, found for all stretches in a single flow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from netcorr.planning.problem import Ragged

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.planning.problem import ChoiceProblem, Flags, Floats, Ints

#: Flows are whole numbers: this many stand for one site.
_ONE_SITE = 1_000_000


@dataclass(frozen=True, eq=False)
class Targets:
    """Stretches that are wanted, those that exactly the same pairs cover taken as one.

    Attributes
    ----------
    stretch : numpy.ndarray of int, shape (t,)
        One stretch of each.
    weight : numpy.ndarray of float, shape (t,)
        What covering all of it is worth.
    pairs : Ragged
        Pairs that cover each.
    site_a, site_b : numpy.ndarray of int
        Beside `pairs.values`: their sites on one side and on the other.
    """

    stretch: Ints
    weight: Floats
    pairs: Ragged
    site_a: Ints
    site_b: Ints

    @classmethod
    def of(cls, problem: ChoiceProblem, *, folds: int = 1, wanted: Flags | None = None) -> Targets:
        """Gather the stretches that `folds` pairs can cover."""
        keep = problem.coverable(folds=folds)
        if wanted is not None:
            keep = keep & wanted
        groups: dict[bytes, list[int]] = {}
        for k in np.flatnonzero(keep).tolist():
            groups.setdefault(problem.covering[k].tobytes(), []).append(k)
        stretch = np.array([members[0] for members in groups.values()], dtype=np.intp)
        weights = problem.stretches.weight
        start, values = problem.covering.start, problem.covering.values
        counts = start[stretch + 1] - start[stretch]
        bounds = np.concatenate([[0], np.cumsum(counts)]).astype(np.intp)
        entry = np.repeat(start[stretch] - bounds[:-1], counts) + np.arange(bounds[-1])
        return cls(
            stretch=stretch,
            weight=np.array([weights[members].sum() for members in groups.values()]),
            pairs=Ragged(bounds, values[entry]),
            site_a=problem.covering_from[entry],
            site_b=problem.covering_to[entry],
        )

    def __len__(self) -> int:
        return len(self.stretch)


@dataclass(frozen=True, eq=False)
class Row:
    """Of `sites` at least one is chosen, or the target is not covered."""

    target: int
    sites: Ints

    @property
    def key(self) -> tuple[int, bytes]:
        """What makes two rows the same."""
        return self.target, self.sites.tobytes()


class CoverRows:
    """Rows for some targets: the sides to start with, and others as solutions break them.

    Parameters
    ----------
    targets : Targets
        What is to be covered.
    site_count : int
        Number of sites of the problem.
    """

    def __init__(self, targets: Targets, *, site_count: int) -> None:
        target, n = targets.pairs.group, site_count
        one, first = np.unique(target * n + targets.site_a, return_inverse=True)
        other, second = np.unique(target * n + targets.site_b, return_inverse=True)
        self._target = np.concatenate([one, other]) // max(n, 1)
        self._site = np.concatenate([one, other]) % max(n, 1)
        self._count, self._ones = len(targets), len(one)
        vertices = len(one) + len(other)
        self._source, self._sink = vertices, vertices + 1
        self._tail = np.concatenate([np.full(len(one), vertices), first, len(one) + np.arange(len(other))])
        self._head = np.concatenate(
            [np.arange(len(one)), len(one) + second, np.full(len(other), vertices + 1)]
        )
        self._pairs = len(first)

    def sides(self) -> list[Row]:
        """Rows of the two sides of every target."""
        rows = []
        for part in (slice(None, self._ones), slice(self._ones, None)):
            lists = Ragged.grouped(self._target[part], values=self._site[part], count=self._count)
            rows += [Row(k, lists[k]) for k in range(len(lists))]
        return rows

    def broken(self, chosen: Floats, covered: Floats, *, tolerance: float = 1e-3) -> list[Row]:
        """Rows that a solution breaks, at most one for each target: the one it breaks most.

        Parameters
        ----------
        chosen : numpy.ndarray of float, shape (s,)
            How far each site is chosen, 0 to 1.
        covered : numpy.ndarray of float, shape (t,)
            How far each target is claimed to be covered, 0 to 1.
        tolerance : float
            Smaller violations do not count.

        Returns
        -------
        list of Row
            Empty when the solution obeys them all.
        """
        if not self._count:
            return []
        in_cover = self._least_cover(chosen)
        target, site = self._target[in_cover], self._site[in_cover]
        weight = np.bincount(target, chosen[site], minlength=self._count)
        lists = Ragged.distinct(target, values=site, count=self._count)
        return [Row(int(k), lists[int(k)]) for k in np.flatnonzero(weight < covered - tolerance)]

    def _least_cover(self, chosen: Floats) -> NDArray[np.bool_]:
        """Vertices of the least vertex cover of each target's pairs, by a flow from side to side."""
        units = np.maximum(np.rint(chosen * _ONE_SITE), 0).astype(np.int32)
        of_vertex = units[self._site]
        capacity = np.concatenate(
            [
                of_vertex[: self._ones],
                np.full(self._pairs, 2 * _ONE_SITE, dtype=np.int32),
                of_vertex[self._ones :],
            ]
        )
        size = self._sink + 1
        network: Any = sparse.csr_matrix((capacity, (self._tail, self._head)), shape=(size, size))
        flow = csgraph.maximum_flow(network, self._source, self._sink, method="dinic").flow
        left: Any = sparse.csr_matrix(network - flow)
        left.data = (left.data > 0).astype(np.int32)
        left.eliminate_zeros()
        reached = np.zeros(size, dtype=bool)
        reached[csgraph.breadth_first_order(left, self._source, return_predecessors=False)] = True
        sides = reached[: self._source]
        return np.concatenate([~sides[: self._ones], sides[self._ones :]])
