"""What an assumption of the map does to the speed of a pipe: the speeds it would have otherwise, by share."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from netcorr.errors import SpeedError
from netcorr.speed import MEASURED

if TYPE_CHECKING:
    from collections.abc import Callable

    from netcorr.network import Alternative
    from netcorr.path.correlation_path import PathSegment
    from netcorr.speed.wave_speed import WaveSpeed

#: Spread that an assumption adds to the speed of a pipe where nobody says what else it could be, as a share
#: of it (judgement: iron for ductile iron or the next size is 3 %, asbestos cement for iron 20 %; plastic for
#: iron nothing covers).
ASSUMED_SHARE = 0.08
#: How far the speed is off, as a share of it, where an attribute is another that nobody named. A material
#: whose other has the usual share of 1/3 then adds `ASSUMED_SHARE`; half or twice the diameter changes the
#: speed in iron by 4 to 9 %, and the wall of an earlier or later year by about 2 % (`pipe_wave_speed`).
ANOTHER_SHARE = {"material": math.sqrt(3) * ASSUMED_SHARE, "diameter": 0.06, "year": 0.02}

_FIELDS = {"material": "material", "diameter": "diameter_mm", "year": "year"}


def with_assumed(
    speed: WaveSpeed, segment: PathSegment, *, speed_of: Callable[[PathSegment], WaveSpeed]
) -> WaveSpeed:
    """Widen the speed of a pipe by what its assumed attributes could be instead, and say so.

    Parameters
    ----------
    speed : WaveSpeed
        Speed of the pipe as it is assumed to be.
    segment : PathSegment
        The pipe, with what was assumed and what else it could be.
    speed_of : callable
        Speed of a pipe, for the others.

    Returns
    -------
    WaveSpeed
        The same speed; the sum of share times (other speed - speed)^2 is added to the square of its own
        spread. As it was where nothing is assumed, or the speed was measured.

    Notes
    -----
    The speed stays that of the assumed pipe, which is the one that a crew can check, instead of the mean over
    all that it could be; the sum is about that speed, so that it holds the difference of the mean too.
    """
    if not segment.assumed or speed.group == MEASURED:
        return speed
    sd_m_s = assumed_sd_m_s(speed, segment, speed_of=speed_of)
    said = f"{segment.assumed}: so its speed may be off by {sd_m_s:.0f} m/s more (standard deviation)"
    return replace(
        speed,
        pipe_sd_m_s=math.hypot(speed.pipe_sd_m_s, sd_m_s),
        assumptions=(said if sd_m_s else segment.assumed, *speed.assumptions),
    )


def assumed_sd_m_s(
    speed: WaveSpeed, segment: PathSegment, *, speed_of: Callable[[PathSegment], WaveSpeed]
) -> float:
    """Spread that the assumptions about a pipe add to its speed.

    Parameters
    ----------
    speed, segment, speed_of
        As in `with_assumed`.

    Returns
    -------
    float
        Standard deviation; 0 where nothing else is possible. [m/s]
    """
    if segment.could_be is None:
        return ASSUMED_SHARE * speed.speed_m_s
    return math.sqrt(
        sum(one.share * _difference_m_s(speed, segment, one, speed_of) ** 2 for one in segment.could_be)
    )


def _difference_m_s(
    speed: WaveSpeed, segment: PathSegment, other: Alternative, speed_of: Callable[[PathSegment], WaveSpeed]
) -> float:
    """How far off the speed is if the pipe is another; the usual distance where no table has that one."""
    if other.value is not None:
        try:
            field: dict[str, Any] = {_FIELDS[other.attribute]: other.value}
            changed = replace(segment, **field)
            return speed_of(changed).speed_m_s - speed.speed_m_s
        except SpeedError:
            pass
    return ANOTHER_SHARE[other.attribute] * speed.speed_m_s
