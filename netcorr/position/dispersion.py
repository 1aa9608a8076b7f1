"""Dispersion along a path: the phase that belongs to a leak at each of a few places."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from netcorr.delay.dispersion import Dispersion
from netcorr.errors import SpeedError
from netcorr.speed import pipe_wall
from netcorr.speed.dispersion import relative_slowness

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.path.correlation_path import CorrelationPath, PathSegment
    from netcorr.position.settings import LocateSettings
    from netcorr.speed import PipeWall
    from netcorr.speed.wave_speed import WaveSpeed

#: Frequencies at which the phase is worked out. [Hz]
FREQUENCY_HZ = np.concatenate([[1.0], np.geomspace(5.0, 3000.0, 60)])
#: Those from 10 to 500 Hz count for how finely the places are spaced: leak noise in plastic is lost above.
_COUNTED = np.flatnonzero(np.abs(FREQUENCY_HZ - 255.0) <= 245.0)
#: Phase from place to place; what interpolating leaves of a correlogram is cos of half of it. [rad]
STEP_RAD = 0.6
MOST_PLACES = 13
#: Less phase than this at either end changes nothing worth the time. [rad]
NEGLIGIBLE_RAD = 0.3


def path_dispersion(
    path: CorrelationPath, speeds: Sequence[WaveSpeed], *, settings: LocateSettings
) -> Dispersion | None:
    """Phase beside the nominal delays of a path, for places from end to end.

    Parameters
    ----------
    path : CorrelationPath
        From A to B.
    speeds : sequence of WaveSpeed
        One for each segment: the nominal ones.
    settings : LocateSettings
        Water temperature.

    Returns
    -------
    Dispersion or None
        None where the speed hardly changes with frequency, as in iron of common sizes, or where a pipe's
        wall is not known.

    Notes
    -----
    Pipes whose speed was measured change theirs with frequency as their material and size say.
    """
    try:
        excess = np.stack([_excess(segment, settings=settings) for segment in path.segments])
    except SpeedError:
        return None
    lengths = np.array([segment.length_m for segment in path.segments])
    u = np.array([1 / speed.speed_m_s for speed in speeds])
    leads = np.array([path.lead_a_m, path.lead_b_m])
    ends = np.array([0.0, float(lengths.sum())])
    phase = _phase(ends, lengths=lengths, u=u, leads=leads, excess=excess)[1]
    most = float(np.abs(phase[:, _COUNTED]).max())
    if most < NEGLIGIBLE_RAD:
        return None
    # places at every joint of two pipes, since the phase changes its slope there, and evenly in between
    count = min(max(math.ceil(2 * most / STEP_RAD), 2), MOST_PLACES)
    joints_m = np.cumsum(lengths)[:-1] if lengths.size < MOST_PLACES else ends
    places = np.union1d(np.linspace(0.0, ends[1], count + 1), joints_m)
    delay_s, phase = _phase(places, lengths=lengths, u=u, leads=leads, excess=excess)
    order = np.argsort(delay_s)
    apart = np.concatenate([[True], np.diff(delay_s[order]) > 1e-6])
    return Dispersion(delay_s[order][apart], FREQUENCY_HZ, phase[order][apart])


def _excess(segment: PathSegment, *, settings: LocateSettings) -> NDArray[np.float64]:
    """Slowness of one pipe over the nominal one, less 1, at `FREQUENCY_HZ`."""
    wall = pipe_wall(segment.material, segment.diameter_mm, wall_mm=segment.wall_mm, year=segment.year)
    return _excess_of(wall, settings.temperature_c)


@lru_cache(maxsize=1024)
def _excess_of(wall: PipeWall, temperature_c: float) -> NDArray[np.float64]:
    """The same of a wall: many pipes have the same one."""
    excess: NDArray[np.float64] = relative_slowness(FREQUENCY_HZ, wall, temperature_c=temperature_c) - 1
    excess.flags.writeable = False
    return excess


def _phase(
    places_m: NDArray[np.float64],
    *,
    lengths: NDArray[np.float64],
    u: NDArray[np.float64],
    leads: NDArray[np.float64],
    excess: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Nominal delay and phase of places along the path, shapes (m,) and (m, k)."""
    ends = np.cumsum(lengths)
    starts = ends - lengths
    inside = np.clip(places_m[:, None], starts, ends)
    by_pipe_s = ((ends - inside) - (inside - starts)) * u
    # leads are taken to be of the pipe that they stand on
    by_pipe_s[:, 0] -= leads[0] * u[0]
    by_pipe_s[:, -1] += leads[1] * u[-1]
    return by_pipe_s.sum(axis=1), 2 * np.pi * FREQUENCY_HZ * (by_pipe_s @ excess)
