"""Intervals for shares and medians that hold for few data as well."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import bdtr, ndtri

from netcorr.errors import VerificationError

#: Probability that the intervals hold.
LEVEL = 0.95
#: Below this many, a share or a median is said to rest on few data (judgement: 9 of 10 then means anything
#: from 60 to 98 %).
FEW = 10


@dataclass(frozen=True)
class Interval:
    """A value with its interval.

    Attributes
    ----------
    value : float
        Share or median; NaN without data.
    low, high : float
        95 % interval; infinite where so few data bound nothing.
    count : int
        Data that it rests on.
    """

    value: float
    low: float
    high: float
    count: int

    @property
    def is_few(self) -> bool:
        """Whether it rests on few data."""
        return self.count < FEW


def wilson(successes: int, count: int, *, level: float = LEVEL) -> Interval:
    """Share with Wilson's score interval.

    Parameters
    ----------
    successes, count : int
        So many of so many.
    level : float
        Probability that the interval holds.

    Returns
    -------
    Interval
        From 0 to 1 without data.

    Raises
    ------
    VerificationError
        If there are more successes than trials, or fewer than none.

    References
    ----------
    Wilson (1927), J. Am. Stat. Assoc. 22, 209; Brown, Cai and DasGupta (2001), Statistical Science 16, 101.

    Examples
    --------
    >>> nine = wilson(9, 10)
    >>> round(nine.low, 3), round(nine.high, 3)
    (0.596, 0.982)
    """
    if not 0 <= successes <= count:
        raise VerificationError(
            "share", found=f"{successes} of {count}", remedy="give no more successes than trials"
        )
    if count == 0:
        return Interval(math.nan, 0.0, 1.0, 0)
    z2 = float(ndtri((1 + level) / 2)) ** 2
    share = successes / count
    middle = (share + z2 / (2 * count)) / (1 + z2 / count)
    half = math.sqrt(share * (1 - share) * z2 / count + z2**2 / (4 * count**2)) / (1 + z2 / count)
    # rounding must not move an end that is exact off its place
    low = 0.0 if successes == 0 else max(middle - half, 0.0)
    high = 1.0 if successes == count else min(middle + half, 1.0)
    return Interval(share, low, high, count)


def median(values: Sequence[float], *, level: float = LEVEL) -> Interval:
    """Median with the interval between two of the values, whatever their distribution.

    Parameters
    ----------
    values : sequence of float
        Any unit; none negative.
    level : float
        Least probability that the interval holds.

    Returns
    -------
    Interval
        Up to infinity where there are too few values for an upper end (below 6 at 95 %).

    References
    ----------
    Conover (1999), Practical Nonparametric Statistics, 3.2: order statistics and the binomial distribution.

    Examples
    --------
    >>> median([0.1, 0.2, 0.3, 0.4, 0.5, 0.6])
    Interval(value=0.35, low=0.1, high=0.6, count=6)
    """
    ordered = sorted(values)
    n = len(ordered)
    if n == 0:
        return Interval(math.nan, 0.0, math.inf, 0)
    middle = (ordered[(n - 1) // 2] + ordered[n // 2]) / 2
    # the median lies below the k-th smallest with the probability of fewer than k heads in n throws
    k = 0
    while float(bdtr(k, n, 0.5)) <= (1 - level) / 2:
        k += 1
    if k < 1:
        return Interval(middle, 0.0, math.inf, n)
    return Interval(middle, ordered[k - 1], ordered[n - k], n)
