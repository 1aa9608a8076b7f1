"""Accuracy of the whole chain on random simulated surveys; truth of its areas and probabilities."""

from __future__ import annotations

import itertools
import sys
from collections import Counter
from collections.abc import Sequence

import numpy as np
from bench_pool import run_all
from bench_surveys import KINDS, Answer, Job, run_survey
from bench_table import Target, share, table

#: Common practice calls a hit within 3 feet a good one. [m]
GOOD_HIT_M = 0.9
#: A candidate above this would send a crew out.
ALARM = 0.5
#: Ends of the classes of stated probability.
CLASSES = (0.05, 0.5, 0.8, 0.9, 0.96, 1.0)


def bench_locate(*, surveys: int | None, seed: int, workers: int) -> list[Target]:
    """Run all kinds of surveys, print what came out, and return the targets.

    Parameters
    ----------
    surveys : int or None
        Of each kind (twice as many without a leak); None for the full benchmark.
    seed : int
        Another seed gives other streets.
    workers : int
        Processes.

    Returns
    -------
    list of Target
        Accuracy, coverage, false alarms, leaks beyond a sensor.
    """
    by_kind: dict[str, list[Answer]] = {}
    for name, kind in KINDS.items():
        count = max(surveys * kind.surveys // 100, 1) if surveys else kind.surveys
        jobs = [Job(name, seed, number) for number in range(count)]
        print(kind.title, file=sys.stderr)
        by_kind[name] = run_all(run_survey, jobs, workers=workers)
        print("\n".join(one.line() for one in by_kind[name] if is_wrong(one)), file=sys.stderr)
    print(
        "Streets with 40-220 m of main between two sensors; recordings of 10 s, two rounds; leaks 5 m or "
        "more from the sensors;\nclocks off by 0.1 ms sd, and told; -6 to +12 dB at the quieter sensor where "
        "not said otherwise.\n"
    )
    print(table(_ACCURACY_HEADER, [_accuracy(name, of) for name, of in by_kind.items() if _between(name)]))
    print()
    print(table(_OUTCOME_HEADER, [_outcomes(name, of) for name, of in by_kind.items()]))
    print("\nStated probability of the best candidate, and how often it was right (all kinds together):")
    print(
        table(
            ("probability", "surveys", "stated mean", "right"),
            _reliability([one for of in by_kind.values() for one in of]),
        )
    )
    _print_misses(by_kind)
    return targets(by_kind)


def targets(by_kind: dict[str, list[Answer]]) -> list[Target]:
    """Judge the figures that have to be reached."""
    given, other, quiet, beyond = (by_kind[name] for name in ("given", "not given", "no leak", "beyond"))
    near, held = sum(map(is_near, given)), sum(one.held for one in other)
    alarms = sum(is_alarm(one) for one in quiet)
    told = sum(one.outcome == one.truth for one in beyond)
    held_share = held / max(len(other), 1)
    return [
        Target(
            f"speeds given: within {GOOD_HIT_M} m",
            share(near, of=len(given)),
            "95 % or more",
            near >= 0.95 * len(given),
        ),
        Target(
            "speeds not given: 95 % area holds the leak",
            share(held, of=len(other)),
            "90 to 99 %",
            0.90 <= held_share <= 0.99,
        ),
        Target(
            f"no leak: a candidate above {ALARM}",
            share(alarms, of=len(quiet)),
            "1 % or less",
            alarms <= 0.01 * len(quiet),
        ),
        Target(
            "leak beyond a sensor: told so",
            share(told, of=len(beyond)),
            "95 % or more",
            told >= 0.95 * len(beyond),
        ),
    ]


def is_near(one: Answer) -> bool:
    """Whether the best candidate is a good hit."""
    return abs(one.error_m) <= GOOD_HIT_M  # never true for NaN


def is_alarm(one: Answer) -> bool:
    """Whether a crew would go out; a locator that failed does not count as silent."""
    return one.alarm > ALARM or bool(one.fault)


def is_wrong(one: Answer) -> bool:
    """Whether an answer counts against the target of its kind, or the locator failed."""
    kind = KINDS[one.job.kind]
    if one.fault:
        return True
    if kind.leak == "none":
        return is_alarm(one)
    if kind.leak == "beyond":
        return one.outcome != one.truth
    return not (is_near(one) if kind.speeds_given else one.held)


_ACCURACY_HEADER = (
    "leak between the sensors",
    f"within {GOOD_HIT_M} m",
    "median m",
    "90th pct m",
    "95 % area holds it",
    "median width m",
    "median of |z|",
    "sd of z",
)
_OUTCOME_HEADER = ("told", "between", "beyond A", "beyond B", "none heard", "failed", "right", "alarm > 0.5")


def _between(name: str) -> bool:
    return KINDS[name].leak == "between"


def _accuracy(name: str, answers: Sequence[Answer]) -> tuple[str, ...]:
    off_m = np.array([abs(one.error_m) for one in answers])
    off_m[np.isnan(off_m)] = np.inf  # missed altogether
    z = np.array([one.z for one in answers])
    z = z[np.isfinite(z)]
    return (
        KINDS[name].title,
        share(sum(map(is_near, answers)), of=len(answers)),
        f"{np.quantile(off_m, 0.5, method='higher'):.2f}",
        f"{np.quantile(off_m, 0.9, method='higher'):.2f}",
        share(sum(one.held for one in answers), of=len(answers)),
        f"{np.median([one.width_m for one in answers]):.1f}",
        f"{np.median(np.abs(z)):.2f}" if z.size else "-",
        f"{z.std():.2f}" if z.size else "-",
    )


def _outcomes(name: str, answers: Sequence[Answer]) -> tuple[object, ...]:
    told = Counter(one.outcome for one in answers)
    words = ("between", "at or beyond A", "at or beyond B", "no leak heard", "failed")
    right = sum(one.outcome == one.truth for one in answers)
    alarms = sum(one.alarm > ALARM for one in answers)
    return (KINDS[name].title, *(told[word] for word in words), share(right, of=len(answers)), alarms)


def _reliability(answers: Sequence[Answer]) -> list[tuple[object, ...]]:
    rows: list[tuple[object, ...]] = []
    for low, high in itertools.pairwise(CLASSES):
        inside = [one for one in answers if low < one.probability <= high]
        if inside:
            mean = np.mean([one.probability for one in inside])
            right = share(sum(one.right for one in inside), of=len(inside))
            rows.append((f"{low:.2f} to {high:.2f}", len(inside), f"{mean:.2f}", right))
    return rows


def _print_misses(by_kind: dict[str, list[Answer]]) -> None:
    """List what counts against a target, so that it can be run again."""
    wrong = [one for of in by_kind.values() for one in of if is_wrong(one)]
    print("\nMisses (`run_survey` of scripts/bench_surveys.py repeats one):")
    print("\n".join(f"  {one.line()}" for one in wrong) or "  none")
