"""How often and how well, with what so few leaks can tell."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from netcorr.rehearsal.judge import Outcome
    from netcorr.rehearsal.run import RehearsedLeak

#: Normal quantile of a two-sided interval of 95 %.
_Z95 = 1.959964


@dataclass(frozen=True)
class Share:
    """A share with its sampling error.

    Attributes
    ----------
    hits, of : int
        Times that it happened, and could have.
    """

    hits: int
    of: int

    @property
    def value(self) -> float:
        """Share, NaN of nothing."""
        return self.hits / self.of if self.of else math.nan

    @property
    def interval(self) -> tuple[float, float]:
        """Interval that holds the true share 95 times in 100, 0 to 1.

        References
        ----------
        Wilson, E. B. (1927). Probable inference, the law of succession, and statistical inference. J. Am.
        Stat. Assoc. 22(158), 209-212.

        Examples
        --------
        >>> low, high = Share(8, 10).interval
        >>> round(low, 3), round(high, 3)
        (0.49, 0.943)
        """
        if not self.of:
            return 0.0, 1.0
        p, n = self.value, self.of
        centre = (p + _Z95**2 / (2 * n)) / (1 + _Z95**2 / n)
        half = _Z95 / (1 + _Z95**2 / n) * math.sqrt(p * (1 - p) / n + _Z95**2 / (4 * n**2))
        return max(centre - half, 0.0), min(centre + half, 1.0)


@dataclass(frozen=True)
class Summary:
    """What came of some of the leaks.

    Attributes
    ----------
    name : str
        Which: 'all', or a material.
    count : int
        How many.
    outcomes : dict of str to int
        How many of each outcome that there was.
    found, helped, told_wrongly : Share
        Found near the point; those and the ones that lie in the area told; told to be where it is not.
    median_m, p90_m : float
        Error of the points told between sensors; NaN without one. [m]
    area_m : float
        Median of the pipe to search of those. [m]
    """

    name: str
    count: int
    outcomes: dict[Outcome, int]
    found: Share
    helped: Share
    told_wrongly: Share
    median_m: float
    p90_m: float
    area_m: float


def summarise(leaks: Sequence[RehearsedLeak], *, name: str = "all") -> Summary:
    """Sum up some leaks.

    Parameters
    ----------
    leaks : sequence of RehearsedLeak
        Any number.
    name : str
        What to call them.

    Returns
    -------
    Summary
        Counts, shares and quantiles.
    """
    outcomes = Counter(one.told.outcome for one in leaks)
    errors_m = [one.told.error_m for one in leaks if math.isfinite(one.told.error_m)]
    areas_m = [one.told.area_m for one in leaks if math.isfinite(one.told.error_m)]
    helped = sum(one.told.helped for one in leaks)
    return Summary(
        name=name,
        count=len(leaks),
        outcomes=dict(outcomes),
        found=Share(outcomes["found"], len(leaks)),
        helped=Share(helped, len(leaks)),
        told_wrongly=Share(outcomes["wrong place"], len(leaks)),
        median_m=float(np.median(errors_m)) if errors_m else math.nan,
        p90_m=float(np.quantile(errors_m, 0.9)) if errors_m else math.nan,
        area_m=float(np.median(areas_m)) if areas_m else math.nan,
    )


def summarise_by(leaks: Sequence[RehearsedLeak], key: Callable[[RehearsedLeak], str]) -> tuple[Summary, ...]:
    """Sum up the leaks of each kind, the most frequent first."""
    kinds: dict[str, list[RehearsedLeak]] = {}
    for one in leaks:
        kinds.setdefault(key(one), []).append(one)
    return tuple(
        summarise(some, name=name) for name, some in sorted(kinds.items(), key=lambda pair: -len(pair[1]))
    )
