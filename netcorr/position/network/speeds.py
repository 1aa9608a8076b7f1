"""Speeds of the groups of pipes as unknowns of a survey: a grid over their common errors.

The delay at a place is the sum over groups of time in the group times its slowness factor, 1 where the
tables are right and above 1 where the wave is slower. Factors of the groups that matter most are gone through
on a grid; those of the others blur the delays.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from netcorr.position.network.pipes import ReachedPipes

    Floats = NDArray[np.float64]

#: Grids reach so many standard deviations to either side,
REACH_SD = 3.0
#: of one group with so many points, of the two that matter most with so many each,
POINTS = {1: 13, 2: 7}
#: and a group with a smaller share of the time than this only blurs.
LEAST_TIME_SHARE = 0.08


@dataclass(frozen=True, eq=False)
class SpeedGrid:
    """Slowness factors to be gone through.

    Attributes
    ----------
    factor : numpy.ndarray
        Shape (c, g): slowness factor of each group in each combination.
    log_prior : numpy.ndarray
        Shape (c,): log of the prior probability of each, summing to 1.
    blur_share : numpy.ndarray
        Shape (g,): what is left between the points of the grid, as a share of the time in the group.
    free : tuple of int
        Groups that the grid goes through.
    """

    factor: Floats
    log_prior: Floats
    blur_share: Floats
    free: tuple[int, ...]

    def moments(self, log_posterior: Floats) -> tuple[Floats, Floats]:
        """Mean and standard deviation of the factors, from the log of each combination's probability."""
        weight = np.exp(log_posterior - log_posterior.max())
        weight /= weight.sum()
        mean = weight @ self.factor
        variance = weight @ (self.factor - mean) ** 2
        return mean, np.sqrt(variance + self.blur_share**2 * np.isin(np.arange(mean.size), self.free) / 3)


def group_shares(pipes: ReachedPipes) -> Floats:
    """Common standard deviation of each group's speed, as a share of it, shape (g,); pipes by their time."""
    travel_s = pipes.travel_s
    time_s = np.bincount(pipes.group, travel_s, minlength=len(pipes.groups))
    variance = np.bincount(pipes.group, travel_s * pipes.common_share**2, minlength=len(pipes.groups))
    shares: Floats = np.sqrt(variance / np.maximum(time_s, 1e-12))
    return shares


def prior_grid(pipes: ReachedPipes, *, points: Mapping[int, int] = POINTS) -> SpeedGrid:
    """Grid over what the tables leave open.

    Parameters
    ----------
    pipes : ReachedPipes
        The mains, with the common part of the error of each group.
    points : mapping of int to int
        Points for each group by the number of groups gone through.

    Returns
    -------
    SpeedGrid
        Through the one or two groups that matter most.
    """
    share = group_shares(pipes)
    time_s = np.bincount(pipes.group, pipes.travel_s, minlength=share.size)
    matter = share * time_s
    free = [
        int(g)
        for g in np.argsort(-matter)
        if share[g] > 1e-4 and time_s[g] >= LEAST_TIME_SHARE * time_s.sum()
    ][: max(POINTS)]
    return _grid(np.ones(share.size), share, free=tuple(free), share=share, points=points)


def fixed_grid(pipes: ReachedPipes) -> SpeedGrid:
    """The tables' speeds alone, with all that is uncertain of them as blur."""
    share = group_shares(pipes)
    return _grid(np.ones(share.size), share, free=(), share=share)


def narrowed_grid(grid: SpeedGrid, log_posterior: Floats, *, pipes: ReachedPipes) -> SpeedGrid:
    """Grid about where a first look at the evidence puts the speeds.

    Parameters
    ----------
    grid : SpeedGrid
        Of the first look.
    log_posterior : numpy.ndarray
        Shape (c,): log of the probability of each of its combinations.
    pipes : ReachedPipes
        For the prior.

    Returns
    -------
    SpeedGrid
        Finer where the evidence says more than the tables.
    """
    mean, sd = grid.moments(log_posterior)
    share = group_shares(pipes)
    return _grid(mean, np.minimum(sd * 1.2, share), free=grid.free, share=share)


def _grid(
    centre: Floats,
    sd: Floats,
    *,
    free: tuple[int, ...],
    share: Floats,
    points: Mapping[int, int] = POINTS,
) -> SpeedGrid:
    """Evenly spaced factors about a centre, with the prior of the tables at each."""
    blur = share.copy()
    if not free:
        return SpeedGrid(np.ones((1, share.size)), np.zeros(1), blur, free)
    axes = []
    for group in free:
        axis = centre[group] + sd[group] * np.linspace(-REACH_SD, REACH_SD, points[len(free)])
        blur[group] = 0.5 * float(axis[1] - axis[0])
        axes.append(axis)
    chosen = np.array(list(product(*axes)))
    factor = np.ones((len(chosen), share.size))
    factor[:, list(free)] = chosen
    # the blur is part of the prior's width
    width = np.sqrt(np.maximum(share**2 - blur**2 / 3, (0.5 * share) ** 2))[list(free)]
    log_prior = -0.5 * (((chosen - 1) / width) ** 2).sum(axis=1)
    step = np.array([axis[1] - axis[0] for axis in axes])
    log_norm = float(np.sum(np.log(step / (width * np.sqrt(2 * np.pi)))))
    return SpeedGrid(factor, log_prior + log_norm, blur, free)
