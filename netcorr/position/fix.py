"""The product of this folder: where the leak is, how sure, and what else it could be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray
    from shapely import LineString, Point

    from netcorr.delay.evidence import DelayEvidence
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.path.correlation_path import CorrelationPath
    from netcorr.recordings.recording import Rejected, Round
    from netcorr.speed.calibration import SpeedScale
    from netcorr.speed.wave_speed import WaveSpeed

#: Note of a second leak between the same sensors.
BESIDE_NOTE = "heard beside a louder source between the same sensors"
#: What a pair can say; all are results. "nothing learnt" is no answer either way: the recordings cannot tell.
Outcome = Literal["between", "at or beyond A", "at or beyond B", "no leak heard", "nothing learnt"]


@dataclass(frozen=True, eq=False)
class Branch:
    """Pipes that leave the path at a tee inside a candidate's stretch: a leak there gives the same delay.

    Attributes
    ----------
    from_a_m : float
        Where the branch leaves the path. [m]
    pipe_ids : tuple of str
        Mains of the branch.
    lines : tuple of shapely.LineString
        Their geometry in the network's CRS.
    """

    from_a_m: float
    pipe_ids: tuple[str, ...]
    lines: tuple[LineString, ...]


@dataclass(frozen=True, eq=False)
class AreaStretch:
    """Stretch of one piece of main inside a candidate's area.

    Attributes
    ----------
    edge : (int, int, int)
        Edge of the network's graph, from the node at which its line begins.
    pipe_id : str
        Main that it is a piece of.
    from_m, to_m : float
        Distances from the beginning of the piece. [m]
    line : shapely.LineString
        On the map, in the network's CRS.
    """

    edge: tuple[int, int, int]
    pipe_id: str
    from_m: float
    to_m: float
    line: LineString


@dataclass(frozen=True, eq=False)
class Candidate:
    """One place where a leak may be.

    Attributes
    ----------
    candidate_id : str
        UUID.
    rank : int
        1 for the most probable of the survey.
    probability : float
        Probability that a leak lies in this candidate's area, 0 to 1.
    outcome : {'between', 'at or beyond A', 'at or beyond B'}
        Where it lies in relation to the sensors.
    sensor_a, sensor_b : str
        Fittings of the pair.
    from_a_m, from_b_m : float
        Distance along the main from either fitting. [m]
    low_m, high_m : float
        Ends of the 95 % stretch, from A along the main. [m]
    sd_m : float
        Standard deviation of the position along the main. [m]
    delay_s : float
        Delay that the rounds agree on. [s]
    pipe_id : str
        Main under the point.
    material : str or None
        Its material.
    diameter_mm : float
        Its diameter. [mm]
    speed_m_s : float
        Its wave speed. [m/s]
    rounds_used : int
        Rounds that carry the evidence.
    point : shapely.Point
        In the network's CRS.
    stretches : tuple of shapely.LineString
        The 95 % stretch on the map, in the network's CRS.
    stretch_m : tuple of (float, float)
        The same, as distances from A. [m]
    branches : tuple of Branch
        Side pipes that cannot be told apart from the stretch; for outcomes beyond a sensor, the pipes there.
    note : str
        What a crew should know, in words.
    area : tuple of AreaStretch
        All of its area, piece by piece, where several loggers were weighed together; empty for the answer of
        a single pair, whose area is its stretches and branches.
    """

    candidate_id: str
    rank: int
    probability: float
    outcome: Outcome
    sensor_a: str
    sensor_b: str
    from_a_m: float
    from_b_m: float
    low_m: float
    high_m: float
    sd_m: float
    delay_s: float
    pipe_id: str
    material: str | None
    diameter_mm: float
    speed_m_s: float
    rounds_used: int
    point: Point
    stretches: tuple[LineString, ...]
    stretch_m: tuple[tuple[float, float], ...]
    branches: tuple[Branch, ...] = ()
    note: str = ""
    area: tuple[AreaStretch, ...] = ()

    @property
    def in_bracket(self) -> bool:
        """Whether the leak lies between the sensors; where it does not, do not dig at the point."""
        return self.outcome == "between"

    @property
    def beyond(self) -> str:
        """Fitting at or beyond which the noise comes from; empty when it comes from between the sensors."""
        if self.in_bracket:
            return ""
        return self.sensor_a if self.outcome == "at or beyond A" else self.sensor_b


@dataclass(frozen=True)
class ErrorBudget:
    """Standard deviations that make up the one of the position, at the best candidate. [m]"""

    speed_m: float
    length_m: float
    clock_m: float
    delay_m: float
    model_m: float


@dataclass(frozen=True, eq=False)
class PairFix:
    """The answer of one pair of sensors over all its rounds.

    Attributes
    ----------
    logger_a, logger_b : str
        Names of the loggers.
    path : CorrelationPath
        The pipe between them.
    speeds : tuple of WaveSpeed
        One for each segment of `path`.
    outcome : Outcome
        The most probable of the four hypotheses, or that nothing was learnt of any.
    probability_between, probability_beyond_a, probability_beyond_b, probability_none : float
        They sum to 1.
    candidates : tuple of Candidate
        Most probable first; empty when no leak was heard.
    evidence : tuple of DelayEvidence
        One for each round.
    travel_time_s : float
        From contact point to contact point, leads included. [s]
    position_m : numpy.ndarray
        Shape (n,): distances from A. [m]
    density_per_m : numpy.ndarray
        Shape (n,): posterior density of the position given a leak between the sensors. [1/m]
    budget : ErrorBudget or None
        At the best candidate between the sensors.
    notes : tuple of str
        Assumptions and doubts that the answer rests on, one sentence each.
    """

    logger_a: str
    logger_b: str
    path: CorrelationPath
    speeds: tuple[WaveSpeed, ...]
    outcome: Outcome
    probability_between: float
    probability_beyond_a: float
    probability_beyond_b: float
    probability_none: float
    candidates: tuple[Candidate, ...]
    evidence: tuple[DelayEvidence, ...]
    travel_time_s: float
    position_m: NDArray[np.float64]
    density_per_m: NDArray[np.float64]
    budget: ErrorBudget | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class LeftOut:
    """A pair within reach that was not compared.

    Attributes
    ----------
    logger_a, logger_b : str
        Names of the loggers.
    sensor_a, sensor_b : str
        Their fittings.
    reason : str
        Why, in words.
    """

    logger_a: str
    logger_b: str
    sensor_a: str
    sensor_b: str
    reason: str


@dataclass(frozen=True, eq=False)
class LikelyStretch:
    """Stretch of main with the probability that a leak lies on it.

    Attributes
    ----------
    pipe_id : str
        Main.
    from_m, to_m : float
        Distances from the beginning of the piece of it that the network has. [m]
    probability : float
        That a leak lies on the stretch, 0 to 1.
    told_apart : bool
        False where no pair tells places on it apart: it then stands for a whole set of pipes.
    line : shapely.LineString
        On the map, in the network's CRS.
    """

    pipe_id: str
    from_m: float
    to_m: float
    probability: float
    told_apart: bool
    line: LineString

    @property
    def length_m(self) -> float:
        """Length of main. [m]"""
        return self.to_m - self.from_m

    @property
    def probability_per_m(self) -> float:
        """Probability for each metre of main. [1/m]"""
        return self.probability / max(self.length_m, 1e-9)


@dataclass(frozen=True, eq=False)
class SurveyFix:
    """The answer of a whole survey.

    Attributes
    ----------
    network : PipeNetwork
        The map.
    rounds : tuple of Round
        The recordings used.
    pairs : tuple of PairFix
        One for each pair of sensors.
    candidates : tuple of Candidate
        Of all pairs, ranked.
    rejected : tuple of Rejected
        Recordings that could not be used, with the reason.
    map_accuracy_m : float
        Accuracy of the map by which areas are widened. [m]
    notes : tuple of str
        What concerns the survey as a whole.
    left_out : tuple of LeftOut
        Pairs within reach that were not compared.
    likelihood : tuple of LikelyStretch
        How probable a leak is along the mains within reach; empty where the recordings told nothing.
    speeds : tuple of SpeedScale
        Wave speeds that the survey itself knows better than the tables, for the next survey to start from.
    """

    network: PipeNetwork
    rounds: tuple[Round, ...]
    pairs: tuple[PairFix, ...]
    candidates: tuple[Candidate, ...]
    rejected: tuple[Rejected, ...]
    map_accuracy_m: float
    notes: tuple[str, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    likelihood: tuple[LikelyStretch, ...] = ()
    speeds: tuple[SpeedScale, ...] = ()
