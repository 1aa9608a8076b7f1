"""What a survey teaches about the wave speeds of its mains, for its report and for the next survey."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from netcorr.position.network.speeds import group_shares
from netcorr.speed.calibration import BY_SURVEY, SCALE_RANGE, SpeedScale
from netcorr.speed.materials import PIPE_MATERIALS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from netcorr.position.network.pipes import ReachedPipes
    from netcorr.position.network.weigh import Weighed
    from netcorr.speed.calibration import Calibration

#: Errors of speeds are wider than pairs that repeat each other make them: 1.4 times on simulated districts.
WIDER = 1.4
#: A speed is told when the survey knows it at least so much better than the tables,
BETTER_BY = 0.8
#: of a group that the survey went through: one that stood still has no spread, and nothing was learnt of it,
LEAST_SD = 1e-6
#: and only a source as probable as this teaches anything.
LEAST_LEAK = 0.9


@dataclass(frozen=True)
class LearnedSpeed:
    """Wave speed of a group of pipes as the survey has it.

    Attributes
    ----------
    group : str
        Pipes that share it.
    scale, scale_sd : float
        Speed over that of the tables, and its standard deviation.
    speed_m_s : float
        Speed, mean of the pipes within reach weighed by their length. [m/s]
    table_sd : float
        Standard deviation of the tables' value, as a share of it.
    """

    group: str
    scale: float
    scale_sd: float
    speed_m_s: float
    table_sd: float

    def __str__(self) -> str:
        """One sentence."""
        off = 100 * (self.scale - 1)
        material = PIPE_MATERIALS.get(self.group)
        name = material.label if material else self.group.replace("_", " ")
        return (
            f"wave speed in {name} by this survey itself: {self.speed_m_s:.0f} m/s, "
            f"give or take {100 * self.scale_sd:.1f} % ({off:+.1f} % against the tables, which say it to "
            f"{100 * self.table_sd:.1f} %)"
        )

    def as_scale(self, known: SpeedScale | None = None) -> SpeedScale | None:
        """Scale for a calibration file; None for a group that such a file cannot name.

        Parameters
        ----------
        known : SpeedScale, optional
            Scale that the speeds of the survey were calibrated with already.

        Returns
        -------
        SpeedScale or None
            Against the tables.
        """
        factor = known.scale if known is not None else 1.0
        scale = self.scale * factor
        low, high = SCALE_RANGE
        if self.group not in PIPE_MATERIALS or not low <= scale <= high:
            return None
        return SpeedScale(
            self.group, scale=scale, scale_sd=self.scale_sd * factor, surveys=1, source=BY_SURVEY
        )


def learned_scales(speeds: Sequence[LearnedSpeed], calibration: Calibration | None) -> tuple[SpeedScale, ...]:
    """What a survey teaches, as scales for a calibration file.

    Parameters
    ----------
    speeds : sequence of LearnedSpeed
        As the survey has them.
    calibration : Calibration or None
        What it started from.

    Returns
    -------
    tuple of SpeedScale
        One for each material as a whole that the survey knows better than before.
    """
    scales = []
    for one in speeds:
        known = calibration.scale_of(one.group) if calibration is not None else None
        scale = one.as_scale(known)
        if scale is not None:
            scales.append(scale)
    return tuple(scales)


def learned_speeds(weighed: Weighed, pipes: ReachedPipes) -> tuple[LearnedSpeed, ...]:
    """Speeds that a survey knows better than the tables.

    Parameters
    ----------
    weighed : Weighed
        Of the clearest source.
    pipes : ReachedPipes
        The mains.

    Returns
    -------
    tuple of LearnedSpeed
        One for each such group; none where nothing lasting was heard.
    """
    if weighed.leak < LEAST_LEAK:
        return ()
    table = group_shares(pipes)
    found = []
    for number, group in enumerate(pipes.groups):
        slowness, sd = float(weighed.slowness[number]), WIDER * float(weighed.slowness_sd[number])
        if not LEAST_SD < sd < BETTER_BY * table[number]:
            continue
        mine = pipes.group == number
        mean_m_s = float(np.average(pipes.speed_m_s[mine], weights=pipes.length_m[mine]))
        found.append(
            LearnedSpeed(
                group=group,
                scale=1 / slowness,
                scale_sd=sd / slowness**2,
                speed_m_s=mean_m_s / slowness,
                table_sd=float(table[number]),
            )
        )
    return tuple(found)
