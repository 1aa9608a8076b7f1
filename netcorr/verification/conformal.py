"""How much wider areas must be to hold as many leaks as they say, learned from finds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from netcorr.errors import VerificationError

#: Levels that are tried, and how many standard deviations a Gaussian error needs for each.
LEVELS = ((0.9, 1.6449), (0.95, 1.96))


@dataclass(frozen=True)
class Widening:
    """What finds say of the stated standard deviations of a group of materials.

    Attributes
    ----------
    group : str
        metal, plastic or other.
    level : float
        Share of leaks that the widened interval holds.
    multiplier : float
        Times the standard deviation, on either side, that holds so many.
    factor : float
        The same against what a Gaussian error needs: 1 where the stated deviation is right.
    count : int
        Finds that it rests on.
    """

    group: str
    level: float
    multiplier: float
    factor: float
    count: int


def widenings(group: str, scores: Sequence[float]) -> tuple[Widening, ...]:
    """Split-conformal multipliers of one group.

    Parameters
    ----------
    group : str
        Name of the group.
    scores : sequence of float
        Size of each error over its stated standard deviation.

    Returns
    -------
    tuple of Widening
        One for each level that so many finds can speak for: 9 for 90 %, 19 for 95 %.

    Raises
    ------
    VerificationError
        If a score is negative or not a number.

    Notes
    -----
    The ``ceil((n + 1) level)``-th smallest of n scores holds the next one with at least that probability,
    whatever the distribution, as long as the next find is of the same kind as these.

    References
    ----------
    Vovk, Gammerman and Shafer (2005), Algorithmic Learning in a Random World; Lei et al. (2018), J. Am.
    Stat. Assoc. 113, 1094.

    Examples
    --------
    >>> [one.multiplier for one in widenings("metal", [0.2, 0.4, 0.5, 0.7, 0.9, 1.0, 1.3, 1.8, 2.4])]
    [2.4]
    >>> widenings("metal", [0.2, 0.4])
    ()
    """
    ordered = sorted(scores)
    if any(not score >= 0 for score in ordered):
        raise VerificationError("scores", found="a negative one", remedy="give sizes of errors")
    n = len(ordered)
    found = []
    for level, gaussian in LEVELS:
        place = math.ceil((n + 1) * level - 1e-9)
        if place <= n:
            multiplier = ordered[place - 1]
            found.append(Widening(group, level, multiplier, multiplier / gaussian, n))
    return tuple(found)
