"""What a survey teaches about the wave speeds of its mains, for its report and for the next survey."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from netcorr.position.network.speeds import group_shares
from netcorr.speed.calibration import BY_SURVEY, SCALE_RANGE, SpeedScale
from netcorr.speed.materials import PIPE_MATERIALS
from netcorr.speed.wave_speed import WaveSpeed

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from numpy.typing import NDArray

    from netcorr.position.network.linear import Learnt, Name
    from netcorr.position.network.pipes import ReachedPipes
    from netcorr.position.network.weigh import Weighed
    from netcorr.speed.calibration import Calibration

#: Errors of speeds are wider than pairs that repeat each other make them: 1.4 times on simulated districts.
WIDER = 1.4
#: A speed is told when the survey knows it at least so much better than the tables,
BETTER_BY = 0.8
#: (by a known noise, which is surer, at least so much)
TAUGHT_BETTER_BY = 0.95
#: of a group that the survey went through: one that stood still has no spread, and nothing was learnt of it,
LEAST_SD = 1e-6
#: and only a source as probable as this teaches anything.
LEAST_LEAK = 0.9
#: A main is taken as measured when its own speed is known at least so much better.
MAIN_BETTER_BY = 0.5


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

    def told(self, by: str, *, known: SpeedScale | None = None) -> str:
        """One sentence on how it is known.

        Parameters
        ----------
        by : str
            What it is known by.
        known : SpeedScale, optional
            Scale that the speeds of the survey were calibrated with already: it is told against that.

        Returns
        -------
        str
            Speed, error, and both against what was known before.
        """
        off = 100 * (self.scale - 1)
        against = "the tables, which say it to" if known is None else "what was known before, to"
        return (
            f"wave speed in {self.label} by {by}: {self.speed_m_s:.0f} m/s, "
            f"give or take {100 * self.scale_sd:.1f} % ({off:+.1f} % against {against} "
            f"{100 * self.table_sd:.1f} %)"
        )

    @property
    def label(self) -> str:
        """The group as people call it."""
        material, comma, rest = self.group.partition(",")
        known = PIPE_MATERIALS.get(material)
        return (known.label if known else material.replace("_", " ")) + comma + rest

    def as_scale(self, known: SpeedScale | None = None, *, source: str = BY_SURVEY) -> SpeedScale | None:
        """Scale for a calibration file; None for a group that such a file cannot name.

        Parameters
        ----------
        known : SpeedScale, optional
            Scale that the speeds of the survey were calibrated with already: it says what the group is.
        source : str, optional
            Where the speed comes from.

        Returns
        -------
        SpeedScale or None
            Against the tables.
        """
        factor = known.scale if known is not None else 1.0
        scale = self.scale * factor
        low, high = SCALE_RANGE
        material = self.group if known is None else known.material
        if material not in PIPE_MATERIALS or not low <= scale <= high:
            return None
        return SpeedScale(
            material,
            scale=scale,
            scale_sd=self.scale_sd * factor,
            surveys=1,
            diameter_mm=None if known is None else known.diameter_mm,
            years=None if known is None else known.years,
            source=source,
        )


def known_scale(speed: LearnedSpeed, calibration: Calibration | None) -> SpeedScale | None:
    """Scale that the speeds of a group were calibrated with already."""
    scales = calibration.scales if calibration is not None else ()
    return next((scale for scale in scales if scale.label == speed.group), None)


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


def _learned(
    group: str,
    pipes: ReachedPipes,
    mine: NDArray[np.bool_],
    *,
    slowness: float,
    sd: float,
    table_sd: float,
) -> LearnedSpeed:
    """Speed of a group from its slowness factor; the mean is that of the pieces flagged."""
    mean_m_s = float(np.average(pipes.speed_m_s[mine], weights=pipes.length_m[mine]))
    return LearnedSpeed(
        group=group,
        scale=1 / slowness,
        scale_sd=sd / slowness**2,
        speed_m_s=mean_m_s / slowness,
        table_sd=table_sd,
    )


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
        found.append(_learned(group, pipes, mine, slowness=slowness, sd=sd, table_sd=float(table[number])))
    return tuple(found)


def measured_mains(
    learnt: Learnt, pipes: ReachedPipes, *, names: Collection[Name], wider: float, source: str
) -> dict[str, WaveSpeed]:
    """Mains whose own speed is known much better after measured delays.

    Parameters
    ----------
    learnt, pipes, names, wider
        As in `learned_from`.
    source : str
        Where the speeds come from.

    Returns
    -------
    dict of str to WaveSpeed
        By asset id. What is left of the error is each main's own.

    Notes
    -----
    After a delay along a single main its own error and that of its material are each half known, and their
    sum is known well: taken as two independent errors again it would be lost.
    """
    table = group_shares(pipes)
    found = {}
    for piece in range(pipes.pipe.size):
        group, main = int(pipes.group[piece]), int(pipes.pipe[piece])
        if ("main", main) not in names:
            continue
        excess, sd = learnt.of({("group", group): 1.0, ("main", main): 1.0})
        sd *= wider
        before = math.hypot(float(table[group]), float(pipes.own_share[piece]))
        if sd < MAIN_BETTER_BY * before:
            speed_m_s = float(pipes.speed_m_s[piece]) / (1 + excess)
            own_m_s = speed_m_s * sd / (1 + excess)
            found[str(pipes.data[piece]["pipe_id"])] = WaveSpeed(speed_m_s, 0.0, own_m_s, source, source)
    return found


def learned_from(
    learnt: Learnt, pipes: ReachedPipes, *, names: Collection[Name], wider: float
) -> tuple[LearnedSpeed, ...]:
    """Speeds that measured delays of known ways teach.

    Parameters
    ----------
    learnt : Learnt
        With unknowns ("group", number) and ("main", number).
    pipes : ReachedPipes
        The mains.
    names : collection of name
        Unknowns that the delays hold.
    wider : float
        By how much errors are wider than `learnt` has them.

    Returns
    -------
    tuple of LearnedSpeed
        One for each group that is known better than before; its speed is the mean of the mains of the ways.
    """
    table = group_shares(pipes)
    gone = np.isin(pipes.pipe, [name[1] for name in names if isinstance(name, tuple) and name[0] == "main"])
    found = []
    for number, group in enumerate(pipes.groups):
        if ("group", number) not in names:
            continue
        excess, sd = learnt.of({("group", number): 1.0})
        slowness, sd = 1 + excess, wider * sd
        if not LEAST_SD < sd < TAUGHT_BETTER_BY * table[number]:
            continue
        mine = (pipes.group == number) & gone
        found.append(_learned(group, pipes, mine, slowness=slowness, sd=sd, table_sd=float(table[number])))
    return tuple(found)
