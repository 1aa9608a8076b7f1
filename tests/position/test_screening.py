"""Of many pairs those are compared that may hold something in common, and never fewer than a few."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from netcorr.delay import PreparedRecording, prepare_round
from netcorr.position.screening import pairs_worth_comparing

LOGGERS = "ABCDEFGH"
PAIRS = list(combinations(LOGGERS, 2))
LONGEST_S = [0.05] * len(PAIRS)
HEARD = {("A", "B"), ("A", "C"), ("B", "C")}


def round_of(seed: int, *, source: bool = True, loggers: str = LOGGERS) -> dict[str, PreparedRecording]:
    """Noise in all loggers, and in A, B and C something in common."""
    rng = np.random.default_rng(seed)
    samples = rng.normal(size=(len(loggers), 8000))
    common = rng.normal(size=8200)
    if source:
        for logger, late in (("A", 0), ("B", 60), ("C", 25)):
            if logger in loggers:
                samples[loggers.index(logger)] += common[100 - late : 8100 - late]
    return dict(zip(loggers, prepare_round(samples, 2000.0, max_delay_s=0.05), strict=True))


@pytest.fixture(scope="module")
def rounds() -> list[dict[str, PreparedRecording]]:
    return [round_of(1), round_of(2, source=False)]


def kept(worth: np.ndarray) -> set[tuple[str, str]]:
    return {pair for pair, is_worth in zip(PAIRS, worth, strict=True) if is_worth}


def test_what_one_round_holds_is_enough(rounds: list[dict[str, PreparedRecording]]) -> None:
    for order in (rounds, rounds[::-1]):
        worth, note = pairs_worth_comparing(order, PAIRS, longest_delay_s=LONGEST_S, least=1)
        assert kept(worth) >= HEARD
        # noise passes once in ten pairs and rounds
        assert len(kept(worth)) <= 3 + 8
        assert note.startswith(f"{len(PAIRS) - len(kept(worth))} of {len(PAIRS)} pairs")


def test_small_surveys_are_not_screened() -> None:
    worth, note = pairs_worth_comparing(iter(()), PAIRS, longest_delay_s=LONGEST_S)
    assert worth.all()
    assert note == ""


def test_some_pairs_are_always_kept() -> None:
    quiet = [round_of(3, source=False)]
    worth, _ = pairs_worth_comparing(quiet, PAIRS, longest_delay_s=LONGEST_S, least=12)
    assert 12 <= worth.sum() < len(PAIRS)


def test_a_logger_that_did_not_record() -> None:
    worth, _ = pairs_worth_comparing([round_of(4, loggers="ABDE")], PAIRS, longest_delay_s=LONGEST_S, least=1)
    assert ("A", "B") in kept(worth)
    assert ("A", "C") not in kept(worth)
    none, _ = pairs_worth_comparing([{}], PAIRS, longest_delay_s=LONGEST_S, least=2)
    assert none.sum() == 2
