"""Random surveys of all kinds, nothing of which the locator knows: leak, none, outside, two leaks.

Streets, pipes, speeds, lengths, leads, mountings, clocks, noise, hum and usage are drawn; the recordings come
from the network solver. The map that the locator gets has errors of its own. Speeds are drawn with the spread
that their tables state, clocks with the one that the deployments table states.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from netcorr.errors import NetcorrError
from netcorr.position import locate_survey
from netcorr.rehearsal.hand_over import as_recordings
from netcorr.simulation import (
    Burst,
    Conditions,
    OutsideSource,
    SensorSetup,
    TrueSpeeds,
    leak_between,
    leak_beyond,
    leak_on_branch,
    pair_of_sensors,
    random_street,
    simulate_survey,
)
from netcorr.speed import pipe_wave_speed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from netcorr.network import PipeNetwork
    from netcorr.position import Candidate, PairFix
    from netcorr.recordings import SurveyRecordings
    from netcorr.simulation import DrawnLeak, Scenario, SimulatedRound

#: What there is to be found, and in which share of the surveys. They stand near the locator's priors, as any
#: statement of probability must: where leaks are rarer, fewer of the candidates are leaks.
SHARES: dict[str, float] = {"leak": 0.4, "two": 0.1, "outside": 0.25, "none": 0.25}
MATERIALS: dict[str, float] = {"metal": 0.4, "mixed": 0.3, "plastic": 0.3}
#: Main between the sensors [m]: those on plastic stand nearer to each other.
LENGTHS_M = {"metal": (40.0, 220.0), "mixed": (40.0, 220.0), "plastic": (30.0, 120.0)}
#: Bands in which the levels are stated [Hz].
BANDS_HZ = {"metal": (50.0, 1500.0), "mixed": (20.0, 600.0), "plastic": (20.0, 300.0)}
#: Leaks between the sensors keep this far from them. [m]
MARGIN_M = 3.0
#: Errors of the map: share of every length, place of a fitting along its main [m], lead [m].
LENGTH_SD_SHARE = 0.003
FITTING_SD_M = 0.2
LEAD_SD_M = 0.15
#: Shares of surveys with usage, and of bursts that come from a branch between the sensors.
WITH_USAGE = 0.35
USAGE_BETWEEN = 0.3
REVERSED = 0.15
#: Clocks run at speeds of their own, which nobody tells the locator (sd of one). [1e-6]
CLOCK_DRIFT_SD_PPM = 8.0

Kind = Literal["leak", "two", "outside", "none"]
Mix = Literal["metal", "mixed", "plastic"]


@dataclass(frozen=True)
class MixedJob:
    """One survey: the same job always gives the same survey. A kind or a material may be asked for."""

    seed: int
    number: int
    kind: Kind | None = None
    mix: Mix | None = None


@dataclass(frozen=True, eq=False)
class MixedSurvey:
    """A survey with its answer.

    Attributes
    ----------
    job : MixedJob
        Which one.
    kind, mix : str
        What is to be found, and the pipes between the sensors.
    map : PipeNetwork
        What the locator is given.
    recordings : SurveyRecordings
        Two rounds.
    between_m : tuple of float
        Distances from A of the leaks between the sensors, along the main as the map has it. [m]
    beyond : str
        'A' or 'B' when a leak lies beyond that sensor, '' otherwise.
    snr_db : float
        At the quieter sensor. [dB]
    """

    job: MixedJob
    kind: Kind
    mix: Mix
    map: PipeNetwork
    recordings: SurveyRecordings
    between_m: tuple[float, ...]
    beyond: str
    snr_db: float


@dataclass(frozen=True)
class MixedAnswer:
    """What was found, against what is known.

    Attributes
    ----------
    job : MixedJob
        Which survey.
    kind, mix, truth : str
        What was there, the pipes, the outcome that is right.
    outcome : str
        The outcome told, or 'failed'.
    sure : float
        Stated probability of that outcome; 0 where nothing was learnt.
    between : float
        Stated probability of a leak between the sensors.
    levels : tuple of float
        For each leak between: probability of the smallest area that just holds it, given one there.
    candidates : tuple of (float, bool, bool)
        Probability, whether it is right, whether it lies between the sensors.
    error_m : float
        Of the best candidate between the sensors, to the nearest leak; infinite without one. [m]
    fault : str
        Message of an error.
    """

    job: MixedJob
    kind: str
    mix: str
    truth: str
    outcome: str = "failed"
    sure: float = 0.0
    between: float = 0.0
    levels: tuple[float, ...] = ()
    candidates: tuple[tuple[float, bool, bool], ...] = ()
    error_m: float = math.inf
    fault: str = ""


def run_mixed(job: MixedJob) -> MixedAnswer:
    """Draw, simulate and locate one survey; a locator that refuses gives an answer with its message."""
    survey = draw_survey(job)
    try:
        pair = locate_survey(survey.map, survey.recordings).pairs[0]
    except NetcorrError as error:
        return replace(_unanswered(survey), fault=str(error))
    return judge(survey, pair)


def draw_survey(job: MixedJob) -> MixedSurvey:
    """Draw and simulate one survey.

    Parameters
    ----------
    job : MixedJob
        Which one.

    Returns
    -------
    MixedSurvey
        Map, recordings, and the truth.
    """
    rng = np.random.default_rng([job.seed, job.number, 77])
    kind: Kind = rng.choice(list(SHARES), p=list(SHARES.values()))
    mix: Mix = rng.choice(list(MATERIALS), p=list(MATERIALS.values()))
    kind, mix = job.kind or kind, job.mix or mix
    scenario = random_street(rng, material_mix=mix, length_range_m=LENGTHS_M[mix])
    clock_sd_s = float(rng.choice([5e-5, 1e-4, 3e-4]))
    sensors = _sensors(scenario, rng, clock_sd_s=clock_sd_s)
    speeds = _true_speeds(scenario.network, rng)
    leaks = _leaks(kind, scenario, rng)
    snr_db = float(rng.uniform(-12, 12))
    rounds = simulate_survey(
        scenario.network,
        sensors=sensors,
        leak=leaks[0].source if leaks else None,
        conditions=_conditions(scenario, rng, mix=mix, snr_db=snr_db, second=leaks[1:]),
        rng=rng,
        speeds=speeds,
    )
    before_m = _ends_m(scenario)
    _err(scenario, rng)
    stated = _with_stated_leads(rounds, [float(rng.normal(0, LEAD_SD_M)) for _ in sensors])
    between = [one.from_a_m for one in leaks if one.side == "between"]
    return MixedSurvey(
        job,
        kind,
        mix,
        map=scenario.network,
        recordings=as_recordings(stated, clock_sd_s=clock_sd_s),
        between_m=tuple(float(x) for x in np.interp(between, before_m, _ends_m(scenario))),
        beyond=next((one.side for one in leaks if one.side != "between"), ""),
        snr_db=snr_db,
    )


def judge(survey: MixedSurvey, pair: PairFix) -> MixedAnswer:
    """Compare what a pair says with what was put in."""
    best = next((one for one in pair.candidates if one.in_bracket), None)
    off_m = [abs(best.from_a_m - x) for x in survey.between_m] if best else []
    density = pair.density_per_m
    at = np.interp(survey.between_m, pair.position_m, density)
    return replace(
        _unanswered(survey),
        outcome=str(pair.outcome),
        sure=_stated(pair),
        between=pair.probability_between,
        levels=tuple(float(density[density > value].sum() / density.sum()) for value in at),
        candidates=tuple(
            (one.probability, _is_right(one, survey), one.in_bracket) for one in pair.candidates
        ),
        error_m=min(off_m, default=math.inf),
    )


def _stated(pair: PairFix) -> float:
    """Probability of the outcome that is told."""
    return {
        "between": pair.probability_between,
        "at or beyond A": pair.probability_beyond_a,
        "at or beyond B": pair.probability_beyond_b,
        "no leak heard": pair.probability_none,
    }.get(pair.outcome, 0.0)


def _is_right(candidate: Candidate, survey: MixedSurvey) -> bool:
    if not candidate.in_bracket:
        return candidate.outcome == f"at or beyond {survey.beyond}"
    return any(low <= x <= high for x in survey.between_m for low, high in candidate.stretch_m)


def _unanswered(survey: MixedSurvey) -> MixedAnswer:
    truth = "between" if survey.between_m else f"at or beyond {survey.beyond}"
    return MixedAnswer(
        survey.job, survey.kind, survey.mix, "no leak heard" if survey.kind == "none" else truth
    )


def _sensors(
    scenario: Scenario, rng: np.random.Generator, *, clock_sd_s: float
) -> tuple[SensorSetup, SensorSetup]:
    a, b = (
        replace(one, clock_drift_ppm=float(rng.normal(0, CLOCK_DRIFT_SD_PPM)))
        for one in pair_of_sensors(scenario, rng, clock_sd_s=clock_sd_s, noise_spread_db=3.0)
    )
    return (replace(a, polarity=-1) if rng.random() < REVERSED else a), b


def _true_speeds(network: PipeNetwork, rng: np.random.Generator) -> TrueSpeeds:
    """Factors on the speeds from the tables, drawn with the spread that these state."""
    by_material: dict[str, float] = {}
    by_pipe: dict[str, float] = {}
    for _, _, data in network.graph.edges(data=True):
        speed = pipe_wave_speed(
            data["material"], data["diameter_mm"], wall_mm=_known(data["wall_mm"]), year=_known(data["year"])
        )
        for factors, name, sd in (
            (by_material, data["material"], speed.common_sd_m_s),
            (by_pipe, data["pipe_id"], speed.pipe_sd_m_s),
        ):
            factors.setdefault(name, float(np.exp(rng.normal(0, sd / speed.speed_m_s))))
    return TrueSpeeds(by_material=by_material, by_pipe=by_pipe)


def _known(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


def _leaks(kind: Kind, scenario: Scenario, rng: np.random.Generator) -> list[DrawnLeak]:
    if kind == "none":
        return []
    if kind == "outside":
        return [leak_beyond(scenario, rng, side=rng.choice(["A", "B"]))]
    return [leak_between(scenario, rng, margin_m=MARGIN_M) for _ in range(2 if kind == "two" else 1)]


def _conditions(
    scenario: Scenario, rng: np.random.Generator, *, mix: Mix, snr_db: float, second: Sequence[DrawnLeak]
) -> Conditions:
    hum_hz = float(rng.choice([50.0, 60.0])) if rng.random() < 0.5 else None
    bursts = range(int(rng.integers(1, 4)) if rng.random() < WITH_USAGE else 0)
    return Conditions(
        snr_db=snr_db,
        band_hz=BANDS_HZ[mix],
        noise_colour=rng.choice(["white", "pink", "red"]),
        hum_hz=hum_hz,
        hum_level_db=float(rng.uniform(-5, 20)),
        bursts=tuple(_burst(scenario, rng) for _ in bursts),
        outside=tuple(OutsideSource(one.source.place, float(rng.uniform(0, 15))) for one in second),
    )


def _burst(scenario: Scenario, rng: np.random.Generator) -> Burst:
    """Usage from beyond a sensor, or from a branch between them."""
    on_branch = leak_on_branch(scenario, rng) if rng.random() < USAGE_BETWEEN else None
    source = on_branch or leak_beyond(scenario, rng, side=rng.choice(["A", "B"]))
    return Burst(
        source.source.place,
        at_s=float(rng.uniform(0, 8)),
        length_s=float(rng.uniform(0.3, 3)),
        level_db=float(rng.uniform(0, 25)),
        round_number=int(rng.integers(1, 3)),
    )


def _ends_m(scenario: Scenario) -> list[float]:
    """Distances from A of all nodes of the path. [m]"""
    lengths = [scenario.network.edge(*edge)["length_m"] for edge in scenario.path]
    return list(itertools.accumulate(lengths, initial=0.0))


def _err(scenario: Scenario, rng: np.random.Generator) -> None:
    """Give the map its errors: from true lengths to those that the locator reads, in place."""
    network, path = scenario.network, scenario.path
    for _, _, data in network.graph.edges(data=True):
        data["length_m"] *= float(np.exp(rng.normal(0, LENGTH_SD_SHARE)))
    for edge in (path[0], path[-1]):
        data = network.edge(*edge)
        data["length_m"] = max(data["length_m"] + float(rng.normal(0, FITTING_SD_M)), 0.5)


def _with_stated_leads(
    rounds: Sequence[SimulatedRound], errors_m: Sequence[float]
) -> tuple[SimulatedRound, ...]:
    """Leads as the deployments table has them; a valve without one is known to have none."""

    def stated(sensor: SensorSetup, error_m: float) -> SensorSetup:
        return replace(sensor, lead_m=max(sensor.lead_m + error_m, 0.1)) if sensor.lead_m else sensor

    return tuple(
        replace(
            one,
            recordings=tuple(
                replace(recording, sensor=stated(recording.sensor, error_m))
                for recording, error_m in zip(one.recordings, errors_m, strict=True)
            ),
        )
        for one in rounds
    )
