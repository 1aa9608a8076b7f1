"""Which way to set off from a fitting along the main."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from netcorr.network.ground import bearings_deg
from netcorr.path.reference import direction_words, points_at

if TYPE_CHECKING:
    from netcorr.path.correlation_path import CorrelationPath

#: A crew sees this far along a street when it sets off. [m]
_SIGHT_M = 10.0

#: A main that turns by more than this is said to bend. [degrees]
_BEND_DEG = 20.0


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
    return direction_words(_bearing_deg(path, 0.0, _SIGHT_M))


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
        True when the main heads elsewhere at that place than at the start, by more than 20 degrees.
    """
    reach_m = min(max(distance_m, 0.0), path.length_m)
    if reach_m <= _SIGHT_M:
        return False
    start = _bearing_deg(path, 0.0, _SIGHT_M)
    end = _bearing_deg(path, reach_m - _SIGHT_M, reach_m)
    return abs((end - start + 180) % 360 - 180) > _BEND_DEG


def _bearing_deg(path: CorrelationPath, from_m: float, to_m: float) -> float:
    places = points_at(path, np.clip([from_m, to_m], 0.0, path.length_m))
    (x1, y1), (x2, y2) = shapely.get_coordinates(places).tolist()
    return float(bearings_deg(x1, y1, x2, y2, path.crs)[0])
