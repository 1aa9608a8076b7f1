"""What found leaks are worth: towns whose pipes differ from the tables, located before and after some finds.

In each town true speeds differ from those of the tables as much as the tables' own spreads say: one factor
for a material, one for its era, one for each main. Leaks are located by the tables, a crew measures where
they really were, and the speeds learned from the first few are used for other streets of the town.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from bench_pool import run_all
from bench_surveys import CLOCK_SD_S, MARGIN_M
from bench_table import Target, interval, share, table

from netcorr.position import LocateSettings, locate_survey
from netcorr.rehearsal import as_recordings
from netcorr.simulation import (
    Conditions,
    TrueSpeeds,
    leak_between,
    pair_of_sensors,
    random_street,
    simulate_survey,
)
from netcorr.speed import pipe_wave_speed
from netcorr.verification import SpeedEvidence, learn_speeds
from netcorr.verification.speeds import ERA_SHARE, era_of

if TYPE_CHECKING:
    from netcorr.position import SurveyFix
    from netcorr.recordings import SurveyRecordings
    from netcorr.simulation import Scenario

#: Finds that speeds are learned from.
FINDS = (0, 2, 5, 10)
#: Streets of a town that are located with what was learned.
TESTS = 3
#: How well a crew measures to the leak. [m]
TAPE_SD_M = 0.2
#: A candidate farther from the leak than this does not lead a crew to it. [m]
FAR_M = 10.0
WITHIN_M = 0.9144


class _Factors:
    """True speeds over those of the tables: drawn when first asked for, and the same ever after."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng
        self._drawn: dict[tuple[object, ...], float] = {}

    def of(self, key: tuple[object, ...], sd: float) -> float:
        """Give the factor that belongs to a material, an era or a main."""
        return self._drawn.setdefault(key, float(np.exp(self._rng.normal(0, sd))))

    def group(self, material: str, years: tuple[int, int] | None) -> float | None:
        """Give the factor of a material in an era; None where no pipe has drawn it."""
        parts = [self._drawn.get(("material", material)), self._drawn.get(("era", material, years))]
        return None if None in parts else float(np.prod([part for part in parts if part is not None]))


@dataclass(frozen=True)
class Town:
    """One town to draw."""

    seed: int
    number: int


@dataclass(frozen=True)
class Street:
    """One street that was located with speeds from so many finds."""

    finds: int
    error_m: float
    held: bool
    width_m: float


@dataclass(frozen=True)
class Learned:
    """What a town taught."""

    streets: tuple[Street, ...]
    deviations: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class _Night:
    scenario: Scenario
    recordings: SurveyRecordings
    leak_m: float

    def located(self, settings: LocateSettings) -> SurveyFix:
        return locate_survey(self.scenario.network, self.recordings, settings=settings)


def bench_learning(*, surveys: int | None, seed: int, workers: int) -> list[Target]:
    """Print how near the answers are after 0, 2, 5 and 10 finds, over some towns.

    Parameters
    ----------
    surveys : int or None
        Towns; 40 when not given.
    seed : int
        Another seed, other towns.
    workers : int
        Processes.

    Returns
    -------
    list of Target
        Nearer after ten finds than by the tables, and areas that hold as many as they say.
    """
    return report(run_all(_learn, [Town(seed, number) for number in range(surveys or 40)], workers=workers))


def report(towns: list[Learned]) -> list[Target]:
    """Print the table and judge it."""
    streets = [street for town in towns for street in town.streets]
    print(
        table(
            ("finds", "within 0.9 m", "median", "90 % within", "area holds it", "its width"),
            map(_row, _by_finds(streets)),
        )
    )
    deviations = np.array([one for town in towns for one in town.deviations])
    spread = float(np.sqrt(np.mean(deviations**2)))
    print(f"\nlearned scales miss by {spread:.2f} of their stated deviation (rms of {deviations.size})")
    first, last = (own for own in (_by_finds(streets)[0], _by_finds(streets)[-1]))
    before, after = (float(np.median([abs(one.error_m) for one in own])) for own in (first, last))
    held = sum(one.held for one in last)
    low, high = interval(held, of=len(last))
    return [
        Target(
            "median error after 10 finds",
            f"{after:.2f} m",
            f"less than by tables, {before:.2f} m",
            after < before,
        ),
        Target(
            "area holds it after 10 finds",
            share(held, of=len(last)),
            "95 %, within chance",
            low <= 0.95 <= high or low > 0.95,
        ),
        Target("deviation of learned scales", f"{spread:.2f}", "0.7 to 1.3", 0.7 <= spread <= 1.3),
    ]


def _by_finds(streets: list[Street]) -> list[list[Street]]:
    return [[one for one in streets if one.finds == count] for count in FINDS]


def _row(own: list[Street]) -> tuple[str, ...]:
    errors = np.abs([one.error_m for one in own])
    return (
        str(own[0].finds),
        share(int((errors <= WITHIN_M).sum()), of=len(own)),
        f"{np.median(errors):.2f} m",
        f"{np.quantile(errors, 0.9):.1f} m",
        share(sum(one.held for one in own), of=len(own)),
        f"{np.median([one.width_m for one in own]):.1f} m",
    )


def _learn(town: Town) -> Learned:
    """Draw a town, find leaks in it, and locate others with what they taught."""
    rng = np.random.default_rng([town.seed, 71, town.number])
    factors = _Factors(rng)
    evidence: list[SpeedEvidence] = []
    for number in range(4 * max(FINDS)):
        if len(evidence) == max(FINDS):
            break
        night = _night(rng, factors, street=f"s{number}")
        found = _evidence(night, night.located(LocateSettings()), rng, name=f"s{number}")
        evidence += [] if found is None else [found]
    tests = [_night(rng, factors, street=f"t{number}") for number in range(TESTS)]
    streets, deviations = [], []
    for count in FINDS:
        lesson = learn_speeds(evidence[:count])
        settings = LocateSettings(calibration=lesson.calibration() if count else None)
        streets += [one for night in tests if (one := _street(night, settings, count)) is not None]
        if count == max(FINDS):
            deviations = [
                (one.scale - truth) / one.scale_sd
                for one in lesson.speeds
                if one.is_learned and (truth := factors.group(one.material, one.years)) is not None
            ]
    return Learned(tuple(streets), tuple(deviations))


def _night(rng: np.random.Generator, factors: _Factors, *, street: str) -> _Night:
    """One street with a leak between its two loggers."""
    scenario = random_street(rng, material_mix="metal")
    edges = [data for _, _, data in scenario.network.graph.edges(data=True)]
    by_pipe = {str(edge["pipe_id"]): _factor(edge, factors, street=street) for edge in edges}
    speeds = TrueSpeeds(by_pipe=by_pipe)
    leak = leak_between(scenario, rng, margin_m=MARGIN_M)
    rounds = simulate_survey(
        scenario.network,
        sensors=pair_of_sensors(scenario, rng, clock_sd_s=CLOCK_SD_S),
        leak=leak.source,
        conditions=Conditions(snr_db=float(rng.uniform(-3, 12))),
        rng=rng,
        speeds=speeds,
    )
    return _Night(scenario, as_recordings(rounds, clock_sd_s=CLOCK_SD_S), leak.from_a_m)


def _factor(edge: dict[str, Any], factors: _Factors, *, street: str) -> float:
    """True speed of a main over that of the tables."""
    material, year = str(edge["material"]), float(edge["year"])
    speed = pipe_wave_speed(material, edge["diameter_mm"], wall_mm=edge["wall_mm"], year=year)
    common, own = speed.common_sd_m_s / speed.speed_m_s, speed.pipe_sd_m_s / speed.speed_m_s
    return float(
        factors.of(("material", material), common * (1 - ERA_SHARE) ** 0.5)
        * factors.of(("era", material, era_of(year)), common * ERA_SHARE**0.5)
        * factors.of(("pipe", street, edge["pipe_id"]), own)
    )


def _evidence(night: _Night, fix: SurveyFix, rng: np.random.Generator, *, name: str) -> SpeedEvidence | None:
    """What the crew learned at the best candidate; None where it did not lead them to the leak."""
    pair = fix.pairs[0]
    best = next((one for one in pair.candidates if one.in_bracket), None)
    budget = pair.budget
    if best is None or budget is None or abs(best.from_a_m - night.leak_m) > FAR_M:
        return None
    # every street has mains of its own
    own = tuple(replace(one, pipe_id=f"{name} {one.pipe_id}") for one in pair.path.segments)
    parts = (budget.length_m, budget.clock_m, budget.delay_m, budget.model_m, TAPE_SD_M)
    return SpeedEvidence(
        survey=name,
        path=replace(pair.path, segments=own),
        found_from_a_m=night.leak_m + float(rng.normal(0, TAPE_SD_M)),
        delay_s=best.delay_s,
        sd_m=float(np.linalg.norm(parts)),
    )


def _street(night: _Night, settings: LocateSettings, count: int) -> Street | None:
    inside = [one for one in night.located(settings).pairs[0].candidates if one.in_bracket]
    if not inside:
        return None
    return Street(
        finds=count,
        error_m=inside[0].from_a_m - night.leak_m,
        held=any(one.low_m <= night.leak_m <= one.high_m for one in inside),
        width_m=sum(one.high_m - one.low_m for one in inside),
    )
