"""The product of this folder: a wave speed with the two parts of its spread."""

from __future__ import annotations

import math
from dataclasses import dataclass

from netcorr.errors import SpeedError


@dataclass(frozen=True)
class WaveSpeed:
    """Speed of the leak-noise wave in one pipe.

    Attributes
    ----------
    speed_m_s : float
        Best value. [m/s]
    common_sd_m_s : float
        Standard deviation of the part of the error that all pipes of `group` share (temperature, elastic
        modulus of the material). [m/s]
    pipe_sd_m_s : float
        Standard deviation of the part that belongs to each pipe alone (wall, bedding, age). [m/s]
    group : str
        Pipes with the same group share the common error.
    source : str
        Where the value comes from, in a few words.
    assumptions : tuple of str
        What was assumed because the map does not say it, one sentence each.
    """

    speed_m_s: float
    common_sd_m_s: float
    pipe_sd_m_s: float
    group: str
    source: str
    assumptions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not (math.isfinite(self.speed_m_s) and 50 <= self.speed_m_s <= 2000):
            raise SpeedError(
                f"wave speed from {self.source}",
                found=f"{self.speed_m_s} m/s",
                remedy="sound in a water main travels between 50 and 2000 m/s; check value and unit",
            )
        for name, sd in (("common", self.common_sd_m_s), ("per pipe", self.pipe_sd_m_s)):
            if not (math.isfinite(sd) and sd >= 0):
                raise SpeedError(
                    f"wave speed from {self.source}",
                    found=f"{name} standard deviation {sd} m/s",
                    remedy="give 0 or a positive number",
                )
