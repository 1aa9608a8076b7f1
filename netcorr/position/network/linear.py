"""Speeds, clocks and places of loggers as Gaussian unknowns, and what measured delays teach about them.

A delay between two loggers of a noise whose way is known is a sum: the time in each group of pipes times what
its slowness is off, the time in each main times what it alone is off, the difference of the clocks, and what
is wrong with the places of the loggers. Of many such delays the unknowns follow by weighted least squares
with what was known before as the prior (as clocks of ocean-bottom seismometers are found from noise).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Name of an unknown: ("group", 0), ("clock", "L1") ...
Name = Hashable


@dataclass(frozen=True)
class Measured:
    """One measured delay, less what was foretold.

    Attributes
    ----------
    excess_s : float
        Measured delay minus the one foretold. [s]
    noise_sd_s : float
        Standard deviation of what is this delay's own. [s]
    parts : mapping of name to float
        How much of each unknown the excess holds.
    """

    excess_s: float
    noise_sd_s: float
    parts: Mapping[Name, float]


@dataclass(frozen=True, eq=False)
class Learnt:
    """What is known of the unknowns after the delays.

    Attributes
    ----------
    names : tuple
        Of the unknowns.
    mean : numpy.ndarray
        Shape (n,): 0 is what was taken before.
    covariance : numpy.ndarray
        Shape (n, n).
    misfit : float
        Mean square of the excesses by what they could have been expected to be: about 1 where the prior and
        the delays belong together, 0 without delays.
    """

    names: tuple[Name, ...]
    mean: Floats
    covariance: Floats
    misfit: float

    def of(self, parts: Mapping[Name, float]) -> tuple[float, float]:
        """Mean and standard deviation of a sum of unknowns; a name that no unknown has is a KeyError.

        Parameters
        ----------
        parts : mapping of name to float
            How much of each unknown.

        Returns
        -------
        (float, float)
            Mean, standard deviation.
        """
        row = _row(parts, {name: k for k, name in enumerate(self.names)})
        return float(row @ self.mean), math.sqrt(max(float(row @ self.covariance @ row), 0.0))


def learn(prior_sd: Mapping[Name, float], delays: Sequence[Measured]) -> Learnt:
    """Bring prior and delays together.

    Parameters
    ----------
    prior_sd : mapping of name to float
        Standard deviation of each unknown before; their means are 0.
    delays : sequence of Measured
        Any number; each part is one of the unknowns.

    Returns
    -------
    Learnt
        Posterior.

    Raises
    ------
    KeyError
        If a delay holds something that is no unknown.

    Notes
    -----
    With ``H`` the parts, ``P`` the prior's covariance, ``R`` that of the noise and ``r`` the excesses:
    ``mean = K r``, ``covariance = P - K H P`` with ``K = P H' (H P H' + R)^-1``.

    Examples
    --------
    One delay of two unknowns that are as uncertain as each other: each takes half of it.

    >>> one = Measured(0.002, 1e-9, {"speed": 1.0, "clock": 1.0})
    >>> found = learn({"speed": 0.001, "clock": 0.001}, [one])
    >>> found.mean.round(6).tolist(), round(found.misfit, 3)
    ([0.001, 0.001], 2.0)
    """
    names = tuple(prior_sd)
    number = {name: k for k, name in enumerate(names)}
    prior = _squares([prior_sd[name] for name in names])
    if not delays:
        return Learnt(names, np.zeros(len(names)), prior, 0.0)
    design = np.stack([_row(one.parts, number) for one in delays])
    excess = np.array([one.excess_s for one in delays])
    expected = design @ prior @ design.T + _squares([one.noise_sd_s for one in delays])
    gain = np.linalg.solve(expected, design @ prior).T
    covariance = prior - gain @ design @ prior
    return Learnt(
        names=names,
        mean=gain @ excess,
        covariance=(covariance + covariance.T) / 2,
        misfit=float(excess @ np.linalg.solve(expected, excess) / excess.size),
    )


def usual_misfit(delays: int, *, level: float = 0.95) -> float:
    """Misfit that so many delays stay below with this probability when all is as it was taken to be.

    Parameters
    ----------
    delays : int
        Number of delays, 1 or more.
    level : float, default 0.95
        Probability.

    Returns
    -------
    float
        Of chi-squared over its degrees of freedom.

    Examples
    --------
    >>> round(usual_misfit(1), 2), round(usual_misfit(20), 2)
    (3.84, 1.57)
    """
    return float(2 * special.gammaincinv(delays / 2, level) / delays)


def _squares(sd: Sequence[float]) -> Floats:
    """Covariance of independent values."""
    return np.diag(np.array(sd, dtype=np.float64) ** 2)


def _row(parts: Mapping[Name, float], number: Mapping[Name, int]) -> Floats:
    row = np.zeros(len(number))
    for name, share in parts.items():
        row[number[name]] += share
    return row
