"""Looks from coarse to fine find what one fine look finds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.position import LocateSettings
from netcorr.position.network import weigh as weighing
from netcorr.position.network.evidence import NetworkEvidence, gather_evidence
from netcorr.position.network.times import Places
from netcorr.position.network.weigh import weigh
from netcorr.position.sites import Site

Maker = Callable[..., Any]
AT = {"V1": 0.0, "V2": 130.0, "V3": 260.0, "V4": 420.0}


@pytest.fixture(scope="module")
def evidence(make_network: Maker, make_pairs: Maker) -> NetworkEvidence:
    """Four loggers on a long main of ductile iron with side streets; a leak at 170 m, 2 % slow."""
    mains = {"M": [(0, 0), (500, 0)]} | {f"S{x}": [(x, 0), (x, 90)] for x in (60, 200, 330)}
    attributes = {name: {"material": "ductile_iron", "year": 1985.0} for name in mains}
    network = make_network(mains, {k: (x, 0) for k, x in AT.items()}, attributes=attributes)
    delays = {(a, b): {(abs(170 - AT[b]) - abs(170 - AT[a])) / 1230.0: 500.0} for a, b in combinations(AT, 2)}
    sites = [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(AT)]
    pairs = make_pairs(network, list(AT), delays)
    return gather_evidence(network, sites, pairs, settings=LocateSettings())


def density_at(evidence: NetworkEvidence, x_m: float) -> float:
    """Probability per metre at a place of the main M."""
    weighed = weigh(evidence)
    shapes = [data["geometry"] for data in evidence.pipes.data]
    on_main = np.array([data["pipe_id"] == "M" for data in evidence.pipes.data])
    rows = np.flatnonzero(on_main[weighed.places.piece])
    x = np.array(
        [
            shapes[weighed.places.piece[row]].interpolate(weighed.places.from_m[row]).x - 350_000.0
            for row in rows
        ]
    )
    row = rows[int(np.argmin(np.abs(x - x_m)))]
    return float(weighed.probability[row] / weighed.places.width_m[row])


def test_places_cover_all_mains_once(evidence: NetworkEvidence) -> None:
    weighed = weigh(evidence)
    covered = np.bincount(weighed.places.piece, weighed.places.width_m)
    assert covered == pytest.approx(evidence.pipes.length_m)
    assert weighed.probability.sum() == pytest.approx(1.0)
    order = np.lexsort((weighed.places.from_m, weighed.places.piece))
    assert (np.diff(order) == 1).all()


def test_a_look_before_the_first_changes_nothing_that_matters(
    evidence: NetworkEvidence, monkeypatch: pytest.MonkeyPatch
) -> None:
    usual = density_at(evidence, 170.0)
    monkeypatch.setattr(weighing, "HOPEFUL_PLACES", 80)
    assert density_at(evidence, 170.0) == pytest.approx(usual, rel=0.1)


def test_speed_is_found_with_the_place(evidence: NetworkEvidence) -> None:
    weighed = weigh(evidence)
    found = float(evidence.pipes.speed_m_s[0] / weighed.slowness[0])
    assert found == pytest.approx(1230.0, rel=0.01)


def test_where_nothing_is_heard_the_nearer_metres_are_likelier(evidence: NetworkEvidence) -> None:
    # half as likely for each 0.08 s to the nearest logger: nothing else is known
    silent = tuple(replace(one, rows=np.zeros_like(one.rows)) for one in evidence.hearings)
    quiet = replace(evidence, hearings=silent, arrivals=None)
    # V4 is at 420 m: 30 m and 60 m beyond it lie 30 m apart
    near, far = density_at(quiet, 450.0), density_at(quiet, 480.0)
    apart_s = 30.0 / float(evidence.pipes.speed_m_s[0])
    assert near / far == pytest.approx(2 ** (apart_s / weighing.HALF_HEARD_S), rel=0.02)


def test_silence_is_likelier_far_from_all_loggers(evidence: NetworkEvidence) -> None:
    silent = tuple(replace(one, rows=np.zeros_like(one.rows)) for one in evidence.hearings)
    quiet = replace(evidence, hearings=silent)
    deaf = replace(quiet, arrivals=None)
    beside_a_logger, far = (density_at(quiet, x) / density_at(deaf, x) for x in (135.0, 495.0))
    assert far > beside_a_logger


def test_between_one_pair_and_beyond_it_keep_their_shares(evidence: NetworkEvidence) -> None:
    [first, *_] = evidence.hearings
    weighed = weigh(
        replace(evidence, hearings=(replace(first, rows=np.zeros_like(first.rows), log_alone=None),))
    )
    settings = evidence.settings
    share = settings.prior_between / (settings.prior_between + settings.prior_beyond)
    assert weighed.probability[weighed.bracketed].sum() == pytest.approx(share, rel=1e-6)


@pytest.mark.parametrize("silent", [0, 2, 5])
def test_one_clear_pair_is_not_outvoted_by_silent_ones(
    make_network: Maker, make_pairs: Maker, silent: int
) -> None:
    # a leak between the first two; all others stand too far away to hear it
    at_m = {"V1": 0.0, "V2": 130.0} | {f"V{k + 3}": 700.0 + 150.0 * k for k in range(silent)}
    network = make_network({"M": [(0, 0), (1600, 0)]}, {name: (x, 0) for name, x in at_m.items()})
    delays: dict[tuple[str, str], dict[float, float]] = {pair: {} for pair in combinations(at_m, 2)}
    delays["V1", "V2"] = {(70.0 - 60.0) / 1250.0: 900.0}
    sites = [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(at_m)]
    pairs = make_pairs(network, list(at_m), delays)
    weighed = weigh(gather_evidence(network, sites, pairs, settings=LocateSettings()))
    assert weighed.leak > 0.9
    assert weighed.places.from_m[weighed.best] == pytest.approx(60.0, abs=5.0)


@pytest.mark.parametrize("count", [3, 4, 6])
def test_where_no_pair_hears_anything_there_is_hardly_a_leak(
    make_network: Maker, make_pairs: Maker, count: int
) -> None:
    at_m = {f"V{k + 1}": 120.0 * k for k in range(count)}
    network = make_network({"M": [(0, 0), (800, 0)]}, {name: (x, 0) for name, x in at_m.items()})
    sites = [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(at_m)]
    pairs = make_pairs(network, list(at_m), {pair: {} for pair in combinations(at_m, 2)})
    weighed = weigh(gather_evidence(network, sites, pairs, settings=LocateSettings()))
    assert weighed.leak < 0.35
    # nor is any place told: what is left lies even on the mains, by how near they are
    per_m = weighed.probability / weighed.places.width_m
    assert per_m.max() < 0.05


@settings(deadline=None, max_examples=40)
@given(
    heights=st.lists(st.floats(-30.0, 0.0), min_size=2, max_size=60),
    most=st.integers(1, 400),
    cut=st.integers(1, 59),
)
def test_only_the_best_are_looked_at_again_where_nothing_is_sharp(
    heights: list[float], most: int, cut: int
) -> None:
    log_density = np.array(heights)
    piece = (np.arange(log_density.size) >= cut).astype(np.int64)
    places = Places(piece, 2.0 * np.arange(log_density.size), np.full(log_density.size, 2.0))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(weighing, "MOST_FINE", most)
        patch.setattr(weighing, "BESIDE", 1)
        again = weighing.worth_another_look(places, log_density, fine_m=0.5)
    assert again[int(np.argmax(log_density))]  # the best always
    # each of the best brings its two neighbours at most
    assert again.sum() <= 3 * max(most // 4, 1)


def test_a_limit_on_finer_places_leaves_a_sharp_answer_as_it_is(
    evidence: NetworkEvidence, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = weigh(evidence)
    monkeypatch.setattr(weighing, "MOST_FINE", 400)
    less = weigh(evidence)
    assert less.places.piece.size <= whole.places.piece.size
    assert less.leak == pytest.approx(whole.leak, abs=1e-3)
    x = [one.places.from_m[one.best] for one in (whole, less)]
    assert x[0] == pytest.approx(x[1], abs=0.3)
