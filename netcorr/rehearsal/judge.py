"""What was told, held against where the leak was put."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

from netcorr.network.ground import geodesic_distances_m, geodesic_lengths_m, ground_metric
from netcorr.rehearsal.places import along_pipes_m, place_on

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shapely import LineString, Point

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.position import Candidate, SurveyFix
    from netcorr.rehearsal.places import LeakPlace

#: More pipe than this nobody searches (judgement). [m]
SEARCHABLE_M = 100.0

#: What became of a rehearsed leak, the best first.
Outcome = Literal[
    "found",
    "in the area",
    "beyond a sensor",
    "not heard",
    "wrong place",
    "no answer",
    "out of reach",
]
OUTCOMES: tuple[Outcome, ...] = get_args(Outcome)


@dataclass(frozen=True, eq=False)
class Told:
    """What the technician would have been told of one leak.

    Attributes
    ----------
    outcome : Outcome
        'found': the point told lies near the leak. 'in the area': farther away, but the leak lies in the area
        to search. 'beyond a sensor': told to come from at or beyond a sensor, where it does. 'not heard': no
        candidate. 'wrong place': the leak is not where it was told to be. 'no answer': the survey was
        refused. 'out of reach': fewer than two sites near.
    error_m : float
        From the point told to the leak along the pipes; NaN where no point between sensors was told. [m]
    probability : float
        That was stated for it; 0 without a candidate.
    in_area : bool
        Whether the leak lies in the area told.
    area_m : float
        Pipe to search. [m]
    sensor_a, sensor_b : str
        Fittings of the pair that was told; empty without one.
    point : shapely.Point or None
        Point told, in the network's CRS.
    words : str
        One sentence: what was said, or why nothing was.
    """

    outcome: Outcome
    error_m: float = math.nan
    probability: float = 0.0
    in_area: bool = False
    area_m: float = 0.0
    sensor_a: str = ""
    sensor_b: str = ""
    point: Point | None = None
    words: str = ""

    @property
    def helped(self) -> bool:
        """Whether a crew that did what it was told would have come to the leak."""
        in_area = self.outcome == "in the area" and self.area_m <= SEARCHABLE_M
        return self.outcome == "found" or in_area


def judge(
    fix: SurveyFix,
    leak: LeakPlace,
    *,
    network: PipeNetwork,
    within_m: float = 5.0,
    least_probability: float = 0.5,
) -> Told:
    """Hold the best candidate of a survey against the truth.

    Parameters
    ----------
    fix : SurveyFix
        What the locator said.
    leak : LeakPlace
        Where the leak was.
    network : PipeNetwork
        The map.
    within_m : float
        A point this near to the leak, along the pipes, is a find. [m]
    least_probability : float
        A candidate below this sends nobody out.

    Returns
    -------
    Told
        The best candidate alone: a crew goes to that one first.
    """
    best = min(fix.candidates, key=lambda one: one.rank, default=None)
    if best is None or best.probability < least_probability:
        faint = f"only a faint sign ({best.probability:.0%}) " if best else "nothing "
        return Told("not heard", words=f"{faint}was heard, with which nobody is sent out")
    lines = area_lines(best)
    inside = _off_m(leak.point, lines, fix) <= fix.map_accuracy_m
    area_m = math.fsum(geodesic_lengths_m(lines, fix.network.crs)) if lines else 0.0
    error_m = math.nan
    if best.in_bracket:
        error_m = _error_m(best, leak, network)
        outcome: Outcome = "found" if error_m <= within_m else "in the area" if inside else "wrong place"
        words = f"a leak {best.from_a_m:.1f} m from {best.sensor_a} towards {best.sensor_b}"
    else:
        outcome = "beyond a sensor" if inside else "wrong place"
        words = f"noise from at or beyond {best.beyond}: move the loggers"
    return Told(
        outcome,
        error_m=error_m,
        probability=best.probability,
        in_area=inside,
        area_m=area_m,
        sensor_a=best.sensor_a,
        sensor_b=best.sensor_b,
        point=best.point,
        words=f"{words} (probability {best.probability:.0%})",
    )


def area_lines(candidate: Candidate) -> list[LineString]:
    """Pipes that a candidate's area is made of, those that cannot be told apart from it included."""
    return [*candidate.stretches, *(line for branch in candidate.branches for line in branch.lines)]


def _error_m(best: Candidate, leak: LeakPlace, network: PipeNetwork) -> float:
    """From the point told to the leak: along the pipes, or on the ground where no pipe joins them. [m]"""
    place = place_on(network, best.point, best.pipe_id)
    along_m = math.inf if place is None else along_pipes_m(network, place, leak.place)
    if math.isfinite(along_m):
        return along_m
    a, b = best.point, leak.point
    return float(geodesic_distances_m(a.x, a.y, b.x, b.y, network.crs))


def _off_m(point: Point, lines: Sequence[LineString], fix: SurveyFix) -> float:
    """How far a point is from the nearest of some lines, on the ground. [m]"""
    if not lines:
        return math.inf
    metric = ground_metric(point.x, point.y, fix.network.crs)
    feet = [line.interpolate(line.project(point)) for line in lines]
    steps = [metric @ (foot.x - point.x, foot.y - point.y) for foot in feet]
    return min(math.hypot(float(x), float(y)) for x, y in steps)
