"""What given sensors cover, metre by metre: by which pairs, how well a leak would be placed, or why not."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from netcorr.errors import PlanError
from netcorr.feedback import Feedback, NoFeedback, PartOf, check_cancelled
from netcorr.planning.best_pair import Cuts, best_pairs
from netcorr.planning.edge_speeds import edge_speeds
from netcorr.planning.expected import FixSettings, expected_stretch_m
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
    alike = ~((covers > 0) | (near < 1).any(axis=1))
    cuts = Cuts.of(graph, counted, step_m=step_m, whole=alike)
    of, middle = cuts.edge, cuts.middle
    away = np.minimum(near[of, 0] + middle * share[of], near[of, 1] + (1 - middle) * share[of])
    state = np.where(away <= 1 + _ROUNDING, HEARD, NOT_COVERED).astype(object)
    state[covers[of] > 0] = COVERED
    none = np.full(len(of), -1)
    return Pieces(
        of, cuts.from_share, cuts.to_share, cuts.length_m, state, covers[of], none, np.full(len(of), np.nan)
    )


def _placed(cover: CoverMap) -> Pieces:
    """Of all pairs that cover a piece, the one that places a leak in its middle best."""
    pieces = cover.pieces
    cuts = Cuts(pieces.edge, pieces.from_share, pieces.to_share, pieces.length_m)
    best_pair, expected_m = best_pairs(
        cuts,
        cover.problem,
        cover.whole,
        cover.mains.graph,
        speeds=cover.speeds,
        settings=cover.settings,
        budget=cover.reach.budget,
    )
    return replace(pieces, best_pair=best_pair, expected_m=expected_m)
