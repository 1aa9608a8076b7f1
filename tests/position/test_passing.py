"""What passes in part of a round is told from what lasts: cases worked by hand, and laws."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.delay import DelayEvidence
from netcorr.delay.blocks import RoundSplit
from netcorr.position import LocateSettings, PairPosterior, PathTimes, pair_posterior
from netcorr.position.passing import EVIDENCE_KEPT, weigh_rounds

Maker = Callable[..., Any]
SETTINGS = LocateSettings()


@pytest.fixture(scope="module")
def times(make_times: Maker) -> PathTimes:
    made: PathTimes = make_times(100.0)
    return made


@pytest.fixture(scope="module")
def round_of(times: PathTimes, make_evidence: Maker) -> Maker:
    """Evidence of a round in two parts, each with its peaks (metres from A: height)."""

    def made(
        strong: dict[float, float], rest: dict[float, float], *, share: float = 0.3, whole: bool = False
    ) -> DelayEvidence:
        delays = [
            {float(np.interp(at_m, times.position_m, times.delay_s)): height for at_m, height in of.items()}
            for of in (strong, rest)
        ]
        parts = [make_evidence(times, of).log_likelihood for of in delays]
        both = {
            at_s: delays[0].get(at_s, 0.0) + delays[1].get(at_s, 0.0) for at_s in {**delays[0], **delays[1]}
        }
        evidence: DelayEvidence = make_evidence(times, both)
        split = RoundSplit(share, parts[0], parts[1])
        return evidence if whole else replace(evidence, splits=(split,))

    return made


def best_m(posterior: PairPosterior) -> float:
    return float(posterior.position_m[np.argmax(posterior.density_per_m)])


def test_a_leak_beside_a_burst_in_the_only_round(times: PathTimes, round_of: Maker) -> None:
    # usage beyond B for a third of the time, a leak 30 m from A in the rest
    seen = round_of({100.0: 200.0}, {30.0: 40.0})
    posterior = pair_posterior(times, [seen], settings=SETTINGS)
    assert best_m(posterior) == pytest.approx(30.0, abs=0.5)
    assert posterior.between > 0.7
    # the whole record alone would put it at the burst
    blind = pair_posterior(times, [replace(seen, splits=())], settings=SETTINGS)
    assert blind.between < 0.1


def test_two_different_bursts_in_two_rounds(times: PathTimes, round_of: Maker) -> None:
    rounds = [round_of({100.0: 150.0}, {62.0: 30.0}), round_of({0.0: 90.0}, {62.0: 35.0})]
    posterior = pair_posterior(times, rounds, settings=SETTINGS)
    assert best_m(posterior) == pytest.approx(62.0, abs=0.5)
    assert posterior.between > 0.9


def test_a_burst_may_hide_the_leak_for_a_while(times: PathTimes, round_of: Maker) -> None:
    # the leak is the strongest; for part of the round something louder beyond A takes its place
    rounds = [round_of({40.0: 300.0}, {0.0: 90.0}, share=0.6), round_of({40.0: 400.0}, {}, whole=True)]
    posterior = pair_posterior(times, rounds, settings=SETTINGS)
    assert best_m(posterior) == pytest.approx(40.0, abs=0.5)
    assert posterior.between > 0.9


def test_a_burst_alone_is_no_leak(times: PathTimes, round_of: Maker) -> None:
    for at_m in (0.0, 35.0, 100.0):
        posterior = pair_posterior(times, [round_of({at_m: 120.0}, {}, share=0.2)], settings=SETTINGS)
        assert posterior.none > 0.6
        assert posterior.between < 0.3


def test_two_bursts_in_one_round_are_no_leak(times: PathTimes, round_of: Maker) -> None:
    posterior = pair_posterior(times, [round_of({0.0: 120.0}, {100.0: 80.0}, share=0.3)], settings=SETTINGS)
    assert posterior.between < 0.3


def test_what_the_rest_of_one_round_shows_must_be_in_the_next_round_too(
    times: PathTimes, round_of: Maker, make_evidence: Maker
) -> None:
    # two bursts in the first round, one of them from a branch at 60 m; the second round is clearly silent
    bursts = round_of({100.0: 300.0}, {60.0: 110.0}, share=0.3)
    # the whole of the round does not show the fainter one
    loud = round_of({100.0: 300.0}, {}, whole=True)
    bursts = replace(bursts, log_likelihood=loud.log_likelihood)
    silent = make_evidence(times, {}, floor=-5.0)
    again = round_of({60.0: 40.0}, {}, whole=True)
    never, heard = (pair_posterior(times, [bursts, second], settings=SETTINGS) for second in (silent, again))
    near = np.abs(times.position_m - 60) < 5
    assert never.between * np.trapezoid(never.density_per_m[near], times.position_m[near]) < 0.1
    assert never.none == max(never.between, never.beyond_a, never.beyond_b, never.none)
    assert heard.between * np.trapezoid(heard.density_per_m[near], times.position_m[near]) > 0.9


def test_a_passing_noise_all_the_time_is_as_doubtful_as_before(times: PathTimes, round_of: Maker) -> None:
    # both parts say the same: telling them apart must not make it a sure leak
    seen = round_of({50.0: 60.0}, {50.0: 40.0}, share=0.5)
    apart = pair_posterior(times, [seen], settings=SETTINGS)
    whole = pair_posterior(times, [replace(seen, splits=())], settings=SETTINGS)
    assert apart.between == pytest.approx(whole.between, abs=0.05)


@settings(max_examples=15, deadline=None)
@given(
    st.floats(5.0, 95.0),
    st.floats(5.0, 80.0),
    st.floats(20.0, 200.0),
    st.floats(0.1, 0.8),
    st.booleans(),
)
def test_order_of_rounds_changes_nothing(
    times: PathTimes,
    round_of: Maker,
    at_m: float,
    leak: float,
    burst: float,
    share: float,
    beyond_a: bool,
) -> None:
    rounds = [
        round_of({0.0 if beyond_a else 100.0: burst}, {at_m: leak}, share=share),
        round_of({at_m: leak}, {}, whole=True),
    ]
    one, other = (pair_posterior(times, order, settings=SETTINGS) for order in (rounds, rounds[::-1]))
    assert one.between == pytest.approx(other.between, abs=1e-9)
    np.testing.assert_allclose(one.density_per_m, other.density_per_m, rtol=1e-6, atol=1e-12)


def test_what_is_missing_in_the_rest_costs_what_it_should(times: PathTimes, round_of: Maker) -> None:
    seen = round_of({50.0: 100.0}, {}, share=0.5)
    grid_s = seen.delay_s
    (terms,) = weigh_rounds([seen], grid_s, jitter=0.5, settings=SETTINGS, log_of_passing=lambda _: -1e9)
    peak = int(np.argmax(seen.log_likelihood))
    # without any passing noise the whole counts, less a tenth of what the other half let expect
    lost = float(seen.log_likelihood.max()) - terms.log_lasting[peak]
    assert lost == pytest.approx(EVIDENCE_KEPT * 100.0, abs=2.0)
