"""How clearly each pair should hear a leak: near to the loggers that hear it best."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import combinations
from typing import Any

import numpy as np
import pytest

from netcorr.position import LocateSettings
from netcorr.position.network.evidence import NetworkEvidence, gather_evidence
from netcorr.position.network.loudness import FLOOR_NATS, log_heard, log_loudness
from netcorr.position.network.times import Places, even_places
from netcorr.position.sites import Site

Maker = Callable[..., Any]
AT = {"V1": 0.0, "V2": 120.0, "V3": 240.0, "V4": 360.0}


@pytest.fixture(scope="module")
def evidence(make_network: Maker, make_pairs: Maker) -> NetworkEvidence:
    """Four loggers on a long main that loses sound at many tees; nothing is heard."""
    mains = {"M": [(0, 0), (460, 0)]} | {f"S{x}": [(x, 0), (x, 250)] for x in range(30, 460, 60)}
    attributes = {name: {"material": "ductile_iron", "year": 1985.0} for name in mains}
    network = make_network(mains, {k: (x, 0) for k, x in AT.items()}, attributes=attributes)
    sites = [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(AT)]
    pairs = make_pairs(network, list(AT), {pair: {} for pair in combinations(AT, 2)})
    return gather_evidence(network, sites, pairs, settings=LocateSettings())


def heard(evidence: NetworkEvidence, loud: dict[tuple[int, int], float]) -> NetworkEvidence:
    """Pairs of sensors with so much evidence at some delay, the others with next to none."""
    hearings = []
    for one in evidence.hearings:
        rows = np.zeros_like(one.rows)
        rows[:, 10] = loud.get((one.a, one.b), 3.0) / len(rows)
        hearings.append(replace(one, rows=rows))
    return replace(evidence, hearings=tuple(hearings))


def log_at(evidence: NetworkEvidence, *x_m: float) -> list[float]:
    """At places of the main M."""
    found = []
    for x in x_m:
        for row, data in enumerate(evidence.pipes.data):
            west, east = (p[0] - 350_000.0 for p in (data["geometry"].coords[0], data["geometry"].coords[-1]))
            if data["pipe_id"] == "M" and min(west, east) <= x <= max(west, east):
                place = Places(np.array([row]), np.array([abs(x - west)]), np.ones(1))
                assert evidence.arrivals is not None
                found.append(float(log_loudness(evidence.hearings, evidence.arrivals, place)[0]))
                break
    return found


def test_the_leak_is_near_to_those_that_hear_it(evidence: NetworkEvidence) -> None:
    west = heard(evidence, {(0, 1): 2000.0})
    near, far = log_at(west, 60.0, 300.0)
    assert near > far + 1
    east = heard(evidence, {(2, 3): 2000.0})
    far, near = log_at(east, 60.0, 300.0)
    assert near > far + 1


def test_beyond_a_logger_only_that_one_hears_well(evidence: NetworkEvidence) -> None:
    # all pairs with the last logger hear it, and those the better the nearer the other one
    clear = heard(evidence, {(2, 3): 800.0, (1, 3): 200.0, (0, 3): 50.0})
    middle, beyond = log_at(clear, 60.0, 375.0)
    assert beyond > middle


def test_what_echoes_of_a_known_source_say_does_not_count(evidence: NetworkEvidence) -> None:
    west = heard(evidence, {(0, 1): 2000.0})
    places = even_places(west.pipes, spacing_m=20.0)
    assert west.arrivals is not None
    known = tuple(replace(one, believed=0.1) for one in west.hearings)
    assert (log_loudness(known, west.arrivals, places) == 0).all()


def test_all_pairs_a_little_clearer_changes_little(evidence: NetworkEvidence) -> None:
    # how loud the leak is is not known: only differences between pairs tell of its place
    some = heard(evidence, {(0, 1): 300.0, (1, 2): 60.0, (0, 2): 40.0})
    more = heard(evidence, {(0, 1): 600.0, (1, 2): 120.0, (0, 2): 80.0})
    first, second = (np.diff(log_at(one, 60.0, 180.0))[0] for one in (some, more))
    assert second == pytest.approx(first, abs=1.5)
    assert first < 0


def test_it_is_finite_everywhere(evidence: NetworkEvidence) -> None:
    places = even_places(evidence.pipes, spacing_m=10.0)
    assert evidence.arrivals is not None
    assert np.isfinite(log_loudness(evidence.hearings, evidence.arrivals, places)).all()
    assert FLOOR_NATS > 0


def test_two_loggers_exchanged_are_two_pressures_exchanged(evidence: NetworkEvidence) -> None:
    loud = heard(evidence, {(0, 1): 2000.0, (0, 2): 300.0})
    assert loud.arrivals is not None
    pressure = loud.arrivals.pressure_at(even_places(loud.pipes, spacing_m=10.0))
    to = {0: 2, 2: 0}
    moved = [replace(one, a=to.get(one.a, one.a), b=to.get(one.b, one.b)) for one in loud.hearings]
    exchanged = log_heard(loud.hearings, pressure[[2, 1, 0, 3]])
    assert exchanged == pytest.approx(log_heard(moved, pressure))
    assert not np.allclose(exchanged, log_heard(loud.hearings, pressure), atol=0.1)
    # so far below the best that could be foretold, and never above it
    assert (exchanged <= 1e-9).all()
