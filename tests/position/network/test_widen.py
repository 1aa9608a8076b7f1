"""Blurring along a piece keeps what it holds, and widens it by what was asked for."""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcorr.position import LocateSettings
from netcorr.position.network.evidence import NetworkEvidence, gather_evidence
from netcorr.position.network.times import even_places
from netcorr.position.network.widen import (
    NO_SURER,
    SHARED,
    SHARPER,
    _best_pair_m,
    _blurred,
    sharpened,
    widened,
)
from netcorr.position.sites import Site

Maker = Callable[..., Any]
AT = {"V1": 0.0, "V2": 130.0, "V3": 260.0}


@pytest.fixture(scope="module")
def evidence(make_network: Maker, make_pairs: Maker) -> NetworkEvidence:
    """Three loggers on a main of ductile iron; a leak at 60 m."""
    mains = {"M": [(0, 0), (300, 0)]}
    attributes = {"M": {"material": "ductile_iron", "year": 1985.0}}
    network = make_network(mains, {k: (x, 0) for k, x in AT.items()}, attributes=attributes)
    delays = {(a, b): {(abs(60 - AT[b]) - abs(60 - AT[a])) / 1250.0: 500.0} for a, b in combinations(AT, 2)}
    sites = [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(AT)]
    return gather_evidence(network, sites, make_pairs(network, list(AT), delays), settings=LocateSettings())


def moments(probability: np.ndarray, width_m: np.ndarray) -> tuple[float, float]:
    middle_m = np.cumsum(width_m) - width_m / 2
    mean = float(probability @ middle_m / probability.sum())
    return mean, float(np.sqrt(probability @ (middle_m - mean) ** 2 / probability.sum()))


def test_a_narrow_peak_gets_the_width_that_was_asked_for() -> None:
    width_m = np.full(400, 0.25)
    probability = np.zeros(400)
    probability[200] = 0.7
    blurred = _blurred(probability, width_m, sd_m=2.0)
    mean, sd = moments(blurred, width_m)
    assert blurred.sum() == pytest.approx(0.7)
    assert mean == pytest.approx(50.125, abs=0.05)
    assert sd == pytest.approx(2.0, rel=0.03)


@given(
    st.lists(st.floats(0.0, 1.0), min_size=2, max_size=30),
    st.lists(st.floats(0.2, 4.0), min_size=30, max_size=30),
    st.floats(0.0, 5.0),
)
def test_nothing_is_lost_or_negative(mass: list[float], widths: list[float], sd_m: float) -> None:
    probability = np.array(mass)
    blurred = _blurred(probability, np.array(widths[: probability.size]), sd_m=sd_m)
    assert blurred.sum() == pytest.approx(probability.sum(), abs=1e-9)
    assert (blurred >= -1e-12).all()


def test_what_is_even_stays_even() -> None:
    width_m = np.array([2.0, 0.25, 0.25, 2.0, 1.0])
    assert _blurred(width_m / 5.5, width_m, sd_m=1.0) == pytest.approx(width_m / 5.5, rel=1e-6)


def test_by_the_best_pair_and_not_beyond_all(evidence: NetworkEvidence) -> None:
    places = even_places(evidence.pipes, spacing_m=1.0)
    lines = [data["geometry"] for data in evidence.pipes.data]
    at = zip(places.piece, places.from_m, strict=True)
    x_m = np.array([lines[piece].interpolate(from_m).x - 350_000.0 for piece, from_m in at])
    sd = np.zeros(len(evidence.pipes.groups))
    between, beyond = (int(np.argmin(np.abs(x_m - x))) for x in (60.0, 290.0))
    assert 0.05 < _best_pair_m(evidence, places, between, slowness_sd=sd) < 2.0
    assert _best_pair_m(evidence, places, beyond, slowness_sd=sd) == 0.0
    less_known = _best_pair_m(evidence, places, between, slowness_sd=sd + 0.05)
    assert less_known > _best_pair_m(evidence, places, between, slowness_sd=sd)


@st.composite
def stretches(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Probabilities, lengths and log of the prior of a metre."""
    size = draw(st.integers(1, 20))
    mass = np.array(draw(st.lists(st.floats(1e-6, 1.0), min_size=size, max_size=size)))
    width_m = np.array(draw(st.lists(st.floats(0.2, 4.0), min_size=size, max_size=size)))
    log_prior = np.array(draw(st.lists(st.floats(-5.0, 5.0), min_size=size, max_size=size)))
    return mass, width_m, log_prior


@given(stretches())
def test_where_the_survey_says_nothing_the_prior_stays(drawn: Any) -> None:
    _, width_m, log_prior = drawn
    prior = np.exp(log_prior) * width_m
    assert sharpened(prior, width_m, log_prior=log_prior) == pytest.approx(prior, rel=1e-6)


def doubted_away(sharper: np.ndarray, mass: np.ndarray) -> np.ndarray:
    """What is left without the share that is no surer than what was said."""
    return np.asarray((sharper - NO_SURER * mass) / (1 - NO_SURER))


@given(stretches(), st.floats(-20.0, 20.0))
def test_odds_against_the_prior_go_with_a_power(drawn: Any, constant: float) -> None:
    mass, width_m, log_prior = drawn
    sharper = sharpened(mass, width_m, log_prior=log_prior)
    assert sharper.sum() == pytest.approx(mass.sum())
    powered = doubted_away(sharper, mass)
    # what is far below what is doubted away is lost in rounding
    clear = powered > 1e-6 * sharper
    said, told = (np.log(one[clear] / width_m[clear]) - log_prior[clear] for one in (mass, powered))
    assert np.diff(told) == pytest.approx(SHARPER * np.diff(said), abs=1e-6)
    # the prior is known up to a constant only
    assert sharpened(mass, width_m, log_prior=log_prior + constant) == pytest.approx(sharper)


@given(stretches())
def test_no_place_is_given_up(drawn: Any) -> None:
    mass, width_m, log_prior = drawn
    sharper = sharpened(mass, width_m, log_prior=log_prior)
    assert (sharper >= NO_SURER * mass * (1 - 1e-12)).all()


@given(st.lists(st.floats(1e-6, 1.0), min_size=2, max_size=20))
def test_the_order_of_places_stays_where_all_are_alike_before(drawn: list[float]) -> None:
    mass = np.array(drawn)
    sharper = sharpened(mass, np.ones(mass.size), log_prior=np.zeros(mass.size))
    assert (np.diff(sharper[np.argsort(mass, kind="stable")]) >= -1e-15).all()
    assert sharper.max() >= mass.max() * (1 - 1e-12)


def test_a_place_that_cannot_be_stays_so() -> None:
    mass, log_prior = np.array([0.0, 0.3, 0.7]), np.array([-np.inf, 0.0, 0.0])
    sharper = sharpened(mass, np.ones(3), log_prior=log_prior)
    assert sharper[0] == 0
    powered = doubted_away(sharper, mass)
    assert powered[2] / powered[1] == pytest.approx((0.7 / 0.3) ** SHARPER)


def test_the_blur_moves_nothing_to_another_piece(evidence: NetworkEvidence) -> None:
    places = even_places(evidence.pipes, spacing_m=0.5)
    flat = np.zeros(places.piece.size)
    probability = flat.copy()
    probability[[40, 41, 300]] = 0.3, 0.2, 0.5
    sd = np.zeros(len(evidence.pipes.groups))
    sharper = sharpened(probability, places.width_m, log_prior=flat)
    blurred = widened(evidence, places, probability, log_prior=flat, slowness_sd=sd)
    pieces = evidence.pipes.length_m.size
    assert np.bincount(places.piece, blurred, minlength=pieces) == pytest.approx(
        np.bincount(places.piece, sharper, minlength=pieces)
    )
    assert blurred.max() < sharper.max()
    assert 0 < SHARED <= 1 <= SHARPER
    assert 0 <= NO_SURER < 1


def test_silence_is_blurred_but_no_surer(evidence: NetworkEvidence) -> None:
    places = even_places(evidence.pipes, spacing_m=0.5)
    flat = np.zeros(places.piece.size)
    probability = flat + 0.2 / places.piece.size
    probability[[40, 300]] += 0.3, 0.5
    sd = np.zeros(len(evidence.pipes.groups))
    silent, half, clear = (
        widened(evidence, places, probability, log_prior=flat, slowness_sd=sd, heard=heard)
        for heard in (0.0, 0.5, 1.0)
    )
    by_piece = [np.bincount(places.piece, one, minlength=2) for one in (probability, silent, half, clear)]
    assert by_piece[1] == pytest.approx(by_piece[0])
    assert by_piece[2] == pytest.approx((by_piece[1] + by_piece[3]) / 2)
    assert silent.max() < clear.max()
