"""What given sensors cover, metre by metre: by which pairs, how well a leak would be placed, or why not."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from netcorr.errors import PlanError
from netcorr.feedback import Feedback, NoFeedback, PartOf, check_cancelled
from netcorr.planning.edge_speeds import edge_speeds
from netcorr.planning.expected import FixSettings, expected_stretch_m
from netcorr.planning.pair_paths import pair_paths
from netcorr.planning.pairs import build_problem
from netcorr.planning.second_way import with_margin
from netcorr.planning.why_not_covered import Reasons, reasons_not_covered

if TYPE_CHECKING:
    from netcorr.planning.edge_speeds import EdgeSpeeds
    from netcorr.planning.from_network import PlanningMap
    from netcorr.planning.pair_paths import PairPath
    from netcorr.planning.problem import CandidateSites, ChoiceProblem, Flags, Floats, Ints
    from netcorr.planning.reach import ReachTable
    from netcorr.speed.calibration import Calibration

#: What a stretch can be.
COVERED, HEARD, NOT_COVERED = "covered", "heard by one side only", "not covered"
STATES = (COVERED, HEARD, NOT_COVERED)
_SILENT = NoFeedback()
_ROUNDING = 1e-9


@dataclass(frozen=True, eq=False)
class Pieces:
    """Pieces of edges, short where something changes along them.

    Attributes
    ----------
    edge : numpy.ndarray of int, shape (k,)
        Edge of the graph.
    from_share, to_share : numpy.ndarray of float, shape (k,)
        Where it begins and ends, as a share of the edge from its `from_node`.
    length_m : numpy.ndarray of float, shape (k,)
        Its length. [m]
    state : numpy.ndarray of str, shape (k,)
        One of `STATES`.
    pairs : numpy.ndarray of int, shape (k,)
        Pairs that cover it.
    best_pair : numpy.ndarray of int, shape (k,)
        Row of `pair_sites` of the pair that places a leak best, -1 where none covers it. Where no speed is
        known, the pair with the shortest path.
    expected_m : numpy.ndarray of float, shape (k,)
        Expected length of the 95 % stretch of a leak in its middle, with that pair; NaN where none covers it
        or a speed is not known. [m]
    """

    edge: Ints
    from_share: Floats
    to_share: Floats
    length_m: Floats
    state: np.ndarray
    pairs: Ints
    best_pair: Ints
    expected_m: Floats

    def __len__(self) -> int:
        return len(self.edge)


@dataclass(frozen=True, eq=False)
class CoverMap:
    """What given sensors cover.

    Attributes
    ----------
    mains : PlanningMap
        Open mains.
    reach : ReachTable
        How far leaks are heard.
    problem : ChoiceProblem
        The sensors, their pairs and what they cover.
    whole : ChoiceProblem
        The same without a margin over the second way round: all of every path.
    candidates : CandidateSites
        Where loggers might stand.
    reasons : Reasons
        Why edges are not covered.
    pieces : Pieces
        The answer.
    speeds : EdgeSpeeds
        Speeds that the expected stretches rest on.
    settings : FixSettings
        What else they rest on.
    margin : float
        Share by which the second way round must be longer.
    """

    mains: PlanningMap
    reach: ReachTable
    problem: ChoiceProblem
    whole: ChoiceProblem
    candidates: CandidateSites
    reasons: Reasons
    pieces: Pieces
    speeds: EdgeSpeeds
    settings: FixSettings
    margin: float

    def length_m(self, state: str) -> float:
        """Main in one of `STATES`. [m]"""
        return float(self.pieces.length_m[self.pieces.state == state].sum())

    def expected_m(self, path: PairPath, *, points: int = 33) -> Floats:
        """Expected 95 % stretch at evenly spaced places on the path of a pair, shape (points,). [m]"""
        place_m = np.linspace(0.0, float(path.path.length_m.sum()), points)
        return expected_stretch_m(path.path, place_m, settings=self.settings, budget=self.reach.budget)

    @property
    def total_m(self) -> float:
        """Main that counts. [m]"""
        return float(self.pieces.length_m.sum())


def cover_map(
    mains: PlanningMap,
    sensors: CandidateSites,
    candidates: CandidateSites,
    *,
    reach: ReachTable,
    counted: Flags | None = None,
    settings: FixSettings | None = None,
    calibration: Calibration | None = None,
    temperature_c: float = 10.0,
    temperature_sd_c: float = 3.0,
    margin: float = 0.02,
    step_m: float = 20.0,
    feedback: Feedback = _SILENT,
) -> CoverMap:
    """Find what sensors at given sites cover.

    Parameters
    ----------
    mains : PlanningMap
        Open mains.
    sensors : CandidateSites
        Where loggers stand; a pair covers what lies on the path between them.
    candidates : CandidateSites
        Where loggers might stand beside these, to say why something is not covered.
    reach : ReachTable
        That of `mains`.
    counted : numpy.ndarray of bool, shape (m,), optional
        Edges that count; all unless given.
    settings : FixSettings, optional
        What makes a position uncertain.
    calibration : Calibration, optional
        What confirmed finds taught about speeds.
    temperature_c, temperature_sd_c : float
        Temperature of the water and its standard deviation. [degree C]
    margin : float
        Share by which the second way round must be longer.
    step_m : float
        Longest piece. [m]
    feedback : Feedback
        Told of the progress.

    Returns
    -------
    CoverMap
        The answer.

    Raises
    ------
    PlanError
        If no main counts, or a setting cannot be right.
    CancelledError
        If `feedback` says so.
    """
    settings = settings or FixSettings()
    counted = np.ones(len(mains.graph), dtype=bool) if counted is None else counted
    if not counted.any():
        raise PlanError(
            mains.network.source, found="no main lies in the district", remedy="check the polygon and its CRS"
        )
    if not step_m > 0:
        raise PlanError("longest piece", found=f"{step_m:g} m", remedy="give a length above 0 m")
    whole = build_problem(mains.graph, sensors, feedback=PartOf(feedback, start=0.0, stop=0.4))
    problem = with_margin(whole, mains.graph, margin=margin, feedback=PartOf(feedback, start=0.4, stop=0.6))
    check_cancelled(feedback)
    reasons = reasons_not_covered(mains, sensors, candidates)
    speeds = edge_speeds(
        mains.edges,
        temperature_c=temperature_c,
        temperature_sd_c=temperature_sd_c,
        calibration=calibration,
    )
    pieces = _pieces(mains, problem, reasons, counted, step_m)
    feedback.progress(0.7, "working out how well leaks would be placed")
    empty = CoverMap(mains, reach, problem, whole, candidates, reasons, pieces, speeds, settings, margin)
    return replace(empty, pieces=_placed(empty))


def _pieces(
    mains: PlanningMap, problem: ChoiceProblem, reasons: Reasons, counted: Flags, step_m: float
) -> Pieces:
    """Cut edges where something changes along them, and give each piece its state."""
    graph = mains.graph
    covers = problem.covering.counts
    share = graph.length_m / graph.reach_m
    near = reasons.sensors.share
    heard_somewhere = (near < 1).any(axis=1)
    edge = np.flatnonzero(counted)
    whole = ~((covers > 0) | heard_somewhere)[edge]
    count = np.where(whole, 1, np.maximum(np.ceil(graph.length_m[edge] / step_m), 1)).astype(np.intp)
    of = np.repeat(edge, count)
    number = np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
    size = 1 / np.repeat(count, count)
    low, high = number * size, (number + 1) * size
    middle = (low + high) / 2
    away = np.minimum(near[of, 0] + middle * share[of], near[of, 1] + (1 - middle) * share[of])
    state = np.where(away <= 1 + _ROUNDING, HEARD, NOT_COVERED).astype(object)
    state[covers[of] > 0] = COVERED
    none = np.full(len(of), -1)
    return Pieces(of, low, high, graph.length_m[of] * size, state, covers[of], none, np.full(len(of), np.nan))


def _placed(cover: CoverMap) -> Pieces:
    """Of all pairs that cover a piece, the one that places a leak in its middle best."""
    pieces, problem, graph = cover.pieces, cover.problem, cover.mains.graph
    first = np.full(len(graph) + 1, 0)
    np.cumsum(np.bincount(pieces.edge, minlength=len(graph)), out=first[1:])
    middle_m = (pieces.from_share + pieces.to_share) / 2 * graph.length_m[pieces.edge]
    best = np.full(len(pieces), np.inf)
    best_pair, shortest = np.full(len(pieces), -1), np.full(len(pieces), np.inf)
    budget = cover.reach.budget
    counts = set(zip(problem.covering.group.tolist(), problem.covering.values.tolist(), strict=True))
    wanted = np.zeros(len(problem.pair_sites), dtype=bool)
    wanted[problem.covering.values] = True
    for found in pair_paths(cover.whole, graph, cover.speeds, pairs=wanted):
        rows, places = [], []
        for position, edge in enumerate(found.edge.tolist()):
            here = slice(first[edge], first[edge + 1])
            if here.start < here.stop and (edge, found.pair) in counts:
                rows.append(np.arange(here.start, here.stop))
                places.append(found.place_m(position, middle_m[here], graph))
        if not rows:
            continue
        row, place = np.concatenate(rows), np.concatenate(places)
        stretch_m = expected_stretch_m(found.path, place, settings=cover.settings, budget=budget)
        length_m = float(found.path.length_m.sum())
        known = np.where(np.isfinite(stretch_m), stretch_m, np.inf)
        better = (known < best[row]) | ((known == best[row]) & (length_m < shortest[row]))
        best[row[better]], shortest[row[better]] = known[better], length_m
        best_pair[row[better]] = found.pair
    return replace(pieces, best_pair=best_pair, expected_m=np.where(np.isfinite(best), best, np.nan))
