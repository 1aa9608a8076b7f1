"""A noise at a known fitting: its ways by hand, peaks that belong to it, and those that do not."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from itertools import combinations
from typing import Any

import pytest

from netcorr.network import PipeNetwork
from netcorr.position import LocateSettings
from netcorr.position.network.known_noise import (
    Chosen,
    NoiseWays,
    choose_peaks,
    clock_priors,
    heard_pair,
    noise_ways,
    peaks_of,
)
from netcorr.position.network.linear import learn
from netcorr.position.network.pipes import pipes_within_reach
from netcorr.position.sites import Site
from netcorr.speed import pipe_wave_speed

Maker = Callable[..., Any]

#: A main with two side streets, all of ductile iron of one age.
MAINS = {
    "M1": [(0, 0), (110, 0)],
    "M2": [(110, 0), (300, 0)],
    "S": [(110, 0), (110, 90)],
    "T": [(210, 0), (210, -70)],
}
AT = {"V1": (0, 0), "V2": (300, 0), "H3": (110, 85), "H4": (210, -60), "V5": (160, 0), "H6": (60, 0)}
LOGGERS = ("V1", "V2", "H3", "H4", "V5")
CLEAR = 300.0


@pytest.fixture(scope="module")
def streets(make_network: Maker) -> PipeNetwork:
    attributes = {name: {"material": "ductile_iron", "year": 1985.0} for name in MAINS}
    made: PipeNetwork = make_network(MAINS, AT, attributes=attributes)
    return made


TABLE_M_S = pipe_wave_speed("ductile_iron", 150.0, year=1985.0).speed_m_s


def away_m(source: str, fitting: str) -> float:
    """Along the mains, by hand."""
    (x, y), (u, v) = AT[source], AT[fitting]
    return abs(y - v) if x == u else abs(x - u) + abs(y) + abs(v)


def sites(lead_m: Mapping[str, float] | None = None) -> list[Site]:
    leads = lead_m or {}
    return [Site(name, name, leads.get(name, 0.0), 1e-4) for name in LOGGERS]


def ways_of(network: PipeNetwork, source: str, lead_m: Mapping[str, float] | None = None) -> NoiseWays:
    settings = LocateSettings()
    nodes = [network.node_of(site.fitting) for site in sites()]
    node = network.node_of(source)
    pipes = pipes_within_reach(network, [*nodes, node], settings=settings)
    return noise_ways(pipes, (source, node), sites(lead_m), nodes, settings=settings)


def chosen_of(
    network: PipeNetwork,
    make_pairs: Maker,
    *,
    made_at: str,
    said: str,
    scale: float = 1.0,
    clocks_s: Mapping[str, float] | None = None,
    echoes_s: tuple[float, ...] = (),
    deaf: int = 0,
    clock_sd_s: float = 1e-4,
) -> tuple[Chosen, dict[Any, float]]:
    """Peaks chosen where a noise was made at one fitting and said to be at another."""
    ways = ways_of(network, said)
    clocks = clocks_s or {}
    delays: dict[tuple[str, str], dict[float, float]] = {}
    for number, (a, b) in enumerate(combinations(LOGGERS, 2)):
        true_s = (away_m(made_at, b) - away_m(made_at, a)) / (scale * TABLE_M_S)
        true_s += clocks.get(b, 0.0) - clocks.get(a, 0.0)
        heard = {true_s: CLEAR} | {true_s + echo_s: 0.7 * CLEAR for echo_s in echoes_s}
        delays[a, b] = {} if number < deaf else heard
    pairs = []
    for fix, _ in make_pairs(network, LOGGERS, delays, rounds=1):
        [evidence] = fix.evidence
        evidence = replace(evidence, logger_a=fix.path.sensor_a, logger_b=fix.path.sensor_b)
        a, b = ways.arrivals[evidence.logger_a], ways.arrivals[evidence.logger_b]
        pairs.append(heard_pair(a, b, evidence, drift_sd_s=0.0))
    stated = [replace(site, clock_sd_s=clock_sd_s) for site in sites()]
    prior = clock_priors(stated, [1], settings=LocateSettings()) | dict(ways.prior_sd)
    return choose_peaks(pairs, prior), prior


@pytest.mark.parametrize("source", ["H6", "H3", "V2"])
def test_arrivals_by_hand(streets: PipeNetwork, source: str) -> None:
    arrivals = ways_of(streets, source).arrivals
    assert set(arrivals) == set(LOGGERS)
    for name, arrival in arrivals.items():
        assert arrival.time_s == pytest.approx(away_m(source, name) / TABLE_M_S, rel=1e-6)
        assert arrival.parts.get(("group", 0), 0.0) == pytest.approx(arrival.time_s)
        in_mains = sum(share for part, share in arrival.parts.items() if part[0] == "main")  # type: ignore[index]
        assert in_mains == pytest.approx(arrival.time_s)


def test_a_lead_is_gone_through_but_at_the_noise_itself(streets: PipeNetwork) -> None:
    leads = {"V1": 1.25, "H3": 1.25}
    ways = ways_of(streets, "H3", leads)
    assert ways.arrivals["V1"].time_s == pytest.approx((195 + 1.25) / TABLE_M_S, rel=1e-6)
    # a logger on the hydrant that runs hears it beside the lead: none to twice of it may be missing
    assert ways.arrivals["H3"].time_s == 0.0
    assert ways.prior_sd["seat", "H3", "H3"] == pytest.approx(1.25 / TABLE_M_S / math.sqrt(3), rel=0.05)
    assert ways.prior_sd["seat", "H3", "V1"] < 0.6 * ways.prior_sd["seat", "H3", "H3"]


@pytest.mark.parametrize("scale", [0.96, 1.0, 1.03])
def test_speed_within_a_percent(streets: PipeNetwork, make_pairs: Maker, scale: float) -> None:
    chosen, prior = chosen_of(streets, make_pairs, made_at="H6", said="H6", scale=scale)
    assert chosen.heard
    assert len(chosen.delays) == 10
    mean, sd = learn(prior, chosen.delays).of({("group", 0): 1.0})
    assert 1 / (1 + mean) == pytest.approx(scale, abs=0.015)
    assert abs(1 / (1 + mean) - scale) < 2.5 * sd < 0.03


def test_echoes_are_not_taken_for_it(streets: PipeNetwork, make_pairs: Maker) -> None:
    chosen, prior = chosen_of(
        streets, make_pairs, made_at="H6", said="H6", scale=0.97, echoes_s=(0.013, -0.021, 0.034)
    )
    assert chosen.heard
    mean, _ = learn(prior, chosen.delays).of({("group", 0): 1.0})
    assert 1 / (1 + mean) == pytest.approx(0.97, abs=0.015)


def test_clocks_are_told_from_speeds(streets: PipeNetwork, make_pairs: Maker) -> None:
    # V5 hears it on the way to V2 and H4: its clock shows in its pairs alone
    chosen, prior = chosen_of(
        streets, make_pairs, made_at="H6", said="H6", clocks_s={"V5": 0.003}, clock_sd_s=0.002
    )
    assert len(chosen.delays) == 10
    learnt = learn(prior, chosen.delays)
    late_s, sd_s = learnt.of({("clock", "V5"): 1.0, ("clock", "V2"): -0.5, ("clock", "H4"): -0.5})
    # beside the clocks each round has some of its own error, 0.3 of what is stated
    assert late_s == pytest.approx(0.003, abs=2.5 * sd_s)
    assert 3e-4 < sd_s < 1.5e-3


@pytest.mark.parametrize("made_at", ["V2", "H3"])
def test_a_noise_made_elsewhere_is_not_believed(
    streets: PipeNetwork, make_pairs: Maker, made_at: str
) -> None:
    chosen, _ = chosen_of(streets, make_pairs, made_at=made_at, said="H6")
    assert chosen.loud == 10
    assert not chosen.heard


def test_silence_teaches_nothing(streets: PipeNetwork, make_pairs: Maker) -> None:
    chosen, _ = chosen_of(streets, make_pairs, made_at="H6", said="H6", deaf=10)
    assert (chosen.delays, chosen.loud, chosen.heard) == ((), 0, False)


def test_peaks_by_their_odds(make_evidence: Maker, make_times: Maker) -> None:
    times = make_times(200.0)
    evidence = make_evidence(times, {0.0203: 200.0, -0.031: 100.0, 0.06: 8.0}, floor=-1.0, sd_s=2e-4)
    first, second = peaks_of(evidence)
    assert first.delay_s == pytest.approx(0.0203, abs=2e-5)
    assert (first.odds, second.odds) == (1.0, pytest.approx(0.5**2.25, rel=0.01))
    assert second.delay_s == pytest.approx(-0.031, abs=2e-5)
    assert second.sd_s > first.sd_s
