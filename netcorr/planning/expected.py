"""How long the 95 % stretch of a leak would be, anywhere between two sensors, before anything is recorded.

The position follows from the delay as ``dx = -c dt / 2`` with the speed at the place; what makes the delay
uncertain is known beforehand: speeds (common to a material, and of each pipe), lengths, clocks, and how well
noise of the planned loudness can be timed at all (Cramer-Rao).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from netcorr.errors import PlanError
from netcorr.planning.reach import COMMON_BUDGET, SoundBudget

if TYPE_CHECKING:
    from netcorr.planning.problem import Flags, Floats, Ints

#: Bands in which leak noise is timed; on a path with plastic the lower one. Common practice. [Hz]
METAL_BAND_HZ = (200.0, 800.0)
PLASTIC_BAND_HZ = (40.0, 160.0)


@dataclass(frozen=True)
class FixSettings:
    """What makes a position uncertain; the defaults are those of locating.

    Attributes
    ----------
    clock_sd_s : float
        Standard deviation of a logger's clock. [s]
    length_sd_m, length_sd_share : float
        Standard deviation of where the two fittings stand along the main, and of a length from the map as a
        share of it. [m]
    model_sd_m : float
        What the model of one clean wave does not know. [m]
    level : float
        Probability that the stretch holds.

    Raises
    ------
    PlanError
        If a value cannot be right.
    """

    clock_sd_s: float = 0.0002
    length_sd_m: float = 0.3
    length_sd_share: float = 0.003
    model_sd_m: float = 0.1
    level: float = 0.95

    def __post_init__(self) -> None:
        for name in ("clock_sd_s", "length_sd_m", "length_sd_share", "model_sd_m"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0):
                raise PlanError(f"setting {name}", found=str(value), remedy="give 0 or a positive number")
        if not 0 < self.level < 1:
            raise PlanError("setting level", found=str(self.level), remedy="give a number between 0 and 1")


@dataclass(frozen=True, eq=False)
class PlannedPath:
    """The main between two sensors, in the order from A to B.

    Attributes
    ----------
    length_m, speed_m_s : numpy.ndarray of float, shape (n,)
        Of each part. [m], [m/s]
    common_sd_m_s, pipe_sd_m_s : numpy.ndarray of float, shape (n,)
        Parts of the speed's error. [m/s]
    group, pipe : numpy.ndarray of int, shape (n,)
        Parts with the same number share the common error, or are of one pipe.
    share : numpy.ndarray of float, shape (n,)
        What each part takes of the reach.
    node_share : numpy.ndarray of float, shape (n - 1,)
        What passing the nodes between the parts takes of it.
    plastic : numpy.ndarray of bool, shape (n,)
        Whether each part is of plastic.
    """

    length_m: Floats
    speed_m_s: Floats
    common_sd_m_s: Floats
    pipe_sd_m_s: Floats
    group: Ints
    pipe: Ints
    share: Floats
    node_share: Floats
    plastic: Flags


def expected_stretch_m(
    path: PlannedPath,
    from_a_m: Floats,
    *,
    settings: FixSettings | None = None,
    budget: SoundBudget = COMMON_BUDGET,
) -> Floats:
    """Expected length of the 95 % stretch of a leak.

    Parameters
    ----------
    path : PlannedPath
        Main between the two sensors.
    from_a_m : numpy.ndarray of float, shape (k,)
        Places of the leak, from A. [m]
    settings : FixSettings, optional
        What makes a position uncertain.
    budget : SoundBudget
        Loudness of the leak, and length of one recording.

    Returns
    -------
    numpy.ndarray of float, shape (k,)
        Length of the stretch, cut off at the sensors. NaN where a speed on the path is not known. [m]

    Notes
    -----
    The delay is ``sum D_i / c_i``, with ``D_i`` the length of part i on B's side of the leak less that on
    A's. An error common to a group acts on the sum of its parts, one of a pipe on its own; the delay's own
    variance is the Cramer-Rao bound ``1 / (2 T int (2 pi f)^2 C / (1 - C) df)`` with the coherence
    ``C = s_A s_B / ((1 + s_A)(1 + s_B))`` of a flat band. It holds for one recording of one pair.

    References
    ----------
    Knapp, C. and Carter, G. (1976). The generalized correlation method for estimation of time delay. IEEE
    Trans. Acoust. Speech Signal Process. 24(4), 320-327.

    Examples
    --------
    >>> iron = PlannedPath(
    ...     *(np.array([one]) for one in (120.0, 1250.0, 25.0, 12.0)), np.array([0]), np.array([0]),
    ...     np.array([0.9]), np.zeros(0), np.array([False]))
    >>> expected_stretch_m(iron, np.array([10.0, 60.0])).round(1).tolist()
    [4.5, 1.2]
    """
    settings = settings or FixSettings()
    sd_m = position_sd_m(path, from_a_m, settings=settings, budget=budget)
    half_m = NormalDist().inv_cdf(0.5 + settings.level / 2) * sd_m
    total_m = float(path.length_m.sum())
    low, high = np.maximum(from_a_m - half_m, 0.0), np.minimum(from_a_m + half_m, total_m)
    return np.asarray(high - low)


def position_sd_m(
    path: PlannedPath, from_a_m: Floats, *, settings: FixSettings, budget: SoundBudget = COMMON_BUDGET
) -> Floats:
    """Expected standard deviation of the position of a leak, shape (k,). [m]"""
    x = np.asarray(from_a_m, dtype=float)
    ends = np.cumsum(path.length_m)
    starts = ends - path.length_m
    inside = np.clip(x[None, :], starts[:, None], ends[:, None])
    difference_m = (ends[:, None] - inside) - (inside - starts[:, None])
    which = np.minimum(np.searchsorted(ends, x, side="right"), len(ends) - 1)
    speed = path.speed_m_s[which]
    slowness_sd = np.stack([path.common_sd_m_s, path.pipe_sd_m_s]) / path.speed_m_s**2
    variance = np.zeros(len(x))
    for owner, sd in zip((path.group, path.pipe), slowness_sd, strict=True):
        parts = np.zeros((int(owner.max()) + 1, len(x)))
        np.add.at(parts, owner, difference_m * sd[:, None])
        variance += (parts**2).sum(axis=0)
    length_sd_m = math.hypot(settings.length_sd_m, settings.length_sd_share * float(ends[-1]))
    variance += (length_sd_m / speed) ** 2 + (2 * settings.model_sd_m / speed) ** 2
    variance += 2 * settings.clock_sd_s**2 + _timing_variance_s2(path, inside - starts[:, None], budget)
    return np.asarray(speed / 2 * np.sqrt(variance))


def _timing_variance_s2(path: PlannedPath, on_a_side_m: Floats, budget: SoundBudget) -> Floats:
    """Cramer-Rao bound of the delay for leaks with so much of each part on A's side, shape (k,). [s2]"""
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.where(path.length_m > 0, path.share / path.length_m, 0.0)
    share_a = (on_a_side_m * part[:, None]).sum(axis=0)
    ends = np.cumsum(path.length_m)[:-1]
    at_m = on_a_side_m.sum(axis=0)
    passed = (at_m[None, :] > ends[:, None]).T @ path.node_share if len(ends) else np.zeros(len(at_m))
    total = float(path.share.sum() + path.node_share.sum())
    share_a = np.clip(share_a + passed, 0.0, total)
    coherence = np.ones(len(at_m))
    for share in (share_a, total - share_a):
        ratio = 10 ** ((budget.source_db - share * budget.budget_db) / 10)
        coherence *= ratio / (1 + ratio)
    low_hz, high_hz = PLASTIC_BAND_HZ if path.plastic.any() else METAL_BAND_HZ
    squares = (2 * math.pi) ** 2 * (high_hz**3 - low_hz**3) / 3
    return np.asarray((1 - coherence) / (2 * budget.recording_s * coherence * squares))
