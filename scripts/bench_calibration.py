"""Whether stated probabilities and areas are true, over random surveys of all kinds."""

from __future__ import annotations

import itertools
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from bench_mixed import MATERIALS, SHARES, MixedAnswer, MixedJob, run_mixed
from bench_outcomes import Outcomes
from bench_pool import run_all
from bench_table import Target, interval, share, table

#: Surveys of a full benchmark.
SURVEYS = 500
#: Ends of the classes of stated probability, few enough that each has some fifty candidates.
CLASSES = (0.05, 0.2, 0.5, 0.8, 0.93, 1.0)
#: Ends of the classes of the outcome told, which is the most probable of four.
OUTCOME_CLASSES = (0.25, 0.5, 0.8, 0.9, 0.95, 1.0)
#: A class lies this near the diagonal, ...
NEAR_DIAGONAL = 0.08
#: ... and with fewer candidates than this nothing can be said of it.
LEAST_COUNT = 15
#: Levels of the areas, and the shares in which they must hold the leak.
LEVELS: dict[float, tuple[float, float]] = {0.5: (0.45, 0.55), 0.8: (0.75, 0.85), 0.95: (0.92, 0.98)}
#: A candidate above this would send a crew out.
ALARM = 0.5
#: A second leak is told when two candidates between the sensors lie above this.
SECOND = 0.5


def bench_calibration(
    *, surveys: int | None, seed: int, workers: int, outcomes: Path | None = None
) -> list[Target]:
    """Run surveys of all kinds, print what was stated and what was true, and return the targets.

    Parameters
    ----------
    surveys : int or None
        How many; None for the full benchmark.
    seed : int
        Another seed gives other surveys.
    workers : int
        Processes.
    outcomes : Path, optional
        File of the outcomes: surveys that are in it are not run again.

    Returns
    -------
    list of Target
        Reliability of the probabilities, coverage of the areas, false second leaks.
    """
    jobs = [MixedJob(seed, number) for number in range(surveys or SURVEYS)]
    kept = Outcomes(outcomes)
    missing = [job for job in jobs if job not in kept.answers]
    run_all(run_mixed, missing, workers=workers, keep=kept.add)
    answers = [kept.answers[job] for job in jobs]
    for one in answers:
        if one.fault:
            print(f"survey {one.job.number}: {one.fault}", file=sys.stderr)
    return report(answers)


def report(answers: Sequence[MixedAnswer]) -> list[Target]:
    """Print the tables and judge the figures."""
    print(
        f"{len(answers)} surveys of two rounds of 10 s; {_shares(SHARES)}; {_shares(MATERIALS)};\n"
        "-12 to +12 dB at the quieter sensor, clocks 0.05 to 0.3 ms sd that drift by 8 millionths sd, "
        "usage in a third,\nhum in half, one sensor reversed in a seventh.\n"
    )
    print("Stated probability of every candidate listed, and how often it held a leak:")
    print(table(("probability", "candidates", "stated mean", "right", "off"), _reliability(answers)))
    print("\nStated probability of the outcome told (a leak between, beyond A or B, none heard):")
    print(table(("probability", "surveys", "stated mean", "right", "off"), _told(answers)))
    print("\nShare of leaks inside the area of a level (one leak, heard between the sensors):")
    print(table(("pipes", "leaks", *(f"{level:.0%}" for level in LEVELS)), _coverage(answers)))
    print("\nWhat was told:")
    header = ("there was", "surveys", "between", "beyond A", "beyond B", "none heard", "failed", "right")
    print(table((*header, "alarm > 0.5", "two told"), _outcomes(answers)))
    found = [one for one in answers if one.kind == "leak"]
    within = (
        f"{limit:g} m {share(sum(one.error_m <= limit for one in found), of=len(found))}"
        for limit in (0.9, 2.0, 5.0)
    )
    print(f"\nOne leak: best candidate between the sensors within {', '.join(within)}")
    return targets(answers)


def targets(answers: Sequence[MixedAnswer]) -> list[Target]:
    """Judge the figures that have to be reached."""
    pairs = [pair for pair in classes(answers) if pair[0] >= LEAST_COUNT]
    worst = max(pairs, key=lambda pair: abs(pair[1] - pair[2]), default=(0, 0.0, 1.0))
    reliable = Target(
        f"candidates: stated against true, worst class of {LEAST_COUNT} or more",
        f"{worst[1]:.2f} -> {worst[2]:.2f} ({worst[0]})",
        f"within {NEAR_DIAGONAL}",
        abs(worst[1] - worst[2]) <= NEAR_DIAGONAL,
    )
    heard = _levels(answers)
    areas = [
        Target(
            f"{level:.0%} area holds the leak",
            share(int((heard <= level).sum()), of=heard.size),
            f"{low:.0%} to {high:.0%}",
            bool(low <= np.mean(heard <= level) <= high) if heard.size else False,
        )
        for level, (low, high) in LEVELS.items()
    ]
    single = [one for one in answers if one.kind != "two"]
    false = sum(tells_two(one) for one in single)
    second = Target(
        "one source or none: two leaks told",
        share(false, of=len(single)),
        "below 3 %",
        false < 0.03 * len(single),
    )
    return [reliable, *areas, second]


def classes(answers: Sequence[MixedAnswer]) -> list[tuple[int, float, float]]:
    """Candidates, mean stated probability and share that was right, for each class with any."""
    return _classes([candidate[:2] for one in answers for candidate in one.candidates], CLASSES)


def _classes(pairs: Sequence[tuple[float, bool]], ends: Sequence[float]) -> list[tuple[int, float, float]]:
    """How many were stated between two ends, their mean, and the share that was right."""
    stated = np.array([pair[0] for pair in pairs])
    right = np.array([pair[1] for pair in pairs], dtype=bool)
    found = []
    for low, high in itertools.pairwise(ends):
        inside = (stated > low) & (stated <= high)
        if inside.any():
            found.append((int(inside.sum()), float(stated[inside].mean()), float(right[inside].mean())))
    return found


def tells_two(one: MixedAnswer) -> bool:
    """Whether two leaks between the sensors are told."""
    return sum(between and probability > SECOND for probability, _, between in one.candidates) >= 2


def _reliability(answers: Sequence[MixedAnswer]) -> list[tuple[object, ...]]:
    return _rows(classes(answers), CLASSES)


def _told(answers: Sequence[MixedAnswer]) -> list[tuple[object, ...]]:
    """What was told of all surveys, each with the probability stated of it."""
    pairs = [(one.sure, one.outcome == one.truth) for one in answers if one.sure]
    return _rows(_classes(pairs, OUTCOME_CLASSES), OUTCOME_CLASSES)


def _rows(found: Sequence[tuple[int, float, float]], ends: Sequence[float]) -> list[tuple[object, ...]]:
    rows: list[tuple[object, ...]] = []
    for count, stated, right in found:
        hits = round(right * count)
        low, high = interval(hits, of=count)
        text = f"{right:.2f} ({low:.2f}-{high:.2f})"
        rows.append((_class_of(stated, ends), count, f"{stated:.2f}", text, f"{right - stated:+.2f}"))
    return rows


def _class_of(stated: float, ends: Sequence[float]) -> str:
    low, high = next(pair for pair in itertools.pairwise(ends) if stated <= pair[1])
    return f"{low:.2f} to {high:.2f}"


def _levels(answers: Sequence[MixedAnswer], mix: str = "") -> np.ndarray:
    """Level at which the area just holds the leak, of surveys that heard one leak between the sensors."""
    return np.array(
        [
            level
            for one in answers
            if one.kind == "leak" and one.between > ALARM and mix in ("", one.mix)
            for level in one.levels
        ]
    )


def _coverage(answers: Sequence[MixedAnswer]) -> list[tuple[object, ...]]:
    rows: list[tuple[object, ...]] = []
    for name in ("", *MATERIALS):
        heard = _levels(answers, name)
        shares = (share(int((heard <= level).sum()), of=heard.size) for level in LEVELS)
        rows.append((name or "all", heard.size, *shares))
    return rows


def _outcomes(answers: Sequence[MixedAnswer]) -> list[tuple[object, ...]]:
    words = ("between", "at or beyond A", "at or beyond B", "no leak heard", "failed")
    rows: list[tuple[object, ...]] = []
    for kind in SHARES:
        of = [one for one in answers if one.kind == kind]
        told = Counter(one.outcome for one in of)
        right = sum(one.outcome == one.truth for one in of)
        alarms = sum(any(inside and p > ALARM for p, _, inside in one.candidates) for one in of)
        two = sum(map(tells_two, of))
        rows.append((kind, len(of), *(told[word] for word in words), share(right, of=len(of)), alarms, two))
    return rows


def _shares(shares: dict[str, float]) -> str:
    return ", ".join(f"{name} {part:.0%}" for name, part in shares.items())
