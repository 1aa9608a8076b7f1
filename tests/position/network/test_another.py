"""Another source beside a known one: the pairs that the first does not explain."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import combinations
from typing import Any

import numpy as np
import pytest

from netcorr.network import PipeNetwork
from netcorr.position import LocateSettings
from netcorr.position.network import hearing
from netcorr.position.network.another import ANOTHER_M, first_look, known_source, weigh_another
from netcorr.position.network.evidence import NetworkEvidence, gather_evidence
from netcorr.position.network.weigh import Weighed, weigh
from netcorr.position.sites import Site

Maker = Callable[..., Any]
SPEED = 1250.0
CORNER = (350_000.0, 5_205_000.0)

#: A long main with five loggers, and side mains at which sound is lost.
AT = {"V1": 0.0, "V2": 100.0, "V3": 200.0, "V4": 300.0, "V5": 400.0}
MAINS = {"M": [(0, 0), (400, 0)]} | {f"S{x}": [(x, 0), (x, 250)] for x in range(50, 400, 100)}
PAIRS = list(combinations(AT, 2))


@pytest.fixture(scope="module")
def street(make_network: Maker) -> PipeNetwork:
    fittings = {name: (x, 0) for name, x in AT.items()}
    made: PipeNetwork = make_network(MAINS, fittings, speed_m_s=SPEED)
    return made


@pytest.fixture(scope="module")
def evidence_of(street: PipeNetwork, make_pairs: Maker) -> Maker:
    """Evidence of leaks at distances along the main, each with the pairs that hear it loudest."""

    def made(*leaks: tuple[float, Sequence[tuple[str, str]]], level: float = 300.0) -> NetworkEvidence:
        peaks: dict[tuple[str, str], Mapping[float, float]] = {pair: {} for pair in PAIRS}
        for leak_m, pairs in leaks:
            for a, b in pairs:
                delay_s = (abs(leak_m - AT[b]) - abs(leak_m - AT[a])) / SPEED
                peaks[a, b] = {**peaks[a, b], delay_s: level}
        sites = [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(AT)]
        pairs = make_pairs(street, list(AT), peaks)
        return gather_evidence(street, sites, pairs, settings=LocateSettings())

    return made


def along_m(evidence: NetworkEvidence, weighed: Weighed) -> float:
    """Where along the main the most probable place lies; not a number beside it."""
    one = weighed.places.at(weighed.best)
    piece = int(one.piece[0])
    line = evidence.pipes.data[piece]["geometry"]
    point = line.interpolate(float(one.from_m[0] / evidence.pipes.length_m[piece]), normalized=True)
    return float(point.x) - CORNER[0] if abs(point.y - CORNER[1]) < 0.01 else float("nan")


WEST = [("V1", "V2"), ("V1", "V3"), ("V2", "V3")]
EAST = [("V3", "V4"), ("V3", "V5"), ("V4", "V5")]


def beside_the_first(evidence: NetworkEvidence) -> tuple[Weighed, Weighed]:
    first = weigh(evidence)
    return first, weigh_another(evidence, [known_source(evidence, first)], speeds=first)


def test_pairs_that_the_first_does_not_explain_tell_the_second(evidence_of: Maker) -> None:
    evidence = evidence_of((30.0, WEST), (335.0, EAST))
    first, second = beside_the_first(evidence)
    found = sorted((along_m(evidence, first), along_m(evidence, second)))
    assert found == [pytest.approx(30, abs=1.0), pytest.approx(335, abs=1.0)]
    assert second.leak > 0.8


def test_one_leak_in_all_pairs_leaves_nothing_for_another(evidence_of: Maker) -> None:
    _, second = beside_the_first(evidence_of((130.0, PAIRS)))
    assert second.log_evidence < 0.5
    assert second.leak < 0.3


def test_an_odd_pair_alone_is_believed_less_than_three(evidence_of: Maker) -> None:
    rest = [pair for pair in PAIRS if pair not in EAST]
    _, of_three = beside_the_first(evidence_of((30.0, rest), (335.0, EAST)))
    _, of_one = beside_the_first(evidence_of((30.0, [*rest, *EAST[1:]]), (335.0, EAST[:1])))
    assert of_one.log_evidence < of_three.log_evidence - 2


def test_no_place_is_next_to_a_known_source(evidence_of: Maker) -> None:
    evidence = evidence_of((130.0, PAIRS))
    first, second = beside_the_first(evidence)
    point = known_source(evidence, first).point
    places = second.places
    for piece, from_m, probability in zip(places.piece, places.from_m, second.probability, strict=True):
        line = evidence.pipes.data[int(piece)]["geometry"]
        at = line.interpolate(from_m / evidence.pipes.length_m[piece], normalized=True)
        if at.distance(point) < ANOTHER_M - 2:
            assert probability < 1e-6


def test_probabilities_sum_to_one_and_places_keep_their_order(evidence_of: Maker) -> None:
    _, second = beside_the_first(evidence_of((30.0, WEST), (335.0, EAST)))
    assert second.probability.sum() == pytest.approx(1.0)
    assert (np.diff(second.places.piece) >= 0).all()
    same = np.diff(second.places.piece) == 0
    assert (np.diff(second.places.from_m)[same] > 0).all()


def test_two_known_ones_leave_less_for_a_third(evidence_of: Maker) -> None:
    evidence = evidence_of((30.0, WEST), (335.0, EAST))
    first, second = beside_the_first(evidence)
    known = [known_source(evidence, one) for one in (first, second)]
    third = weigh_another(evidence, known, speeds=first)
    assert third.log_evidence < 0.5 < second.log_evidence


@pytest.mark.parametrize("odds", [0.01, 0.2, 1.0, 5.0])
def test_odds_of_another_are_those_before_times_the_evidence(evidence_of: Maker, odds: float) -> None:
    evidence = evidence_of((30.0, WEST), (335.0, EAST[:1]))
    first = weigh(evidence)
    one = weigh_another(evidence, [known_source(evidence, first)], speeds=first, prior_odds=odds)
    assert one.leak / (1 - one.leak) == pytest.approx(odds * np.exp(one.log_evidence), rel=1e-6)


def test_believing_all_pairs_less_makes_another_less_probable(evidence_of: Maker) -> None:
    evidence = evidence_of((30.0, WEST), (335.0, EAST))
    first, second = beside_the_first(evidence)
    doubtful = replace(evidence, hearings=tuple(replace(one, believed=0.2) for one in evidence.hearings))
    less = weigh_another(doubtful, [known_source(doubtful, first)], speeds=first)
    assert less.log_evidence < second.log_evidence


def test_a_single_pair_is_not_asked(evidence_of: Maker) -> None:
    evidence = evidence_of((30.0, WEST))
    first = weigh(evidence)
    with pytest.raises(ValueError, match="single pair"):
        known_source(replace(evidence, arrivals=None), first)


def test_of_many_pairs_only_those_that_hear_are_asked(
    evidence_of: Maker, monkeypatch: pytest.MonkeyPatch
) -> None:
    evidence = evidence_of((30.0, WEST), (335.0, EAST))
    first, of_all = beside_the_first(evidence)
    monkeypatch.setattr(hearing, "MANY_PAIRS", 9)
    known = known_source(evidence, first)
    assert known.share.size == len(WEST) + len(EAST) < len(PAIRS)
    of_some = weigh_another(evidence, [known], speeds=first)
    assert along_m(evidence, of_some) == pytest.approx(along_m(evidence, of_all), abs=0.5)
    assert of_some.leak == pytest.approx(of_all.leak, abs=0.15)
    # what lies between loggers is what all pairs say, silent or not
    assert of_some.bracketed.any()


def test_a_first_look_serves_whichever_sources_are_known(evidence_of: Maker) -> None:
    evidence = evidence_of((30.0, WEST), (335.0, EAST))
    first = weigh(evidence)
    looked = first_look(evidence, first)
    known = [known_source(evidence, first)]
    second = weigh_another(evidence, known, speeds=first, first=looked)
    assert second.log_evidence == weigh_another(evidence, known, speeds=first).log_evidence
    again = weigh_another(evidence, [known_source(evidence, second)], speeds=first, first=looked)
    assert along_m(evidence, again) == pytest.approx(along_m(evidence, first), abs=2.0)
