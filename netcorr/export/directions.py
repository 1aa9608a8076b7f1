"""Which way to set off from a fitting along the main."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from netcorr.export.result_tables import path_line
from netcorr.network.ground import bearings_deg

if TYPE_CHECKING:
    from netcorr.path.correlation_path import CorrelationPath

_COMPASS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")

#: A crew sees this far along a street when it sets off. [m]
_SIGHT_M = 10.0

#: A main that turns by more than this is said to bend. [degrees]
_BEND_DEG = 20.0


def compass_word(bearing_deg: float) -> str:
    """Compass direction in words.

    Parameters
    ----------
    bearing_deg : float
        Clockwise from north. [degrees]

    Returns
    -------
    str
        One of eight.

    Examples
    --------
    >>> compass_word(3), compass_word(359), compass_word(-90), compass_word(130)
    ('north', 'north', 'west', 'south-east')
    """
    return _COMPASS[round(bearing_deg / 45) % 8]


def start_direction(path: CorrelationPath) -> str:
    """Direction in which the main leaves A's fitting, over the first ten metres.

    Parameters
    ----------
    path : CorrelationPath
        Path from A to B.

    Returns
    -------
    str
        Compass direction in words.
    """
    return compass_word(_bearing_deg(path, 0.0, _SIGHT_M))


def bends_on_the_way(path: CorrelationPath, distance_m: float) -> bool:
    """Whether the main turns so much between A and a place that the crew must follow it.

    Parameters
    ----------
    path : CorrelationPath
        Path from A to B.
    distance_m : float
        Place, from A along the main. [m]

    Returns
    -------
    bool
        True when the way along the main and the straight line part by more than 20 degrees.
    """
    reach_m = min(max(distance_m, 0.0), path.length_m)
    if reach_m <= _SIGHT_M:
        return False
    start = _bearing_deg(path, 0.0, _SIGHT_M)
    end = _bearing_deg(path, reach_m - _SIGHT_M, reach_m)
    return abs((end - start + 180) % 360 - 180) > _BEND_DEG


def _bearing_deg(path: CorrelationPath, from_m: float, to_m: float) -> float:
    line = path_line(path)
    share = np.clip(np.array([from_m, to_m]) / path.length_m, 0, 1)
    (x1, y1), (x2, y2) = shapely.get_coordinates(
        shapely.line_interpolate_point(line, share, normalized=True)
    ).tolist()
    return float(bearings_deg(x1, y1, x2, y2, path.crs)[0])
