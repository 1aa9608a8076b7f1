"""Travel times along a path: the delay that a leak at each point would give, and how well it is known.

Speeds are never averaged: times are summed segment by segment. With ``D_i`` the length of segment i on B's
side of the leak less that on A's side and ``u_i = 1 / c_i``, the delay is ``sum D_i u_i``. An error common to
a material acts on the sum of its ``D_i``, one of a single pipe on its own ``D_i``: at mid-span of several
pipes of one material and speed the first vanishes and the second does not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from netcorr.position.dispersion import path_dispersion

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.delay.dispersion import Dispersion
    from netcorr.path.correlation_path import CorrelationPath
    from netcorr.position.settings import LocateSettings
    from netcorr.speed.wave_speed import WaveSpeed

#: Spacing of the points along the path. [m]
SPACING_M = 0.05


@dataclass(frozen=True, eq=False)
class PathTimes:
    """Delays along a path with the parts of their uncertainty.

    Attributes
    ----------
    position_m : numpy.ndarray
        Shape (n,): distance from A along the main. [m]
    delay_s : numpy.ndarray
        Shape (n,): arrival at B minus arrival at A for a leak there; falls from A to B. [s]
    speed_m_s : numpy.ndarray
        Shape (n,): wave speed at the point. [m/s]
    speed_sd_s, length_sd_s, model_sd_s : numpy.ndarray
        Shape (n,): standard deviations of the delay from speeds, lengths with leads, and the model. [s]
    clock_sd_s : float
        Standard deviation of the clocks' difference. [s]
    lead_a_s, lead_b_s : float
        Travel times of the leads. [s]
    dispersion : Dispersion or None
        Phase beside the delays, where the speed changes with frequency.
    """

    position_m: NDArray[np.float64]
    delay_s: NDArray[np.float64]
    speed_m_s: NDArray[np.float64]
    speed_sd_s: NDArray[np.float64]
    length_sd_s: NDArray[np.float64]
    model_sd_s: NDArray[np.float64]
    clock_sd_s: float
    lead_a_s: float
    lead_b_s: float
    dispersion: Dispersion | None = None

    @property
    def travel_time_s(self) -> float:
        """Time from contact point to contact point. [s]"""
        return float((self.delay_s[0] - self.delay_s[-1]) / 2 + self.lead_a_s + self.lead_b_s)

    def sd_s(self, *, clock_sd_s: float) -> NDArray[np.float64]:
        """Standard deviation of the delay at each point, with a given clock part, shape (n,). [s]"""
        total: NDArray[np.float64] = np.sqrt(
            self.speed_sd_s**2 + self.length_sd_s**2 + self.model_sd_s**2 + clock_sd_s**2
        )
        return total

    @property
    def longest_delay_s(self) -> float:
        """Largest magnitude of delay worth searching: the ends with four standard deviations. [s]"""
        sd = self.sd_s(clock_sd_s=self.clock_sd_s)
        leads = 2 * max(self.lead_a_s, self.lead_b_s)
        ends = max(abs(self.delay_s[0]) + 4 * sd[0], abs(self.delay_s[-1]) + 4 * sd[-1])
        return float(ends + leads)


def path_times(
    path: CorrelationPath, speeds: Sequence[WaveSpeed], *, settings: LocateSettings, clock_sd_s: float
) -> PathTimes:
    """Delay of a leak at every point of a path.

    Parameters
    ----------
    path : CorrelationPath
        From A to B.
    speeds : sequence of WaveSpeed
        One for each segment of `path`.
    settings : LocateSettings
        Standard deviations of lengths, leads and the model.
    clock_sd_s : float
        Standard deviation of the clocks' difference. [s]

    Returns
    -------
    PathTimes
        Delays and the parts of their uncertainty.
    """
    lengths = np.array([segment.length_m for segment in path.segments])
    ends = np.cumsum(lengths)
    starts = ends - lengths
    x = np.linspace(0.0, float(ends[-1]), max(int(np.ceil(ends[-1] / SPACING_M)), 8) + 1)
    u = np.array([1 / speed.speed_m_s for speed in speeds])
    inside = np.clip(x[None, :], starts[:, None], ends[:, None])
    difference_m = (ends[:, None] - inside) - (inside - starts[:, None])
    lead_a_s, lead_b_s = path.lead_a_m * u[0], path.lead_b_m * u[-1]
    which = np.minimum(np.searchsorted(ends, x, side="right"), lengths.size - 1)
    unmeasured_sd_m = np.hypot(settings.length_sd_m, settings.length_sd_share * ends[-1])
    leads_sd_s = settings.lead_sd_share * np.hypot(lead_a_s, lead_b_s)
    return PathTimes(
        position_m=x,
        delay_s=u @ difference_m + lead_b_s - lead_a_s,
        speed_m_s=1 / u[which],
        speed_sd_s=_speed_sd_s(path, speeds, difference_m=difference_m),
        length_sd_s=np.hypot(unmeasured_sd_m * u[which], leads_sd_s),
        model_sd_s=2 * settings.model_sd_m * u[which],
        clock_sd_s=clock_sd_s,
        lead_a_s=float(lead_a_s),
        lead_b_s=float(lead_b_s),
        dispersion=path_dispersion(path, speeds, settings=settings),
    )


def _speed_sd_s(
    path: CorrelationPath, speeds: Sequence[WaveSpeed], *, difference_m: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Standard deviation of the delay from both parts of the speeds' errors, shape (n,)."""
    groups: dict[str, NDArray[np.float64]] = {}
    pipes: dict[str, NDArray[np.float64]] = {}
    for segment, speed, d in zip(path.segments, speeds, difference_m, strict=True):
        common = d * (speed.common_sd_m_s / speed.speed_m_s**2)
        own = d * (speed.pipe_sd_m_s / speed.speed_m_s**2)
        groups[speed.group] = groups.get(speed.group, 0.0) + common
        pipes[segment.pipe_id] = pipes.get(segment.pipe_id, 0.0) + own
    variance = sum(part**2 for part in (*groups.values(), *pipes.values()))
    return np.sqrt(np.asarray(variance, dtype=np.float64))
