"""Fit the constants of `netcorr/position/reliability.py` to simulated surveys whose answers are known.

``.venv/bin/python scripts/fit_reliability.py --seeds 103,104,105 --surveys 400 --outcomes FILE``. What the
model says of a survey before it is put right is kept in FILE, one line each, so that another form of the
constants is tried in seconds. Every fit is also judged on seeds that it has not seen.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from unittest import mock

import numpy as np
from bench_mixed import MixedJob, MixedSurvey, draw_survey
from bench_pool import run_all
from bench_table import table
from scipy.optimize import minimize
from scipy.special import xlogy

from netcorr.errors import NetcorrError
from netcorr.position import locate_survey, reliability
from netcorr.position.candidates import find_candidates, listed_stretches
from netcorr.position.region import Stretch

#: Constants that are fitted together, and where the search starts.
START: dict[str, float] = {"UNFORESEEN": 0.01, "SILENCE": 1.5, "ODDS_POWER": 1.1, "SECOND_ODDS": 1.5}
#: Constants fitted together beside each alone and all of them.
COMBINED = (("SILENCE", "ODDS_POWER"), ("SILENCE", "ODDS_POWER", "SECOND_ODDS"))
#: What leaves the model as it is, but for what it does not foresee.
NEUTRAL: dict[str, float] = {"UNFORESEEN": 0.01, "SILENCE": 1.0, "ODDS_POWER": 1.0, "SECOND_ODDS": 1.0}
#: No stated probability is taken to be nearer to 0 or 1 than this: one surprise must not decide a fit.
SURE = 1e-4

Place = tuple[float, bool]


@dataclass(frozen=True)
class Modelled:
    """What the model says of a survey before it is put right, and what is true.

    Attributes
    ----------
    job : MixedJob
        Which survey.
    hypotheses : tuple of float
        Probabilities of a leak between, a source at or beyond A, one at or beyond B, and silence.
    truth : int
        Which of them is true.
    places : tuple of (float, bool)
        Probability of each stretch, given a leak between, and whether it holds one.
    second : float
        Probability of a second leak, 0 for none.
    second_places : tuple of (float, bool)
        Its stretches elsewhere than those of the first.
    """

    job: MixedJob
    hypotheses: tuple[float, ...]
    truth: int
    places: tuple[Place, ...]
    second: float
    second_places: tuple[Place, ...]


def model(job: MixedJob) -> Modelled | None:
    """Draw and locate one survey, and listen to what the model says on the way.

    None for what is refused, and where nothing is learnt, as nothing is put right there.
    """
    survey = draw_survey(job)
    with (
        mock.patch("netcorr.position.pair.reliable", wraps=reliability.reliable) as corrected,
        mock.patch("netcorr.position.pair.find_candidates", wraps=find_candidates) as listed,
    ):
        try:
            locate_survey(survey.map, survey.recordings)
        except NetcorrError:
            return None
    if not corrected.called:
        return None
    raw, better = corrected.call_args.args[0], listed.call_args.args[0]
    second, settings = listed.call_args.kwargs["second"], listed.call_args.kwargs["settings"]

    first = listed_stretches(better.position_m, better.density_per_m, settings=settings)
    beside = listed_stretches(better.position_m, second.density_per_m, settings=settings) if second else ()
    likely = [one for one in first if one.mass * better.between > settings.least_probability]
    return Modelled(
        job,
        hypotheses=(raw.between, raw.beyond_a, raw.beyond_b, raw.none),
        truth=_truth(survey),
        places=tuple((one.mass, _holds(survey, one)) for one in first),
        second=second.probability if second else 0.0,
        second_places=tuple((one.mass, _holds(survey, one)) for one in beside if _apart(one, likely)),
    )


def _apart(one: Stretch, others: Sequence[Stretch]) -> bool:
    """Whether neither has its best point in the other, or it is not listed beside it."""
    return not any(
        one.low_m <= other.best_m <= one.high_m or other.low_m <= one.best_m <= other.high_m
        for other in others
    )


def _holds(survey: MixedSurvey, one: Stretch) -> bool:
    return any(one.low_m <= x <= one.high_m for x in survey.between_m)


def _truth(survey: MixedSurvey) -> int:
    if survey.between_m:
        return 0
    return {"A": 1, "B": 2, "": 3}[survey.beyond]


@contextmanager
def in_place(constants: Mapping[str, float]) -> Iterator[None]:
    """These constants in place of those of `netcorr.position.reliability`, for as long as it lasts."""
    before = {name: getattr(reliability, name) for name in constants}
    try:
        for name, value in constants.items():
            setattr(reliability, name, value)
        yield
    finally:
        for name, value in before.items():
            setattr(reliability, name, value)


def log_likelihood(surveys: Sequence[Modelled], constants: Mapping[str, float]) -> tuple[float, float]:
    """Of which hypothesis is true, and of which candidates are right, with given constants. [nats]

    Parameters
    ----------
    surveys : sequence of Modelled
        At least one.
    constants : mapping of str to float
        Names of `netcorr.position.reliability` and their values; others stay as they are.

    Returns
    -------
    (float, float)
        Sums over all surveys; the closer to 0 the better.
    """
    with in_place(constants):
        hypotheses = reliability.reliable_hypotheses(np.array([one.hypotheses for one in surveys]))
        true = hypotheses[np.arange(len(surveys)), [one.truth for one in surveys]]
        stated, right = _candidates(surveys, hypotheses)
    likely = np.clip(stated, SURE, 1 - SURE)
    of_candidates = xlogy(right, likely) + xlogy(1 - right, 1 - likely)
    return float(np.log(true).sum()), float(of_candidates.sum())


def _candidates(surveys: Sequence[Modelled], hypotheses: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Stated probabilities of all candidates, however low, and whether they are right."""
    stated: list[float] = []
    right: list[bool] = []
    for one, (between, beyond_a, beyond_b, _) in zip(surveys, hypotheses, strict=True):
        stated += [reliability.candidate_probability(mass * between) for mass, _ in one.places]
        beside = reliability.second_probability(one.second)
        stated += [reliability.candidate_probability(mass) * beside for mass, _ in one.second_places]
        stated += [reliability.candidate_probability(p) for p in (beyond_a, beyond_b)]
        right += [holds for _, holds in (*one.places, *one.second_places)]
        right += [one.truth == 1, one.truth == 2]
    return np.array(stated, dtype=float), np.array(right, dtype=float)


def fit(surveys: Sequence[Modelled], names: Sequence[str]) -> dict[str, float]:
    """The constants of these names with the largest likelihood, the others as they are.

    Parameters
    ----------
    surveys : sequence of Modelled
        What to fit.
    names : sequence of str
        Among `START`.

    Returns
    -------
    dict of str to float
        The fitted ones.
    """

    def lost(logs: np.ndarray) -> float:
        constants = {name: float(np.exp(value)) for name, value in zip(names, logs, strict=True)}
        if constants.get("UNFORESEEN", 0.0) > 0.5:
            return np.inf
        return -sum(log_likelihood(surveys, constants))

    start = np.log([START[name] for name in names])
    found = minimize(lost, start, method="Nelder-Mead", options={"xatol": 0.01, "fatol": 0.01})
    return {name: float(np.exp(value)) for name, value in zip(names, found.x, strict=True)}


def unseen(surveys: Sequence[Modelled], names: Sequence[str]) -> tuple[float, float]:
    """Log-likelihood of every seed with the constants fitted to the other seeds. [nats]"""
    sums = []
    for seed in {one.job.seed for one in surveys}:
        others = [one for one in surveys if one.job.seed != seed]
        kept = [one for one in surveys if one.job.seed == seed]
        sums.append(log_likelihood(kept, fit(others, names)))
    hypotheses, candidates = np.sum(sums, axis=0)
    return float(hypotheses), float(candidates)


def read(file: Path) -> list[Modelled]:
    """Surveys kept in a file."""
    if not file.exists():
        return []
    return [_modelled(json.loads(line)) for line in file.read_text(encoding="utf-8").splitlines()]


def _modelled(row: dict[str, object]) -> Modelled:
    def tuples(value: object) -> object:
        return tuple(map(tuples, value)) if isinstance(value, list) else value

    plain = {name: tuples(value) for name, value in row.items() if name != "job"}
    return Modelled(MixedJob(**row["job"]), **plain)  # type: ignore[arg-type]


def main(arguments: list[str]) -> int:
    """Run the surveys that are not in the file, and print the fits."""
    parser = argparse.ArgumentParser(prog="fit_reliability.py", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seeds", required=True, help="joined by commas; two or more")
    parser.add_argument("--surveys", type=int, default=400, help="of each seed (default: 400)")
    parser.add_argument("--outcomes", type=Path, required=True, help="file to keep what the model says in")
    parser.add_argument("--workers", type=int, default=2, help="processes (default: 2)")
    options = parser.parse_args(arguments)
    jobs = [MixedJob(int(seed), n) for seed in options.seeds.split(",") for n in range(options.surveys)]
    known = {one.job for one in read(options.outcomes)}
    with options.outcomes.open("a", encoding="utf-8") as stream:

        def keep(one: Modelled | None) -> None:
            if one is not None:
                stream.write(json.dumps(asdict(one)) + "\n")
                stream.flush()

        run_all(model, [job for job in jobs if job not in known], workers=options.workers, keep=keep)
    wanted = set(jobs)
    surveys = [one for one in read(options.outcomes) if one.job in wanted]
    print(f"{len(surveys)} surveys of seeds {options.seeds}; log-likelihoods in nats\n")
    print(fits(surveys))
    return 0


def fits(surveys: Sequence[Modelled]) -> str:
    """Table of the constants as they are, and of fits of one, two or all of them."""
    rows: list[tuple[object, ...]] = [("as they are", *_nats(*log_likelihood(surveys, {})), "", "")]
    for names in ((), *((name,) for name in START), *COMBINED, tuple(START)):
        with in_place(NEUTRAL):
            found = fit(surveys, names) if names else {}
            words = ", ".join(f"{name} {value:.3g}" for name, value in found.items()) or "none"
            others = unseen(surveys, names)
            rows.append((words, *_nats(*log_likelihood(surveys, found)), *_nats(*others)))
    return table(("constants", "hypotheses", "candidates", "hypotheses, unseen", "candidates, unseen"), rows)


def _nats(hypotheses: float, candidates: float) -> tuple[str, str]:
    return f"{hypotheses:.1f}", f"{candidates:.1f}"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
