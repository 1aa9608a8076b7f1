"""Other tables than the one that is stated: what would make a survey fit, and by how much."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from itertools import combinations
from typing import Any

import pytest

from netcorr.network import PipeNetwork
from netcorr.position import LocateSettings
from netcorr.position.network.evidence import NetworkEvidence, gather_evidence
from netcorr.position.network.suspects import Suspicion
from netcorr.position.network.times import sensor_times
from netcorr.position.sites import Site

Maker = Callable[..., Any]
SPEED = 1250.0
CLEAR = 500.0
MAINS = {"M": [(0, 0), (300, 0)], "S": [(110, 0), (110, 90)], "T": [(210, 0), (210, -70)]}
LOGGERS = {"V1": (0, 0), "V2": (300, 0), "H3": (110, 85), "H4": (210, -60), "V5": (160, 0), "V9": (75, 0)}
FREE = {"H6": (40, 0), "H8": (250, 0)}
LEAK_M = 140.0


@pytest.fixture(scope="module")
def streets(make_network: Maker) -> PipeNetwork:
    made: PipeNetwork = make_network(MAINS, LOGGERS | FREE, speed_m_s=SPEED)
    return made


def evidence_of(
    network: PipeNetwork,
    make_pairs: Maker,
    *,
    really: Mapping[str, str] | None = None,
    clocks_s: Mapping[str, float] | None = None,
    deaf: str = "",
) -> NetworkEvidence:
    """Evidence of a survey whose loggers are where `LOGGERS` says, but for those in `really`."""
    places = LOGGERS | FREE
    clocks = clocks_s or {}

    def arrival_s(fitting: str) -> float:
        x, y = places[(really or {}).get(fitting, fitting)]
        return (abs(LEAK_M - x) + abs(y)) / SPEED + clocks.get(fitting, 0.0)

    delays = {
        (a, b): {} if deaf in (a, b) else {arrival_s(b) - arrival_s(a): CLEAR}
        for a, b in combinations(LOGGERS, 2)
    }
    sites = [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(LOGGERS)]
    pairs = make_pairs(network, list(LOGGERS), delays)
    return gather_evidence(network, sites, pairs, settings=LocateSettings())


def number(fitting: str) -> int:
    return list(LOGGERS).index(fitting)


def free_fittings(network: PipeNetwork, evidence: NetworkEvidence) -> dict[str, Any]:
    nodes = [network.node_of(name) for name in FREE]
    return dict(zip(FREE, sensor_times(evidence.pipes, nodes, lead_m=[0.0] * len(nodes)), strict=True))


@pytest.mark.parametrize(("said", "true"), [("V1", "H6"), ("V2", "H8")])
def test_the_true_fitting_explains_it_best(
    streets: PipeNetwork, make_pairs: Maker, said: str, true: str
) -> None:
    evidence = evidence_of(streets, make_pairs, really={said: true})
    suspicion = Suspicion(evidence)
    fittings = suspicion.elsewhere(number(said), free_fittings(streets, evidence))
    assert fittings[0].fitting == true
    assert fittings[0].gain > 2.0
    assert fittings[0].gain > fittings[1].gain + 2.0
    # a clock does the same: the difference of the two travel times, in time
    clock = suspicion.clock(number(said))
    (x, _), (u, _) = (LOGGERS | FREE)[true], LOGGERS[said]
    assert clock.late_s == pytest.approx((abs(LEAK_M - x) - abs(LEAK_M - u)) / SPEED, abs=0.002)


@pytest.mark.parametrize("fast_s", [0.02, -0.045])
def test_the_clock_is_found_with_its_sign(streets: PipeNetwork, make_pairs: Maker, fast_s: float) -> None:
    evidence = evidence_of(streets, make_pairs, clocks_s={"H4": fast_s})
    suspicion = Suspicion(evidence)
    clock = suspicion.clock(number("H4"))
    assert clock.late_s == pytest.approx(fast_s, abs=0.001)
    others = [suspicion.clock(k).gain for k in range(len(LOGGERS)) if k != number("H4")]
    assert clock.gain > max(others) + 1.0


def test_nothing_explains_better_what_is_right(streets: PipeNetwork, make_pairs: Maker) -> None:
    evidence = evidence_of(streets, make_pairs)
    suspicion = Suspicion(evidence)
    for k in range(len(LOGGERS)):
        for one in suspicion.elsewhere(k, free_fittings(streets, evidence)):
            assert one.gain < 0.1
        clock = suspicion.clock(k)
        assert clock.gain < (0.5 if abs(clock.late_s) < 0.002 else 0.1)
    assert max(suspicion.exchanged(a, b) for a, b in combinations(range(len(LOGGERS)), 2)) < 0.0


def test_an_exchange_undone_is_nearly_the_survey_as_it_was(streets: PipeNetwork, make_pairs: Maker) -> None:
    right = Suspicion(evidence_of(streets, make_pairs)).as_stated()
    wrong = Suspicion(evidence_of(streets, make_pairs, really={"V1": "H4", "H4": "V1"}))
    before = wrong.as_stated()
    assert before < right - 20.0
    # delays longer than the stated ways allow were not looked for: something is missing
    assert 0.6 * (right - before) < wrong.exchanged(number("V1"), number("H4")) < right - before


@pytest.mark.parametrize(("a", "b"), [("V1", "H4"), ("V5", "V2"), ("V9", "H3")])
def test_an_exchange_is_the_survey_with_the_other_table(
    streets: PipeNetwork, make_pairs: Maker, a: str, b: str
) -> None:
    # by definition: the same evidence with two names written the other way round, weighed from the start
    evidence = evidence_of(streets, make_pairs, really={"V1": "H4", "H4": "V1"})
    to = {number(a): number(b), number(b): number(a)}
    written = replace(
        evidence,
        hearings=tuple(
            replace(one, a=to.get(one.a, one.a), b=to.get(one.b, one.b)) for one in evidence.hearings
        ),
    )
    stated = Suspicion(evidence)
    by_hand = Suspicion(written).as_stated() - stated.as_stated()
    assert stated.exchanged(number(a), number(b)) == pytest.approx(by_hand, abs=1e-3)
    assert stated.exchanged(number(b), number(a)) == pytest.approx(by_hand, abs=1e-3)
    # and back again
    assert Suspicion(written).exchanged(number(a), number(b)) == pytest.approx(-by_hand, abs=1e-3)


def test_a_logger_at_its_own_fitting_is_as_stated(streets: PipeNetwork, make_pairs: Maker) -> None:
    evidence = evidence_of(streets, make_pairs)
    for k, fitting in enumerate(LOGGERS):
        [same] = Suspicion(evidence).elsewhere(k, {fitting: evidence.sensors[k]})
        # only the places that the others find likely are looked at: a little is left out
        assert -0.1 < same.gain <= 1e-4


#: A block of 60 by 120 m, with side streets along its southern side: what goes round by the north is louder.
BLOCK = {
    "S": [(0, 0), (120, 0)],
    "E": [(120, 0), (120, 60)],
    "N": [(120, 60), (0, 60)],
    "W": [(0, 60), (0, 0)],
    "X": [(-90, 0), (0, 0)],
    "Y": [(120, 0), (230, 0)],
} | {f"T{x}": [(x, 0), (x, -400)] for x in (30, 60, 90)}
ON_BLOCK = {"A": (-70, 0), "B": (200, 0), "C": (0, 45), "D": (120, 40), "F": (-20, 0), "G": (150, 0)}


def test_what_comes_round_the_block_is_no_fault(make_network: Maker, make_pairs: Maker) -> None:
    # leak on W, 40 m from its northern end: what B and G show is what comes round by the north, 80 m longer
    # than the direct way; for D both are as long
    network = make_network(BLOCK, ON_BLOCK, speed_m_s=SPEED)
    way_m = {"A": 90, "C": 25, "F": 40, "D": 40 + 120 + 20, "B": 40 + 120 + 60 + 80, "G": 40 + 120 + 60 + 30}
    delays = {(a, b): {(way_m[b] - way_m[a]) / SPEED: CLEAR} for a, b in combinations(ON_BLOCK, 2)}
    sites = [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(ON_BLOCK)]
    pairs = make_pairs(network, list(ON_BLOCK), delays)
    evidence = gather_evidence(network, sites, pairs, settings=LocateSettings())
    with_ways, direct_only = Suspicion(evidence), Suspicion(replace(evidence, arrivals=None))
    assert with_ways.as_stated() > direct_only.as_stated() + 5.0
    exchanges = list(combinations(range(len(ON_BLOCK)), 2))
    assert max(with_ways.exchanged(a, b) for a, b in exchanges) < 0.5


def test_nearness_by_the_others(streets: PipeNetwork, make_pairs: Maker) -> None:
    # V5 is 20 m from the leak, nearer than any; V1 is 140 m away, and V2 160 m
    near = Suspicion(evidence_of(streets, make_pairs, deaf="V5")).nearness(number("V5"))
    far = Suspicion(evidence_of(streets, make_pairs, deaf="V1")).nearness(number("V1"))
    assert near > 0.95
    assert far < 0.05
