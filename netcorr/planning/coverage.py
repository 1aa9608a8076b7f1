"""The judge: which stretches given sites cover, and how often. It knows nothing of how sites are chosen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from netcorr.errors import PlanError
from netcorr.planning.problem import ChoiceProblem, Stretches

if TYPE_CHECKING:
    from netcorr.planning.problem import Flags, Ints


@dataclass(frozen=True, eq=False)
class Coverage:
    """What some sites cover.

    Attributes
    ----------
    stretches : Stretches
        What may be covered.
    pairs : numpy.ndarray of int, shape (n,)
        How many pairs of the sites cover each stretch.
    heard : numpy.ndarray of bool, shape (n,)
        Whether some site lies on one side at least of a pair that would cover the stretch.
    """

    stretches: Stretches
    pairs: Ints
    heard: Flags

    def covered(self, *, folds: int = 1) -> Flags:
        """Whether each stretch is covered by `folds` pairs at least."""
        return self.pairs >= folds

    def length_m(self, *, folds: int = 1) -> float:
        """Length covered. [m]"""
        return float(self.stretches.length_m[self.covered(folds=folds)].sum())

    def weight(self, *, folds: int = 1) -> float:
        """Weight covered."""
        return float(self.stretches.weight[self.covered(folds=folds)].sum())


def covered_by(problem: ChoiceProblem, sites: Any) -> Coverage:
    """Count the pairs of the given sites that cover each stretch.

    Parameters
    ----------
    problem : ChoiceProblem
        The problem.
    sites : array-like of int
        Numbers of the sites, each once, in any order.

    Returns
    -------
    Coverage
        For every stretch.

    Raises
    ------
    PlanError
        If a number is no site of the problem.

    Examples
    --------
    >>> import numpy as np
    >>> from netcorr.planning import CandidateSites, MainsGraph, build_problem
    >>> chain = MainsGraph(
    ...     3,
    ...     from_node=np.array([0, 1]),
    ...     to_node=np.array([1, 2]),
    ...     length_m=np.array([60.0, 50.0]),
    ...     reach_m=np.full(2, 120.0),
    ...     weight=np.array([60.0, 50.0]),
    ... )
    >>> problem = build_problem(chain, CandidateSites.at_nodes([0, 1, 2]))
    >>> coverage = covered_by(problem, [0, 2])
    >>> coverage.pairs.tolist(), coverage.length_m()
    ([1, 1], 110.0)
    """
    chosen = np.zeros(len(problem.sites), dtype=bool)
    numbers = np.asarray(sites, dtype=np.intp)
    if len(numbers) and not 0 <= numbers.min() <= numbers.max() < len(chosen):
        raise PlanError(
            "sites to judge",
            found=f"numbers up to {numbers.max()}, while there are {len(chosen)} sites",
            remedy="number sites as the problem does",
        )
    chosen[numbers] = True
    stretch = problem.covering.group
    at_from, at_to = chosen[problem.covering_from], chosen[problem.covering_to]
    count = len(problem.stretches)
    return Coverage(
        stretches=problem.stretches,
        pairs=np.bincount(stretch[at_from & at_to], minlength=count),
        heard=np.bincount(stretch[at_from | at_to], minlength=count) > 0,
    )
