"""The smallest part of a path that holds the leak with a given probability."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Stretches closer than this are one: nobody digs around half a metre. [m]
JOIN_M = 0.5
#: A gap of just that much is closed whichever way the last digit of the spacing falls. [m]
_ROUNDING_M = 1e-6


@dataclass(frozen=True)
class Stretch:
    """One connected part of the region.

    Attributes
    ----------
    low_m, high_m : float
        Its ends, from A. [m]
    best_m : float
        Most probable point. [m]
    mass : float
        Probability inside it, given a leak between the sensors.
    sd_m : float
        Standard deviation inside it. [m]
    """

    low_m: float
    high_m: float
    best_m: float
    mass: float
    sd_m: float


def highest_density_stretches(
    position_m: NDArray[np.float64],
    density_per_m: NDArray[np.float64],
    *,
    level: float,
    sure_level: float | None = None,
) -> tuple[Stretch, ...]:
    """Highest-density region as stretches of pipe, most probable first.

    Parameters
    ----------
    position_m : numpy.ndarray
        Shape (n,): evenly spaced. [m]
    density_per_m : numpy.ndarray
        Shape (n,), integrates to 1. [1/m]
    level : float
        Probability to hold, 0 to 1.
    sure_level : float, optional
        Beyond this level only points are taken at which the leak is likelier than anywhere on average: the
        last percent is often spread over all of the path, in which every ripple would be a stretch.

    Returns
    -------
    tuple of Stretch
        Together they hold at least `level`, or less of it where `sure_level` is given, and then all that
        stands out.

    Examples
    --------
    >>> x = np.linspace(0, 100, 2001)
    >>> density = np.exp(-((x - 40) ** 2) / 2) / np.sqrt(2 * np.pi)
    >>> (stretch,) = highest_density_stretches(x, density, level=0.95)
    >>> round(stretch.low_m, 1), round(stretch.high_m, 1), round(stretch.best_m, 1)
    (38.0, 42.0, 40.0)
    """
    step_m = float(position_m[1] - position_m[0])
    mass = density_per_m / density_per_m.sum()
    order = np.argsort(mass)[::-1]
    count = int(np.searchsorted(np.cumsum(mass[order]), level)) + 1
    if sure_level is not None:
        sure = int(np.searchsorted(np.cumsum(mass[order]), sure_level)) + 1
        count = min(count, max(sure, int(np.count_nonzero(mass > 1 / mass.size))))
    chosen = np.zeros(mass.size, dtype=bool)
    chosen[order[:count]] = True
    index = np.flatnonzero(chosen)
    breaks = np.flatnonzero(np.diff(index) * step_m > JOIN_M + _ROUNDING_M)
    firsts = index[np.concatenate([[0], breaks + 1])]
    lasts = index[np.concatenate([breaks, [index.size - 1]])]
    stretches = [
        _stretch(position_m, mass, first=int(first), last=int(last), step_m=step_m)
        for first, last in zip(firsts, lasts, strict=True)
    ]
    return tuple(sorted(stretches, key=lambda stretch: -stretch.mass))


def _stretch(
    position_m: NDArray[np.float64], mass: NDArray[np.float64], *, first: int, last: int, step_m: float
) -> Stretch:
    """Summary of one connected part; a point stands for half a step on either side."""
    x, m = position_m[first : last + 1], mass[first : last + 1]
    total = float(m.sum())
    mean = float((x * m).sum() / total)
    variance = float(((x - mean) ** 2 * m).sum() / total) + step_m**2 / 12
    return Stretch(
        low_m=max(float(x[0]) - step_m / 2, float(position_m[0])),
        high_m=min(float(x[-1]) + step_m / 2, float(position_m[-1])),
        best_m=float(x[np.argmax(m)]),
        mass=total,
        sd_m=float(np.sqrt(variance)),
    )
