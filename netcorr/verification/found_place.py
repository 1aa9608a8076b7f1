"""Where a leak really was, brought to the pipe between the sensors."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from netcorr.path.reference import distance_along

if TYPE_CHECKING:
    from netcorr.path.correlation_path import CorrelationPath
    from netcorr.position.fix import Candidate
    from netcorr.verification.visit import Visit

#: A place farther from the pipe than this, beyond twice the map's accuracy, is on another pipe. [m]
ACROSS_M = 3.0
#: A measured offset and a moved point that differ by more than this contradict each other. [m]
DISAGREE_M = 1.0

#: How the place is known.
BY_OFFSET = "measured along the main"
BY_POINT = "point moved on the map"


@dataclass(frozen=True)
class FoundPlace:
    """Where a crew found the leak.

    Attributes
    ----------
    from_a_m : float or None
        Distance from A along the path, below 0 or above its length beyond a sensor; None where it is not
        known. [m]
    across_m : float or None
        Distance of a moved point from the pipe. [m]
    known_by : str
        `BY_OFFSET`, `BY_POINT` or empty.
    doubts : tuple of str
        What does not fit, one clause each.
    """

    from_a_m: float | None = None
    across_m: float | None = None
    known_by: str = ""
    doubts: tuple[str, ...] = ()


def found_place(
    visit: Visit, candidate: Candidate, path: CorrelationPath, *, map_accuracy_m: float
) -> FoundPlace:
    """Place of a find along the path of its candidate.

    Parameters
    ----------
    visit : Visit
        What the crew recorded; a place counts only where the leak was found.
    candidate : Candidate
        What was predicted.
    path : CorrelationPath
        Pipe between its sensors.
    map_accuracy_m : float
        How far a main may lie from where it is drawn. [m]

    Returns
    -------
    FoundPlace
        The measured offset counts before the moved point: a tape is better than a finger on a screen.
    """
    if not visit.is_found or not candidate.in_bracket:
        return FoundPlace()
    doubts = []
    moved_m, across_m = None, None
    if visit.place is not None:
        placed = distance_along(path, visit.place)
        moved_m, across_m = placed.from_a_m, placed.offset_m
        limit_m = ACROSS_M + 2 * map_accuracy_m
        if across_m > limit_m:
            doubts.append(
                f"the moved point lies {across_m:.1f} m from the pipe between {path.sensor_a} and "
                f"{path.sensor_b}, so the leak was on another pipe or the point is wrong"
            )
            moved_m = None
    if visit.offset_m is None:
        return FoundPlace(moved_m, across_m, BY_POINT if moved_m is not None else "", tuple(doubts))
    at_m = candidate.from_a_m + visit.offset_m
    if moved_m is not None and abs(moved_m - at_m) > DISAGREE_M:
        doubts.append(
            f"the measured offset says {at_m:.1f} m from {path.sensor_a}, the moved point {moved_m:.1f} m; "
            "the offset counts"
        )
    if not -DISAGREE_M <= at_m <= path.length_m + DISAGREE_M:
        beyond = path.sensor_a if at_m < 0 else path.sensor_b
        doubts.append(f"the measured offset leads beyond {beyond}")
    return FoundPlace(at_m, across_m, BY_OFFSET, tuple(doubts))
