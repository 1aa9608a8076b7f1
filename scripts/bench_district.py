"""Several loggers on a looped network: the locator against published ways to place a source, same surveys.

A survey takes seconds, so runs can be added up: with ``--outcomes FILE`` every survey is written there as it
is done, and those that are there already are not run again.
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from bench_district_methods import place_by_all
from bench_district_outcomes import (
    CONDITIONS,
    NEAR_M,
    OURS,
    UNTOLD,
    Outcome,
    append_outcomes,
    read_outcomes,
)
from bench_district_report import report
from bench_district_scenes import DistrictSurvey, draw_survey
from bench_pool import run_all
from bench_table import Target

from netcorr.errors import NetcorrError
from netcorr.position import LocateSettings, locate_survey
from netcorr.rehearsal.places import along_pipes_m, place_on

if TYPE_CHECKING:
    from netcorr.position import Candidate, SurveyFix
    from netcorr.rehearsal import LeakPlace
    from netcorr.simulation import Place

#: Surveys of each kind unless asked otherwise; hundreds are needed for the targets.
SURVEYS = 2
#: The leak lies in an area when it is this near to its lines. [m]
AREA_M = 0.5


@dataclass(frozen=True)
class Job:
    """One survey."""

    kind: str
    seed: int
    number: int


def bench_district(
    *, surveys: int | None, seed: int, workers: int, outcomes: Path | None, kind: str | None
) -> list[Target]:
    """Run surveys of every kind, print how each method did, and return the targets.

    Parameters
    ----------
    surveys : int or None
        How many of each kind; None for a first look.
    seed : int
        Another seed gives other surveys.
    workers : int
        Processes.
    outcomes : pathlib.Path or None
        File to add to, outside of the repository; outcomes of other code in it are passed over.
    kind : str or None
        Kinds to run, joined by commas; all unless given.

    Returns
    -------
    list of Target
        For all that is in the file.
    """
    kinds = kind.split(",") if kind else list(CONDITIONS)
    done = {(one.kind, one.seed, one.number): one for one in read_outcomes(outcomes)}
    jobs = [Job(name, seed, number) for number in range(surveys or SURVEYS) for name in kinds]
    left = [job for job in jobs if (job.kind, job.seed, job.number) not in done]
    new = run_all(run_job, left, workers=workers, keep=lambda one: append_outcomes(outcomes, [one]))
    return report([*done.values(), *new])


def run_job(job: Job) -> Outcome:
    """Draw, simulate and place one survey by all methods."""
    survey = draw_survey(CONDITIONS[job.kind], seed=job.seed, number=job.number)
    return judge_all(survey, job)


def judge_all(survey: DistrictSurvey, job: Job) -> Outcome:
    """Place a survey by all methods and hold them against the truth."""
    start_s = time.perf_counter()
    try:
        fix = locate_survey(survey.network, survey.recordings)
    except NetcorrError as error:
        return Outcome(job.kind, job.seed, job.number, survey.bracketed, fault=str(error))
    seconds = time.perf_counter() - start_s
    errors_m: dict[str, float] = {}
    both: dict[str, bool] = {}
    for name, choices in place_by_all(survey, fix.pairs).items() if survey.leaks else ():
        errors_m[name] = min(_error_m(survey, choices[0], leak) for leak in survey.leaks)
        if len(survey.leaks) > 1:
            both[name] = _both(survey, choices)
    ours = _ours(survey, fix, errors_m)
    if len(survey.leaks) > 1:
        # the others name two places whatever they hear: ours is told that there are two for the same question
        told = locate_survey(survey.network, survey.recordings, settings=LocateSettings(leaks=2))
        both[OURS], both[UNTOLD] = (_both(survey, _first_two(survey, one)) for one in (told, fix))
    return Outcome(
        job.kind,
        job.seed,
        job.number,
        survey.bracketed,
        errors_m,
        both,
        at_fault=list(survey.at_fault),
        seconds=seconds,
        **ours,
    )


def _first_two(survey: DistrictSurvey, fix: SurveyFix) -> list[Place | None]:
    """First two places between loggers."""
    ranked = sorted(fix.candidates, key=lambda one: one.rank)
    return [_place_of(survey, one) for one in ranked if one.in_bracket][:2]


def _ours(survey: DistrictSurvey, fix: SurveyFix, errors_m: dict[str, float]) -> dict[str, Any]:
    """What the locator said; its errors are put beside those of the others."""
    ranked = sorted(fix.candidates, key=lambda one: one.rank)
    best = ranked[0] if ranked else None
    told: dict[str, Any] = {
        "probability": best.probability if best else 0.0,
        "between": bool(best and best.in_bracket),
        "second": ranked[1].probability if len(ranked) > 1 else 0.0,
        "accused": _accused(survey, fix),
    } | _speeds(survey, fix)
    if not survey.leaks:
        return told
    places = [place for one in ranked if (place := _place_of(survey, one)) is not None]
    errors = [_error_m(survey, places[0], leak) for leak in survey.leaks] if places else [math.inf]
    errors_m[OURS] = min(errors) if len(survey.leaks) > 1 else errors[0]
    lines = [line for one in ranked for line in area_lines(one)]
    return told | {
        "in_area": any(line.distance(survey.leaks[0].point) <= AREA_M for line in lines),
        "area_m": float(shapely.length(shapely.union_all(lines))) if lines else 0.0,
        "right_pipe": bool(best and best.pipe_id == survey.leaks[0].pipe_id),
        "levels": levels_at(fix, survey.leaks[0]),
    }


def area_lines(candidate: Candidate) -> list[shapely.LineString]:
    """All pipe that a candidate's area is made of."""
    of_network = [part.line for part in getattr(candidate, "area", ())]
    branches = [line for branch in candidate.branches for line in branch.lines]
    return of_network or [*candidate.stretches, *branches]


def levels_at(fix: SurveyFix, leak: LeakPlace) -> tuple[float, ...]:
    """Probability of the largest area that does not hold the leak, and of the smallest that does.

    Given that there is one. Stretches that no pair tells apart are one set where they hang together.
    """
    stretches = list(getattr(fix, "likelihood", ()))
    if not stretches:
        return ()
    mass = np.array([one.probability for one in stretches])
    length_m = np.array([max(one.length_m, 1e-6) for one in stretches])
    lines = np.array([one.line for one in stretches])
    apart = np.array([one.told_apart for one in stretches])
    number = np.arange(mass.size)
    sets = np.flatnonzero(~apart)
    if sets.size:  # those that touch are one
        tree = shapely.STRtree(lines[sets])
        for i, j in zip(*tree.query(lines[sets], predicate="dwithin", distance=0.05), strict=True):
            low, high = sorted((number[sets[i]], number[sets[j]]))
            number[number == high] = low
    whole, whole_m = np.bincount(number, mass), np.bincount(number, length_m)
    density = whole / np.maximum(whole_m, 1e-9)
    here = number[int(np.argmin(shapely.distance(lines, leak.point)))]
    more = density > density[here] * (1 + 1e-9)
    total = float(mass.sum())
    likelier = float(whole[more].sum())
    return (likelier / total, (likelier + float(whole[here])) / total) if total > 0 else ()


def _accused(survey: DistrictSurvey, fix: SurveyFix) -> list[list[str]]:
    """Loggers that are named in one note about what does not fit; of a swap both."""
    names = [recording.logger for recording in survey.recordings.rounds[0].recordings]
    notes = [note for note in fix.notes if "in this answer" in note]
    return [[name for name in names if name in note] for note in notes]


def _speeds(survey: DistrictSurvey, fix: SurveyFix) -> dict[str, dict[str, float]]:
    """Speed found by the survey over the true one, less 1, and its stated error, where there is one."""
    found = {one.material: one for one in fix.speeds if one.material in survey.factors}
    return {
        "speed_errors": {name: one.scale / survey.factors[name] - 1 for name, one in found.items()},
        "speed_sds": {name: one.scale_sd / one.scale for name, one in found.items()},
    }


def _place_of(survey: DistrictSurvey, candidate: Candidate) -> Place | None:
    return place_on(survey.network, candidate.point, candidate.pipe_id)


def _error_m(survey: DistrictSurvey, place: Place, leak: LeakPlace) -> float:
    return along_pipes_m(survey.network, place, leak.place)


def _both(survey: DistrictSurvey, choices: Sequence[Place | None]) -> bool:
    """Whether two choices are the two leaks, one each."""
    if len(choices) < 2 or None in choices:
        return False
    a, b = ([_error_m(survey, place, leak) for leak in survey.leaks] for place in choices[:2] if place)
    return bool(max(a[0], b[1]) <= NEAR_M or max(a[1], b[0]) <= NEAR_M)
