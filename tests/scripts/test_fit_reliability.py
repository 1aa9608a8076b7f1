"""Constants that surveys were drawn with are found again; what the model says is written down as it is."""

from __future__ import annotations

import importlib
import json
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from netcorr.position import reliability

NEUTRAL = {"UNFORESEEN": 0.0, "SILENCE": 1.0, "ODDS_POWER": 1.0, "SECOND_ODDS": 1.0}


@pytest.fixture
def fitting() -> ModuleType:
    return importlib.import_module("fit_reliability")


def drawn(
    fitting: ModuleType, count: int, *, silence: float = 1.0, power: float = 1.0, seeds: int = 2
) -> list[Any]:
    """Surveys whose truths are drawn with the probabilities that these constants state."""
    rng = np.random.default_rng(4)
    surveys = []
    with fitting.in_place({"UNFORESEEN": 0.0, "SILENCE": silence, "ODDS_POWER": power, "SECOND_ODDS": 1.0}):
        for number in range(count):
            model = rng.dirichlet([0.6] * 4)
            stated = reliability.reliable_hypotheses(model)
            truth = int(rng.choice(4, p=stated))
            right = rng.random() < reliability.candidate_probability(0.6 * stated[0]) / max(stated[0], 1e-9)
            places = ((0.6, bool(truth == 0 and right)),)
            job = fitting.MixedJob(number % seeds, number)
            surveys.append(fitting.Modelled(job, tuple(model), truth, places, 0.0, ()))
    return surveys


def test_the_odds_of_silence_are_found_again(fitting: ModuleType) -> None:
    with fitting.in_place(NEUTRAL):
        found = fitting.fit(drawn(fitting, 3000, silence=3.0), ("SILENCE",))
    assert found["SILENCE"] == pytest.approx(3.0, rel=0.2)


def test_honest_probabilities_are_left_alone(fitting: ModuleType) -> None:
    with fitting.in_place(NEUTRAL):
        found = fitting.fit(drawn(fitting, 3000), ("SILENCE", "ODDS_POWER"))
    assert found["SILENCE"] == pytest.approx(1.0, rel=0.2)
    assert found["ODDS_POWER"] == pytest.approx(1.0, abs=0.1)


def test_the_truth_is_likelier_on_surveys_not_seen(fitting: ModuleType) -> None:
    surveys = drawn(fitting, 1500, silence=4.0, seeds=3)
    with fitting.in_place(NEUTRAL):
        before = fitting.log_likelihood(surveys, {})
        after = fitting.unseen(surveys, ("SILENCE",))
    assert sum(after) > sum(before) + 20


def test_a_fit_leaves_the_constants_as_they_were(fitting: ModuleType) -> None:
    before = [getattr(reliability, name) for name in fitting.START]
    fitting.fit(drawn(fitting, 50), tuple(fitting.START))
    after = [getattr(reliability, name) for name in fitting.START]
    assert after == before


def test_a_second_leak_counts_with_its_own_probability(fitting: ModuleType) -> None:
    job = fitting.MixedJob(1, 1)
    one = fitting.Modelled(job, (1.0, 0.0, 0.0, 0.0), 0, ((1.0, True),), 0.4, ((1.0, True),))
    with fitting.in_place(NEUTRAL):
        hypotheses, candidates = fitting.log_likelihood([one], {})
    assert hypotheses == 0
    # both ends are nearly impossible and rightly so, the first is nearly sure; what counts is the second
    assert candidates == pytest.approx(np.log(0.4), abs=1e-3)


def test_the_model_is_listened_to(fitting: ModuleType, tmp_path: Path) -> None:
    job = fitting.MixedJob(4, 1, kind="leak", mix="metal")
    heard = fitting.model(job)
    assert sum(heard.hypotheses) == pytest.approx(1)
    assert heard.truth == 0
    answer = importlib.import_module("bench_mixed").run_mixed(job)
    # what the benchmark lists is this, put right
    between = reliability.reliable_hypotheses(np.array(heard.hypotheses))[0]
    assert between == pytest.approx(answer.between)
    best = max(answer.candidates)
    stated = [reliability.candidate_probability(mass * between) for mass, _ in heard.places]
    assert max(stated) == pytest.approx(best[0])
    assert heard.places[int(np.argmax(stated))][1] == best[1]
    file = tmp_path / "kept.jsonl"
    file.write_text(json.dumps(fitting.asdict(heard)) + "\n")
    assert fitting.read(file) == [heard]


def test_the_table_says_what_every_fit_is_worth(fitting: ModuleType) -> None:
    table = fitting.fits(drawn(fitting, 200, silence=3.0))
    assert "as they are" in table
    # the constants as they are, none at all, and seven fits
    assert sum("unseen" not in line and "." in line for line in table.splitlines()) == 9
