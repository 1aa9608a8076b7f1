"""The place with two loggers at each other's fitting is said where it is probable enough."""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import combinations
from typing import Any

import pytest

from netcorr.network import PipeNetwork
from netcorr.position import LocateSettings
from netcorr.position.network.evidence import NetworkEvidence, gather_evidence
from netcorr.position.network.mended import exchanged, place_if_exchanged
from netcorr.position.sites import Site

Maker = Callable[..., Any]
SPEED = 1250.0
#: A main with a side street.
MAINS = {"M": [(0, 0), (300, 0)], "S": [(110, 0), (110, 90)]}
FITTINGS = {"V1": (0, 0), "V2": (300, 0), "H3": (110, 85), "V5": (160, 0)}
SITES = [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(FITTINGS)]


@pytest.fixture(scope="module")
def streets(make_network: Maker) -> PipeNetwork:
    made: PipeNetwork = make_network(MAINS, FITTINGS, speed_m_s=SPEED)
    return made


def survey_of(
    streets: PipeNetwork, make_pairs: Maker, away_m: dict[str, float], *, clear: float = 400.0
) -> NetworkEvidence:
    """Evidence of a leak that far along the mains from where the logger noted at each fitting stood."""
    delays = {
        (a, b): {(away_m[b] - away_m[a]) / SPEED: clear} if clear else {}
        for a, b in combinations(FITTINGS, 2)
    }
    pairs = make_pairs(streets, list(FITTINGS), delays)
    return gather_evidence(streets, SITES, pairs, settings=LocateSettings())


#: A leak on M 65 m from V1, by hand.
AWAY_M = {"V1": 65.0, "V2": 235.0, "H3": 130.0, "V5": 95.0}


@pytest.mark.parametrize(("one", "other"), [("V1", "V2"), ("H3", "V5"), ("V5", "V1")])
def test_the_place_is_that_of_the_table_put_right(
    streets: PipeNetwork, make_pairs: Maker, one: str, other: str
) -> None:
    evidence = survey_of(streets, make_pairs, AWAY_M | {one: AWAY_M[other], other: AWAY_M[one]})
    a, b = (list(FITTINGS).index(name) for name in (one, other))
    said = place_if_exchanged(evidence, a, b, heard=SITES)
    found = re.search(r"on M, ([0-9.]+) m along the mains from V1 \(probability ([0-9.]+)\)$", said)
    assert found is not None, said
    assert float(found[1]) == pytest.approx(65.0, abs=1.5)
    assert 0.3 <= float(found[2]) <= 1.0
    assert place_if_exchanged(evidence, b, a, heard=SITES) == said


def test_pipes_that_cannot_be_told_apart_are_told_by_their_length(
    streets: PipeNetwork, make_pairs: Maker
) -> None:
    # beyond H3, which is 5 m before the end of its street
    away_m = {"V1": 197.0, "V2": 277.0, "H3": 2.0, "V5": 137.0}
    evidence = survey_of(streets, make_pairs, away_m | {"V1": away_m["V2"], "V2": away_m["V1"]})
    said = place_if_exchanged(evidence, 0, 1, heard=SITES)
    assert "be in 5 m of main about S that cannot be told apart" in said


def test_nothing_is_said_where_nothing_is_heard(streets: PipeNetwork, make_pairs: Maker) -> None:
    evidence = survey_of(streets, make_pairs, AWAY_M, clear=0.0)
    assert place_if_exchanged(evidence, 0, 1, heard=SITES) == ""


def test_exchanged_twice_is_as_before(streets: PipeNetwork, make_pairs: Maker) -> None:
    evidence = survey_of(streets, make_pairs, AWAY_M)
    once = exchanged(evidence, 1, 3)
    assert [(one.a, one.b) for one in once.hearings] != [(one.a, one.b) for one in evidence.hearings]
    for before, after in zip(evidence.hearings, exchanged(once, 3, 1).hearings, strict=True):
        assert (before.a, before.b) == (after.a, after.b)
        assert all((x == y).all() for x, y in zip(before.rows, after.rows, strict=True))
    untouched = [one for one in once.hearings if not {one.a, one.b} & {1, 3}]
    assert len(untouched) == 1
