"""Random surveys with known answers: a street is drawn, a survey on it simulated, and the leak located.

The simulation solves the pipes as transmission lines, with tees, dead ends and changes of bore that reflect;
the locator knows nothing of that. `tests/test_accuracy.py` runs small versions of the same surveys.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from netcorr.errors import NetcorrError
from netcorr.network import build_network
from netcorr.position import locate_survey
from netcorr.rehearsal.hand_over import as_recordings
from netcorr.simulation import (
    Conditions,
    DrawnLeak,
    Scenario,
    TrueSpeeds,
    draw_speeds,
    leak_between,
    leak_beyond,
    pair_of_sensors,
    random_street,
    simulate_survey,
)
from netcorr.speed import pipe_wave_speed

if TYPE_CHECKING:
    import pandas as pd

    from netcorr.network import PipeNetwork
    from netcorr.position import Candidate, PairFix

#: Clocks are off by this much, and the locator is told so. [s]
CLOCK_SD_S = 1e-4
#: Leaks between the sensors keep this far from them: nearer ones count as 'at a sensor'. [m]
MARGIN_M = 5.0
#: True speeds against those of material and size: shared by a material, and each main's own; 3 % together.
SPEED_COMMON_SD = 0.026
SPEED_PIPE_SD = 0.015
#: Bores of the branches where these are much larger than the main. [mm]
_LARGE_BORES_MM = (200.0, 250.0, 300.0, 400.0, 500.0, 600.0)


@dataclass(frozen=True)
class Kind:
    """A kind of survey.

    Attributes
    ----------
    title : str
        In words.
    code : int
        Part of the seed, so that every kind has streets of its own.
    surveys : int
        How many belong to a full benchmark.
    leak : {'between', 'beyond', 'none'}
        Where the leak is.
    material_mix : {'metal', 'mixed', 'plastic'}
        Pipe between the sensors.
    speeds_given : bool
        Whether the map states the true speeds; else they differ from what the locator takes.
    snr_db : (float, float)
        Signal-to-noise ratio at the quieter sensor is drawn evenly from this range. [dB]
    hum_db : float or None
        Hum of 50 Hz and harmonics in both sensors, over the ambient noise. [dB]
    large_branches : bool
        Whether every branch has at least twice the bore of the main.
    """

    title: str
    code: int
    surveys: int = 100
    leak: Literal["between", "beyond", "none"] = "between"
    material_mix: Literal["metal", "mixed", "plastic"] = "metal"
    speeds_given: bool = False
    snr_db: tuple[float, float] = (-6.0, 12.0)
    hum_db: float | None = None
    large_branches: bool = False


KINDS: dict[str, Kind] = {
    "given": Kind("metal, speeds given", 1, speeds_given=True),
    "not given": Kind("metal, speeds not given", 2),
    "no leak": Kind("no leak, hum of 10 dB in both", 3, surveys=200, leak="none", hum_db=10.0),
    "beyond": Kind("leak beyond a sensor", 4, leak="beyond"),
    "mixed": Kind("mixed materials", 5, material_mix="mixed"),
    "plastic": Kind("plastic", 6, material_mix="plastic"),
    "weak": Kind("metal, -20 to -6 dB", 7, snr_db=(-20.0, -6.0)),
    "large branches": Kind(
        "metal, given, branches >= 2 x the main", 8, speeds_given=True, large_branches=True
    ),
}


@dataclass(frozen=True)
class Job:
    """One survey of a benchmark: the same job always gives the same survey."""

    kind: str
    seed: int
    number: int


@dataclass(frozen=True)
class Answer:
    """What was found, against what is known.

    Attributes
    ----------
    job : Job
        Which survey.
    length_m : float
        Main between the sensors. [m]
    snr_db : float
        At the quieter sensor. [dB]
    truth : str
        The outcome that is right.
    outcome : str
        The outcome told, or 'failed'.
    error_m : float
        Position of the best candidate less the true one; NaN when it does not lie between the sensors. [m]
    z : float
        The same in its stated standard deviations.
    held : bool
        Whether any stretch between the sensors holds the leak.
    width_m : float
        All stretches between the sensors together. [m]
    probability : float
        Of the best candidate; 0 without one.
    right : bool
        Whether the best candidate is right: the leak in its stretch, or beyond its sensor.
    alarm : float
        Highest probability of a candidate between the sensors.
    fault : str
        Message of an error.
    """

    job: Job
    length_m: float
    snr_db: float
    truth: str
    outcome: str = "failed"
    error_m: float = math.nan
    z: float = math.nan
    held: bool = False
    width_m: float = 0.0
    probability: float = 0.0
    right: bool = False
    alarm: float = 0.0
    fault: str = ""

    def line(self) -> str:
        """Say the survey in one line."""
        told = self.fault or f"told '{self.outcome}', {self.error_m:+.2f} m off, z {self.z:+.1f}"
        return (
            f"{self.job.kind}, seed {self.job.seed}, number {self.job.number}: {self.length_m:.0f} m, "
            f"{self.snr_db:+.1f} dB, {self.truth}; {told}, p {self.probability:.2f}"
        )


def run_survey(job: Job) -> Answer:
    """Draw, simulate and locate one survey.

    Parameters
    ----------
    job : Job
        Which one.

    Returns
    -------
    Answer
        A locator that refuses gives an answer that is wrong, with its message.
    """
    kind = KINDS[job.kind]
    rng = np.random.default_rng([job.seed, kind.code, job.number])
    scenario = random_street(rng, material_mix=kind.material_mix)
    if kind.large_branches:
        scenario = _with_large_branches(scenario)
    sensors = pair_of_sensors(scenario, rng, clock_sd_s=CLOCK_SD_S)
    snr_db = float(rng.uniform(*kind.snr_db))
    speeds = TrueSpeeds()
    if not kind.speeds_given:
        speeds = draw_speeds(scenario.network, rng, common_sd=SPEED_COMMON_SD, pipe_sd=SPEED_PIPE_SD)
    leak = _leak(kind, scenario, rng)
    rounds = simulate_survey(
        scenario.network,
        sensors=sensors,
        leak=leak.source if leak else None,
        conditions=Conditions(
            snr_db=snr_db,
            hum_hz=None if kind.hum_db is None else 50.0,
            hum_level_db=kind.hum_db or 0.0,
        ),
        rng=rng,
        speeds=speeds,
    )
    answer = Answer(job, scenario.length_m, snr_db, _truth(leak))
    known = _with_speeds(scenario) if kind.speeds_given else scenario.network
    try:
        fix = locate_survey(known, as_recordings(rounds, clock_sd_s=CLOCK_SD_S))
    except NetcorrError as error:
        return replace(answer, fault=str(error))
    return judge(answer, fix.pairs[0], leak=leak)


def judge(answer: Answer, pair: PairFix, *, leak: DrawnLeak | None) -> Answer:
    """Compare what a pair says with the leak that was put in."""
    inside = [one for one in pair.candidates if one.in_bracket]
    judged = replace(
        answer,
        outcome=str(pair.outcome),
        width_m=math.fsum(one.high_m - one.low_m for one in inside),
        alarm=max((one.probability for one in inside), default=0.0),
        held=leak is not None and any(_holds(one, leak) for one in inside),
    )
    if not pair.candidates:
        return judged
    best = pair.candidates[0]
    judged = replace(judged, probability=best.probability, right=leak is not None and _holds(best, leak))
    if leak is None or leak.side != "between" or not best.in_bracket:
        return judged
    error_m = best.from_a_m - leak.from_a_m
    return replace(judged, error_m=error_m, z=error_m / best.sd_m)


def _holds(candidate: Candidate, leak: DrawnLeak) -> bool:
    """Whether the leak lies in the candidate's area."""
    if not candidate.in_bracket:
        return candidate.outcome == _truth(leak)
    return leak.side == "between" and candidate.low_m <= leak.from_a_m <= candidate.high_m


def _truth(leak: DrawnLeak | None) -> str:
    """The outcome that is right."""
    if leak is None:
        return "no leak heard"
    return "between" if leak.side == "between" else f"at or beyond {leak.side}"


def _leak(kind: Kind, scenario: Scenario, rng: np.random.Generator) -> DrawnLeak | None:
    if kind.leak == "between":
        return leak_between(scenario, rng, margin_m=MARGIN_M)
    if kind.leak == "beyond":
        return leak_beyond(scenario, rng, side="A" if rng.random() < 0.5 else "B")
    return None


def _with_speeds(scenario: Scenario) -> PipeNetwork:
    """The same map with the speed of every main stated, as a utility that measured them would."""
    mains = scenario.layers.mains
    stated = mains.assign(wave_speed_m_s=[_speed(main) for _, main in mains.iterrows()])
    return build_network(replace(scenario.layers, mains=stated))


def _speed(main: pd.Series) -> float:
    speed = pipe_wave_speed(
        main["material"], main["diameter_mm"], wall_mm=_known(main["wall_mm"]), year=_known(main["year"])
    )
    return speed.speed_m_s


def _known(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


def _with_large_branches(scenario: Scenario) -> Scenario:
    """The same street with every branch at least twice as wide as the widest piece of the main."""
    mains = scenario.layers.mains
    branch = mains["asset_id"].str.startswith("S")
    least_mm = 2 * float(mains.loc[~branch, "diameter_mm"].max())
    bore_mm = next(size for size in _LARGE_BORES_MM if size >= least_mm)
    wide = mains.assign(diameter_mm=mains["diameter_mm"].mask(branch, bore_mm))
    layers = replace(scenario.layers, mains=wide)
    return replace(scenario, layers=layers, network=build_network(layers))
