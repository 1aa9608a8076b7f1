"""Probability along the mains by one pair: the pair's own answer, spread over side streets and beyond."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcorr.network import PipeNetwork
from netcorr.position import LocateSettings
from netcorr.position.fix import LikelyStretch
from netcorr.position.network.of_pair import likelihood_of_pair
from netcorr.position.sites import Site

Maker = Callable[..., Any]
X = 350_000.0
SPEED = 1250.0
#: A street with a side street at 80 m and mains beyond either logger.
MAINS = {
    "W": [(-70, 0), (0, 0)],
    "A": [(0, 0), (80, 0)],
    "B": [(80, 0), (120, 0)],
    "S": [(80, 0), (80, 60)],
    "E": [(120, 0), (200, 0)],
}


@pytest.fixture(scope="module")
def street(make_network: Maker) -> PipeNetwork:
    made: PipeNetwork = make_network(MAINS, {"V1": (0, 0), "V2": (120, 0)}, speed_m_s=SPEED)
    return made


@pytest.fixture(scope="module")
def told(street: PipeNetwork, make_pairs: Maker) -> Callable[..., tuple[LikelyStretch, ...]]:
    """Stretches for a leak so far from V1, with probabilities between, beyond A and beyond B."""

    def tell(
        from_v1_m: float, shares: tuple[float, float, float], **changes: Any
    ) -> tuple[LikelyStretch, ...]:
        delay_s = (120 - 2 * from_v1_m) / SPEED
        [(fix, times)] = make_pairs(street, ["V1", "V2"], {("V1", "V2"): {delay_s: 60.0}})
        between, beyond_a, beyond_b = shares
        fix = replace(
            fix,
            probability_between=between,
            probability_beyond_a=beyond_a,
            probability_beyond_b=beyond_b,
            probability_none=1 - sum(shares),
            **changes,
        )
        sites = [Site("L1", "V1", 0.0, 1e-4), Site("L2", "V2", 0.0, 1e-4)]
        return likelihood_of_pair(street, sites, (fix, times), settings=LocateSettings())

    return tell


def on(stretches: tuple[LikelyStretch, ...], *names: str) -> float:
    return sum(one.probability for one in stretches if one.pipe_id in names)


@given(
    shares=st.tuples(st.floats(0.01, 0.5), st.floats(0.01, 0.25), st.floats(0.01, 0.2)),
    from_v1_m=st.sampled_from([15.0, 40.0, 80.0, 105.0]),
)
def test_each_part_has_the_probability_of_the_pair(told: Any, shares: Any, from_v1_m: float) -> None:
    stretches = told(from_v1_m, shares)
    between, beyond_a, beyond_b = shares
    assert on(stretches, "W") == pytest.approx(beyond_a, rel=1e-6)
    assert on(stretches, "E") == pytest.approx(beyond_b, rel=1e-6)
    assert on(stretches, "A", "B", "S") == pytest.approx(between, rel=1e-6)
    assert all(one.probability >= 0 for one in stretches)


def test_the_place_is_where_the_delay_says(told: Any) -> None:
    stretches = told(40.0, (0.9, 0.03, 0.03))
    best = max(stretches, key=lambda one: one.probability_per_m)
    assert best.pipe_id == "A"
    assert best.told_apart
    assert best.line.centroid.x - X == pytest.approx(40.0, abs=1.0)
    assert on(stretches, "S") < 0.03


def test_a_side_street_at_the_place_is_as_likely_metre_for_metre(told: Any) -> None:
    stretches = told(80.0, (0.9, 0.03, 0.03))
    side = [one for one in stretches if one.pipe_id == "S"]
    assert sum(one.length_m for one in side) == pytest.approx(60.0)
    assert not any(one.told_apart for one in side)
    # two sensors on the main cannot tell the branch (Thornton, Sturm and Kunkel 2008, fig. 16.11)
    per_m = {one.probability_per_m for one in side}
    assert max(per_m) / min(per_m) < 1.7
    assert on(stretches, "S") > 0.5


def test_all_mains_within_reach_are_covered_once(told: Any) -> None:
    stretches = told(40.0, (0.5, 0.1, 0.1))
    for name, ((x0, y0), (x1, y1)) in MAINS.items():
        length_m = sum(one.length_m for one in stretches if one.pipe_id == name)
        assert length_m == pytest.approx(float(np.hypot(x1 - x0, y1 - y0)))


def test_recordings_that_tell_nothing_shade_nothing(told: Any) -> None:
    assert told(40.0, (0.4, 0.15, 0.15), outcome="nothing learnt") == ()


def test_another_way_round_gets_nothing_as_in_the_answer_of_the_pair(
    make_network: Maker, make_pairs: Maker
) -> None:
    # a block: 120 m by the street, 160 m round it
    mains = {
        "A": [(0, 0), (120, 0)],
        "R": [(0, 0), (0, -20), (120, -20), (120, 0)],
        "W": [(-60, 0), (0, 0)],
        "E": [(120, 0), (180, 0)],
    }
    network = make_network(mains, {"V1": (0, 0), "V2": (120, 0)}, speed_m_s=SPEED)
    [(fix, times)] = make_pairs(network, ["V1", "V2"], {("V1", "V2"): {0.016: 60.0}})
    fix = replace(fix, probability_between=0.8, probability_beyond_a=0.1, probability_beyond_b=0.05)
    sites = [Site("L1", "V1", 0.0, 1e-4), Site("L2", "V2", 0.0, 1e-4)]
    stretches = likelihood_of_pair(network, sites, (fix, times), settings=LocateSettings())
    assert on(stretches, "A") == pytest.approx(0.8, rel=1e-6)
    way_round = [one for one in stretches if one.pipe_id == "R" and one.told_apart]
    assert sum(one.length_m for one in way_round) > 100
    assert sum(one.probability for one in way_round) == pytest.approx(0.0, abs=1e-9)
    # its ends are reached past one logger: beyond it, as what leads out of the block
    assert on(stretches, "W", "E", "R") == pytest.approx(0.15, rel=1e-6)
