"""Several loggers on a looped network: the locator against published ways to place a source, same surveys.

A survey takes seconds, so runs can be added up: with ``--outcomes FILE`` every survey is written there as it
is done, and those that are there already are not run again.
"""

from __future__ import annotations

import contextlib
import json
import math
import re
import sys
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from bench_district_faults import FAULTS
from bench_district_methods import METHODS, place_by_all
from bench_district_scenes import Condition, DistrictSurvey, draw_survey
from bench_outcomes import code_fingerprint
from bench_pool import run_all
from bench_table import Target, share, table

from netcorr.errors import NetcorrError
from netcorr.position import LocateSettings, locate_survey
from netcorr.rehearsal.places import along_pipes_m, place_on

if TYPE_CHECKING:
    from netcorr.position import Candidate, SurveyFix
    from netcorr.rehearsal import LeakPlace
    from netcorr.simulation import Place

#: Surveys of each kind unless asked otherwise; hundreds are needed for the targets.
SURVEYS = 2
#: A point this near to the leak, along the pipes, is right. [m]
NEAR_M = 5.0
#: With loggers at the sites of a plan, a point this near is. [m]
PLANNED_M = 2.0
#: The leak lies in an area when it is this near to its lines. [m]
AREA_M = 0.5
OURS = "netcorr"
#: The same without being told that there are two leaks: what it lists of its own accord.
UNTOLD = "netcorr, not told of two"
#: How a note says the speed that the survey found, against that of the tables.
_SPEED = re.compile(r"by this survey itself: .*\(([+-][\d.]+) % against the tables")
LEVELS: dict[float, tuple[float, float]] = {0.5: (0.45, 0.55), 0.8: (0.75, 0.85), 0.95: (0.92, 0.98)}

CONDITIONS: dict[str, Condition] = {
    one.key: one
    for one in (
        Condition("iron+6", "iron", 8, 6.0),
        Condition("iron-6", "iron", 8, -6.0),
        Condition("plastic+6", "plastic", 8, 6.0),
        Condition("plastic-6", "plastic", 8, -6.0),
        Condition("planned", "iron", 0, 6.0, "planned"),
        Condition("outside", "iron", 8, 6.0, "outside"),
        Condition("two", "iron", 10, 6.0, "two"),
        Condition("branch-with", "iron", 8, 6.0, "branch with"),
        Condition("branch-without", "iron", 8, 6.0, "branch without"),
        Condition("swapped", "iron", 8, 6.0, "swapped"),
        Condition("misplaced", "iron", 8, 6.0, "misplaced"),
        Condition("clock", "iron", 8, 6.0, "clock"),
        Condition("deaf", "iron", 8, 6.0, "deaf"),
        Condition("none", "iron", 8, 6.0, "none"),
    )
}


@dataclass(frozen=True)
class Job:
    """One survey."""

    kind: str
    seed: int
    number: int


@dataclass(frozen=True)
class Outcome:
    """What came of one survey; distances are along the pipes.

    Attributes
    ----------
    kind, seed, number
        Which survey.
    bracketed : bool
        Whether the leak lies on the shortest way between two loggers.
    error_m : dict of str to float
        By method: from its first choice to the leak; infinite where it names none. [m]
    both : dict of str to bool
        By method: whether its first two choices are the two leaks.
    probability : float
        Of the locator's best candidate; 0 without one.
    between : bool
        Whether it lies between two loggers.
    second : float
        Probability of its second candidate; 0 without one.
    in_area : bool
        Whether the leak lies in the areas of all candidates listed.
    area_m : float
        Pipe in them. [m]
    right_pipe : bool
        Whether the best candidate names the main.
    levels : tuple of float
        Probability of all that is likelier than where the leak is, metre for metre, and the same with that
        place itself: little more for a place that is told apart, all of it for a set of pipes that is not.
        Empty where the locator gives none.
    accused : list of list of str
        Loggers that it says are not as the table has them, note by note.
    at_fault : list of str
        Those that are not.
    speed_errors : dict of str to float
        By material: speed found over the true one, less 1.
    seconds : float
        That the locator took. [s]
    fault : str
        Message of an error.
    """

    kind: str
    seed: int
    number: int
    bracketed: bool = False
    error_m: dict[str, float] = field(default_factory=dict)
    both: dict[str, bool] = field(default_factory=dict)
    probability: float = 0.0
    between: bool = False
    second: float = 0.0
    in_area: bool = False
    area_m: float = 0.0
    right_pipe: bool = False
    levels: tuple[float, ...] = ()
    accused: list[list[str]] = field(default_factory=list)
    at_fault: list[str] = field(default_factory=list)
    speed_errors: dict[str, float] = field(default_factory=dict)
    seconds: float = 0.0
    fault: str = ""


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


def read_outcomes(path: Path | None) -> list[Outcome]:
    """Outcomes of earlier runs of this very code; a line that was cut off is passed over."""
    if path is None or not path.exists():
        return []
    code, found = code_fingerprint(), []
    for line in path.read_text(encoding="utf-8").splitlines():
        with contextlib.suppress(json.JSONDecodeError):
            row = json.loads(line)
            if row["code"] == code:
                found.append(Outcome(**row["outcome"] | {"levels": tuple(row["outcome"]["levels"])}))
    return found


def append_outcomes(path: Path | None, some: Iterable[Outcome]) -> None:
    """Add outcomes to the file, one a line."""
    if path is not None:
        code = code_fingerprint()
        with path.open("a", encoding="utf-8") as stream:
            stream.writelines(json.dumps({"code": code, "outcome": asdict(one)}) + "\n" for one in some)


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
        "speed_errors": _speed_errors(survey, fix),
    }
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


def _speed_errors(survey: DistrictSurvey, fix: SurveyFix) -> dict[str, float]:
    """Speed found by the survey over the true one, less 1, where the locator says one."""
    [(material, factor)] = survey.factors.items()
    told = next((found for note in fix.notes if (found := _SPEED.search(note))), None)
    return {} if told is None else {material: (1 + float(told[1]) / 100) / factor - 1}


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


def report(outcomes: Sequence[Outcome]) -> list[Target]:
    """Print the tables and judge the figures."""
    for one in outcomes:
        if one.fault:
            print(f"{one.kind}, seed {one.seed}, number {one.number}: {one.fault}", file=sys.stderr)
    print(f"{len(outcomes)} surveys, one round of 10 s, speeds off by 2.5 % common and 1 % a pipe.\n")
    print("Leaks between two loggers: within 5 m along the pipes (median, and 90 % within) [m]")
    names = (*METHODS, OURS)
    print(table(("kind", "leaks", *names), _rows(outcomes, names, bracketed=True)))
    print("\nLeaks outside of every pair:")
    print(table(("kind", "leaks", *names), _rows(outcomes, names, bracketed=False)))
    two = _of(outcomes, "two")
    if two:
        print("\nBoth of two leaks within 5 m:")
        print(
            table(
                (*names, UNTOLD),
                [[_yes(one.both.get(name, False) for one in two) for name in (*names, UNTOLD)]],
            )
        )
    print(f"\nWhat {OURS} said:")
    header = ("kind", "surveys", "between", "beyond", "nothing", "in area", "area, median [m]", "s a survey")
    print(table(header, _said(outcomes)))
    if faults := _faults(outcomes):
        print("\nLoggers that are not as the table says:")
        print(table(("fault", "surveys", "named", "others named"), faults))
    return targets(outcomes)


def _of(outcomes: Sequence[Outcome], *kinds: str, bracketed: bool | None = None) -> list[Outcome]:
    return [one for one in outcomes if one.kind in kinds and bracketed in (None, one.bracketed)]


def _rows(outcomes: Sequence[Outcome], names: Sequence[str], *, bracketed: bool) -> list[list[str]]:
    rows = []
    for kind in CONDITIONS:
        some = [one for one in _of(outcomes, kind, bracketed=bracketed) if one.error_m]
        if some:
            rows.append([kind, str(len(some)), *(_cell(errors_of(some, name)) for name in names)])
    return rows


def errors_of(some: Sequence[Outcome], name: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Errors of one method, infinite where it named no place. [m]"""
    return np.array([one.error_m.get(name, math.inf) for one in some])


def _cell(errors_m: np.ndarray[tuple[int], np.dtype[np.float64]]) -> str:
    near = 100 * float(np.mean(errors_m <= NEAR_M))
    return f"{near:.0f} % ({_metres(quantile(errors_m, 0.5))}, {_metres(quantile(errors_m, 0.9))})"


def quantile(errors_m: np.ndarray[tuple[int], np.dtype[np.float64]], level: float) -> float:
    """Smallest error that so large a share does not exceed; infinite ones count. [m]"""
    return float(np.sort(errors_m)[max(math.ceil(level * errors_m.size) - 1, 0)])


def _metres(value: float) -> str:
    return "-" if math.isinf(value) else f"{value:.1f}" if value < 10 else f"{value:.0f}"


def _yes(flags: Iterable[bool]) -> str:
    listed = list(flags)
    return share(sum(listed), of=len(listed))


def _said(outcomes: Sequence[Outcome]) -> list[list[str]]:
    rows = []
    for kind in CONDITIONS:
        if some := _of(outcomes, kind):
            told = [one for one in some if one.probability > 0]
            areas = [one.area_m for one in told if one.area_m > 0]
            rows.append(
                [
                    kind,
                    str(len(some)),
                    str(sum(one.between for one in told)),
                    str(sum(not one.between for one in told)),
                    str(len(some) - len(told)),
                    _yes(one.in_area for one in some) if kind != "none" else "",
                    f"{np.median(areas):.0f}" if areas else "",
                    f"{np.median([one.seconds for one in some]):.1f}",
                ]
            )
    return rows


def targets(outcomes: Sequence[Outcome]) -> list[Target]:
    """Judge the figures that have to be reached, of the kinds that were run."""
    found = []
    for kind, wanted in (("iron+6", 0.88), ("iron-6", 0.65), ("plastic+6", 0.82)):
        some = _of(outcomes, kind, bracketed=True)
        found.append(_least(f"{kind}: within 5 m", (errors_of(some, OURS) <= NEAR_M).tolist(), wanted))
    planned = errors_of(_of(outcomes, "planned"), OURS)
    found.append(_least("loggers at planned sites: within 2 m", (planned <= PLANNED_M).tolist(), 0.95))
    iron = errors_of(_of(outcomes, "iron+6", bracketed=True), OURS)
    p90_m = quantile(iron, 0.9) if iron.size else math.inf
    if iron.size:
        found.append(Target("iron+6: 90 % within", f"{_metres(p90_m)} m", "15 m", p90_m <= 15))
    levels = levels_of(outcomes)
    for level, (low, high) in LEVELS.items():
        held = int((levels <= level).sum())
        met = bool(levels.size and low <= held / levels.size <= high)
        wanted_text = f"{low:.0%} to {high:.0%}"
        measured = share(held, of=levels.size)
        found.append(Target(f"{level:.0%} area holds the leak", measured, wanted_text, met))
    found.append(_least("two leaks: both", [one.both.get(OURS, False) for one in _of(outcomes, "two")], 0.6))
    single = [one.second > 0.5 for one in outcomes if one.kind != "two" and one.kind not in FAULTS]
    met = bool(single) and sum(single) <= 0.03 * len(single)
    found.append(
        Target("second leak told where there is none", share(sum(single), of=len(single)), "3 %", met)
    )
    with_sensor = _of(outcomes, "branch-with")
    found.append(_least("branch with a logger: right pipe", [o.right_pipe for o in with_sensor], 0.95))
    without = _of(outcomes, "branch-without")
    found.append(_least("branch without: inside the area", [one.in_area for one in without], 0.95))
    found += _fault_targets(outcomes)
    measured_at_all = [one for one in found if not one.measured.startswith("0 of 0 ")]
    return [*measured_at_all, *_speed_targets(outcomes)]


def _named_rightly(one: Outcome) -> bool:
    """Whether a note names just the loggers at fault."""
    return any(set(one.at_fault) == set(names) for names in one.accused)


def _faults(outcomes: Sequence[Outcome]) -> list[list[str]]:
    """Of each kind of fault: surveys, the right loggers named, others named."""
    rows = []
    for kind in FAULTS:
        if some := _of(outcomes, kind):
            right = sum(_named_rightly(one) for one in some)
            others = sum(any(set(names) - set(one.at_fault) for names in one.accused) for one in some)
            rows.append([kind, str(len(some)), str(right), str(others)])
    return rows


def _fault_targets(outcomes: Sequence[Outcome]) -> list[Target]:
    """Swapped loggers that are named, and sound ones that are."""
    found = [_least("swapped loggers found", [_named_rightly(one) for one in _of(outcomes, "swapped")], 0.9)]
    sound = [one for one in outcomes if one.kind not in FAULTS]
    wrongly = sum(bool(one.accused) for one in sound)
    met = bool(sound) and wrongly <= 0.02 * len(sound)
    found.append(Target("loggers accused wrongly", share(wrongly, of=len(sound)), "at most 2 %", met))
    return found


def levels_of(outcomes: Sequence[Outcome]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Level of the area that just holds the leak, for every survey with one leak where it was told.

    A set of pipes belongs to an area whole or not at all, so areas of stated probability hold more than that;
    to test the probabilities, the level is drawn evenly between the two that the set has.
    """
    rng = np.random.default_rng(1)
    some = [one.levels for one in outcomes if one.levels and one.kind in _SINGLE]
    return np.array([rng.uniform(low, high) for low, high in some])


#: Kinds with one leak and loggers where they are said to be.
_SINGLE = (
    "iron+6",
    "iron-6",
    "plastic+6",
    "plastic-6",
    "planned",
    "outside",
    "branch-with",
    "branch-without",
)


def _speed_targets(outcomes: Sequence[Outcome]) -> list[Target]:
    errors = [abs(value) for one in outcomes if one.bracketed for value in one.speed_errors.values()]
    if not errors:
        return [Target("wave speed by material", "not told", "within 1 %", met=False)]
    near = [error <= 0.01 for error in errors]
    return [Target("wave speed by material within 1 %", _yes(near), "most", sum(near) > len(near) / 2)]


def _least(name: str, flags: Sequence[bool], wanted: float) -> Target:
    met = bool(flags) and sum(flags) >= wanted * len(flags)
    return Target(name, share(sum(flags), of=len(flags)), f"at least {wanted:.0%}", met)


def compare(outcomes: Sequence[Outcome], kind: str) -> Mapping[str, float]:
    """Share within 5 m of the leaks between loggers, by method."""
    some = _of(outcomes, kind, bracketed=True)
    return {name: float(np.mean(errors_of(some, name) <= NEAR_M)) for name in (*METHODS, OURS)}
