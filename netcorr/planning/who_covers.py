"""Who covers what in a plan: the closest pair of every stretch, and what hangs on every single site."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from netcorr.planning.problem import ChoiceProblem, Flags, Floats, Ints


@dataclass(frozen=True, eq=False)
class WhoCovers:
    """Pairs of sites that stand at the same time, and what they cover.

    Attributes
    ----------
    closest : numpy.ndarray of int, shape (n,)
        Shortest pair that covers each stretch; -1 when none does.
    pairs : numpy.ndarray of int, shape (n,)
        Pairs that cover each stretch.
    pairs_of_site : numpy.ndarray of int, shape (s,)
        Pairs that each site is one end of, and that cover something.
    only_by_m : numpy.ndarray of float, shape (s,)
        Length that would not be covered without the site. [m]
    """

    closest: Ints
    pairs: Ints
    pairs_of_site: Ints
    only_by_m: Floats


def who_covers(
    problem: ChoiceProblem, setups: Sequence[Ints], *, folds: int = 1, wanted: Flags | None = None
) -> WhoCovers:
    """Find the pairs of one or more setups that cover each stretch.

    Parameters
    ----------
    problem : ChoiceProblem
        The problem.
    setups : sequence of numpy.ndarray of int
        Sites that stand at the same time.
    folds : int
        Pairs that a stretch needs.
    wanted : numpy.ndarray of bool, shape (n,), optional
        Stretches that count for `only_by_m`; all unless given.

    Returns
    -------
    WhoCovers
        A pair that stands in several setups counts once.

    Examples
    --------
    >>> from netcorr.planning import CandidateSites, MainsGraph, build_problem
    >>> street = MainsGraph(
    ...     3, np.array([0, 1]), np.array([1, 2]), np.array([60.0, 50.0]), np.full(2, 120.0), np.ones(2)
    ... )
    >>> problem = build_problem(street, CandidateSites.at_nodes([0, 1, 2]))
    >>> found = who_covers(problem, [np.array([0, 1, 2])])
    >>> found.pairs.tolist(), found.only_by_m.tolist()
    ([2, 2], [60.0, 0.0, 50.0])
    """
    stands = np.zeros(len(problem.covering.values), dtype=bool)
    for sites in setups:
        here = np.zeros(len(problem.sites), dtype=bool)
        here[sites] = True
        stands |= here[problem.covering_from] & here[problem.covering_to]
    stretch, pair = problem.covering.group[stands], problem.covering.values[stands]
    count, n = len(problem.stretches), len(problem.sites)
    pairs = np.bincount(stretch, minlength=count)
    closest = np.full(count, -1)
    order = np.lexsort((problem.pair_length_m[pair], stretch))[::-1]  # the last one written is the shortest
    closest[stretch[order]] = pair[order]
    key = np.concatenate(
        [stretch * n + problem.covering_from[stands], stretch * n + problem.covering_to[stands]]
    )
    slot, own = np.unique(key, return_counts=True)
    one, site = slot // max(n, 1), slot % max(n, 1)
    lost = (pairs[one] >= folds) & (pairs[one] - own < folds)
    if wanted is not None:
        lost &= wanted[one]
    length_m = problem.stretches.length_m
    return WhoCovers(
        closest=closest,
        pairs=pairs,
        pairs_of_site=np.bincount(problem.pair_sites[np.unique(pair)].ravel(), minlength=n),
        only_by_m=np.bincount(site[lost], length_m[one[lost]], minlength=n).astype(float),
    )
