"""Loggers that were swapped, misplaced, deaf or with a wrong clock are named; the others are not."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import combinations
from typing import Any

import numpy as np
import pytest

from netcorr.network import PipeNetwork
from netcorr.position import LocateSettings
from netcorr.position.network.doubts import ONE_LEAD, Doubt, _of_one
from netcorr.position.network.locate import NetworkFix, locate_on_network
from netcorr.position.network.suspects import Explanation
from netcorr.position.sites import Site

Maker = Callable[..., Any]
SPEED = 1250.0
CLEAR = 500.0

#: A main with two side streets; no two sensors are alike, and H6 to H8 have none.
MAINS = {
    "M": [(0, 0), (300, 0)],
    "S": [(110, 0), (110, 90)],
    "T": [(210, 0), (210, -70)],
}
FITTINGS = {"V1": (0, 0), "V2": (300, 0), "H3": (110, 85), "H4": (210, -60), "V5": (160, 0), "V9": (75, 0)}
FREE = {"H6": (40, 0), "H7": (110, 30), "H8": (250, 0)}


@pytest.fixture(scope="module")
def streets(make_network: Maker) -> PipeNetwork:
    made: PipeNetwork = make_network(MAINS, FITTINGS | FREE, speed_m_s=SPEED)
    return made


def away_m(leak_m: float, fitting: str) -> float:
    """Along the mains from a leak on M, by hand."""
    x, y = (FITTINGS | FREE)[fitting]
    return abs(leak_m - x) + abs(y)


def located(
    network: PipeNetwork,
    make_pairs: Maker,
    *,
    leak_m: float,
    stood_at: Sequence[str],
    wrong: int = 0,
    clocks_s: Mapping[str, float] | None = None,
    deaf: str = "",
) -> NetworkFix:
    """Survey whose table names the fittings in order, while the loggers stood elsewhere; some hear echoes.

    The logger at one fitting may hear nothing, and clocks may be fast.
    """
    rng = np.random.default_rng(5)
    named = list(FITTINGS)
    really = dict(zip(named, stood_at, strict=True))
    clocks = clocks_s or {}
    delays = {}
    for number, (a, b) in enumerate(combinations(named, 2)):
        delay_s = (away_m(leak_m, really[b]) - away_m(leak_m, really[a])) / SPEED
        delay_s += clocks.get(b, 0.0) - clocks.get(a, 0.0)
        far_s = float(rng.uniform(-0.05, 0.05)) if number < wrong else 0.0
        delays[a, b] = {} if deaf in (a, b) else {delay_s + far_s: CLEAR}
    sites = [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(named)]
    return locate_on_network(network, sites, make_pairs(network, named, delays), settings=LocateSettings())


def accusing(fix: NetworkFix) -> list[str]:
    """Notes that say that a logger does not fit."""
    return [note for note in fix.notes if "counts less in this answer" in note or "count less" in note]


@pytest.mark.parametrize(("first", "second"), [("V1", "H3"), ("V2", "H4"), ("V1", "V2")])
def test_swapped_loggers_are_named(streets: PipeNetwork, make_pairs: Maker, first: str, second: str) -> None:
    stood = [{first: second, second: first}.get(name, name) for name in FITTINGS]
    fix = located(streets, make_pairs, leak_m=65.0, stood_at=stood)
    [note] = accusing(fix)
    number = {name: f"L{k + 1}" for k, name in enumerate(FITTINGS)}
    assert note.startswith(f"{number[first]} fits {second} better than {first}")
    assert "were they swapped?" in note
    # by the others alone the answer is right about half of the time
    assert "before anyone digs" in note
    # with the table mended it is where the leak is: 65 m along M, 10 m from V9
    assert "With the two exchanged the leak would most probably be on M, " in note
    from_v9_m = float(note.split(" m along the mains from V9 ")[0].split()[-1])
    assert from_v9_m == pytest.approx(10.0, abs=1.5)
    assert fix.leak <= 0.6
    assert all(one.probability <= 0.6 for one in fix.candidates)
    # the map shows one source or two, none of them surer than that
    on_map = sum(one.probability for one in fix.likelihood)
    assert fix.leak - 1e-6 <= on_map <= 2 * 0.6


@pytest.mark.parametrize(("said", "true"), [("V1", "H6"), ("H3", "H7"), ("V2", "H8")])
def test_a_logger_at_another_fitting_is_named(
    streets: PipeNetwork, make_pairs: Maker, said: str, true: str
) -> None:
    stood = [true if name == said else name for name in FITTINGS]
    fix = located(streets, make_pairs, leak_m=140.0, stood_at=stood)
    [note] = accusing(fix)
    number = {name: f"L{k + 1}" for k, name in enumerate(FITTINGS)}
    assert note.startswith(f"{number[said]} fits {true} better than {said}")
    assert "did it stand there?" in note


@pytest.mark.parametrize(("fitting", "fast_s"), [("V2", 0.03), ("H4", -0.045), ("V1", 0.05)])
def test_a_wrong_clock_is_named(streets: PipeNetwork, make_pairs: Maker, fitting: str, fast_s: float) -> None:
    fix = located(streets, make_pairs, leak_m=140.0, stood_at=list(FITTINGS), clocks_s={fitting: fast_s})
    [note] = accusing(fix)
    number = {name: f"L{k + 1}" for k, name in enumerate(FITTINGS)}
    assert note.startswith(f"{number[fitting]} ")
    said = next(word for word in note.split(" ms ")[0].split()[::-1] if word.isdigit())
    assert abs(int(said) - abs(1000 * fast_s)) <= 1
    assert f"{said} ms {'fast' if fast_s > 0 else 'slow'}" in note


def test_a_deaf_logger_is_named(streets: PipeNetwork, make_pairs: Maker) -> None:
    fix = located(streets, make_pairs, leak_m=150.0, stood_at=list(FITTINGS), deaf="V5")
    [note] = accusing(fix)
    assert note.startswith("L5 at V5 hears nothing of what the others hear")
    best = fix.candidates[0]
    assert best.in_bracket
    assert best.point.x - 350_000 == pytest.approx(150.0, abs=1.5)


def test_a_quiet_logger_far_away_is_not_deaf(streets: PipeNetwork, make_pairs: Maker) -> None:
    fix = located(streets, make_pairs, leak_m=65.0, stood_at=list(FITTINGS), deaf="V2")
    assert not accusing(fix)


def test_without_a_fault_nobody_is_accused(streets: PipeNetwork, make_pairs: Maker) -> None:
    for leak_m in (65.0, 140.0, 250.0):
        fix = located(streets, make_pairs, leak_m=leak_m, stood_at=list(FITTINGS))
        assert not accusing(fix)


def test_what_two_loggers_would_explain_is_put_down_to_none(make_network: Maker, make_pairs: Maker) -> None:
    # V1 stood at H6: with a leak 20 m nearer to it, a clock of H3 32 ms fast explains all delays just as well
    named = [name for name in FITTINGS if name != "V9"]
    network = make_network(MAINS, FITTINGS | FREE, speed_m_s=SPEED)
    really = {name: "H6" if name == "V1" else name for name in named}
    delays = {
        (a, b): {(away_m(140.0, really[b]) - away_m(140.0, really[a])) / SPEED: CLEAR}
        for a, b in combinations(named, 2)
    }
    sites = [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(named)]
    pairs = make_pairs(network, named, delays)
    assert not accusing(locate_on_network(network, sites, pairs, settings=LocateSettings()))


def test_echoes_are_no_fault(streets: PipeNetwork, make_pairs: Maker) -> None:
    fix = located(streets, make_pairs, leak_m=65.0, stood_at=list(FITTINGS), wrong=4)
    assert not accusing(fix)


def test_who_is_accused_counts_less_and_teaches_no_speed(streets: PipeNetwork, make_pairs: Maker) -> None:
    stood = ["H6" if name == "V1" else name for name in FITTINGS]
    fix = located(streets, make_pairs, leak_m=140.0, stood_at=stood)
    assert fix.speeds == ()
    assert fix.candidates[0].point.x - 350_000 == pytest.approx(140.0, abs=2.0)


SITES = [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(FITTINGS)]


def test_who_fits_as_it_stands_is_not_accused() -> None:
    clock = Explanation(2, 12.0, late_s=-0.04)
    others = (Explanation(1, 12.0 - ONE_LEAD), None)
    for fits in (0.0, 0.5, 0.9):
        doubt = _of_one([(clock, None), others], {1: 1.0, 2: fits})
        assert doubt == Doubt("clock", (2,), gain=12.0, late_s=-0.04)
    assert _of_one([(clock, None), others], {1: 0.5, 2: 1.0}) is None
    # one with too few loud pairs to tell is not known to fit
    assert _of_one([(clock, None), others], {1: 1.0}) is not None


def test_of_two_that_would_do_as_well_neither_is_accused() -> None:
    clock, rival = Explanation(2, 12.0, late_s=-0.04), Explanation(1, 12.1 - ONE_LEAD, late_s=0.02)
    assert _of_one([(clock, None), (rival, None)], {1: 0.5, 2: 0.5}) is None
    assert _of_one([], {}) is None


def test_a_place_is_told_with_the_clock_that_would_do_as_well() -> None:
    note = Doubt("elsewhere", (0,), gain=5.0, fitting="H6", late_s=-0.012).note(SITES)
    assert note == (
        "L1 fits H6 better than V1 by what the others hear: did it stand there? A clock 12 ms slow would "
        "explain it as well. What it says counts less in this answer; check the table and locate again"
    )


def test_a_clock_is_told_with_the_place_that_would_do_as_well() -> None:
    note = Doubt("clock", (1,), gain=5.0, fitting="H8", late_s=0.0124).note(SITES)
    assert note.startswith(
        "L2 does not fit the others: a clock 12 ms fast would explain it, or H8 in place of V2. "
    )
    assert (
        Doubt("clock", (1,), late_s=0.0124)
        .note(SITES)
        .startswith(
            "L2 does not fit the others: a clock 12 ms fast would explain it. What it says counts less"
        )
    )
