"""Tables and targets of `bench_district`, from the outcomes of its surveys."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from bench_district_faults import FAULTS
from bench_district_methods import METHODS
from bench_district_outcomes import CONDITIONS, NEAR_M, OURS, UNTOLD, Outcome
from bench_table import Target, share, table

#: With loggers at the sites of a plan, a point this near is right. [m]
PLANNED_M = 2.0
#: A wave speed is right when it is this near, as a share of it.
SPEED_NEAR = 0.01
LEVELS: dict[float, tuple[float, float]] = {0.5: (0.45, 0.55), 0.8: (0.75, 0.85), 0.95: (0.92, 0.98)}


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
    """Speeds told by the survey: those stated to 1 % or better, and what all state of their errors."""
    told = [
        (abs(error), one.speed_sds[material])
        for one in outcomes
        if one.bracketed
        for material, error in one.speed_errors.items()
    ]
    if not told:
        return [Target("wave speed by material", "not told", "within 1 %", met=False)]
    near = [error <= SPEED_NEAR for error, sd in told if sd <= SPEED_NEAR]
    fair = [error <= 2 * sd for error, sd in told]
    name = "wave speed within 1 %, where it is stated to 1 % or better"
    return [
        Target(name, _yes(near), "most", sum(near) > len(near) / 2),
        _least("wave speeds within twice the error stated", fair, 0.9),
    ]


def _least(name: str, flags: Sequence[bool], wanted: float) -> Target:
    met = bool(flags) and sum(flags) >= wanted * len(flags)
    return Target(name, share(sum(flags), of=len(flags)), f"at least {wanted:.0%}", met)


def compare(outcomes: Sequence[Outcome], kind: str) -> Mapping[str, float]:
    """Share within 5 m of the leaks between loggers, by method."""
    some = _of(outcomes, kind, bracketed=True)
    return {name: float(np.mean(errors_of(some, name) <= NEAR_M)) for name in (*METHODS, OURS)}
