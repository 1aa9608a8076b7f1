"""Loops of delays and the offsets of clocks: algebra, statistics, and recordings made for it."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from netcorr.delay import delay_evidence, prepare_round
from netcorr.delay.closure import loop_misclosure, offset_from_end_stops, offsets_of_loggers
from netcorr.errors import DelayError

Pair = Callable[..., NDArray[np.float64]]
TIMES = st.floats(-0.5, 0.5)
ERRORS = (2e-5, 3e-5, 1e-5)


@settings(max_examples=40, deadline=None)
@given(arrivals=st.tuples(TIMES, TIMES, TIMES), offsets=st.tuples(TIMES, TIMES, TIMES))
def test_no_clock_offset_ever_shows_in_a_loop(
    arrivals: tuple[float, float, float], offsets: tuple[float, float, float]
) -> None:
    a, b, c = (t + d for t, d in zip(arrivals, offsets, strict=True))
    loop = loop_misclosure(b - a, c - b, c - a, standard_errors_s=ERRORS)
    assert abs(loop.misclosure_s) < 1e-12
    assert loop.probability > 0.999


def test_right_picks_give_every_probability_equally_often() -> None:
    rng = np.random.default_rng(1)
    true = np.array([0.010, 0.025, 0.035])
    picks = true + rng.normal(size=(2000, 3)) * ERRORS
    found = [loop_misclosure(*map(float, pick), standard_errors_s=ERRORS).probability for pick in picks]
    assert stats.kstest(found, "uniform").pvalue > 1e-3


def test_a_wrong_pick_shows() -> None:
    """A cycle of 250 Hz on one of the three pairs, with errors of 30 microseconds."""
    loop = loop_misclosure(0.010, 0.025 + 0.004, 0.035, standard_errors_s=(3e-5, 3e-5, 3e-5))
    assert loop.misclosure_s == pytest.approx(0.004)
    assert loop.standard_error_s == pytest.approx(3e-5 * math.sqrt(3))
    assert loop.probability < 1e-100


def test_loop_from_recordings() -> None:
    """Three loggers hear one source; the delays of their pairs close within the stated errors."""
    rng = np.random.default_rng(4)
    source = rng.normal(size=41_000)
    late = (100, 163, 311)
    heard = np.stack([source[500 - k : 40_500 - k] for k in late]) + 1.5 * rng.normal(size=(3, 40_000))
    prepared = prepare_round(heard, 4000.0, max_delay_s=0.08)
    ab, bc, ac = (
        delay_evidence(prepared[i], prepared[k], max_delay_s=0.08) for i, k in ((0, 1), (1, 2), (0, 2))
    )
    errors = (ab.standard_error_s, bc.standard_error_s, ac.standard_error_s)
    delays = (ab.peak_delay_s, bc.peak_delay_s, ac.peak_delay_s)
    assert delays == pytest.approx((63 / 4000, 148 / 4000, 211 / 4000), abs=2e-5)
    assert loop_misclosure(*delays, standard_errors_s=errors).probability > 0.01


@settings(max_examples=40, deadline=None)
@given(offset_s=st.floats(-0.01, 0.01), travel_s=st.floats(0.001, 1.0))
def test_end_stops_give_offset_and_travel_time(offset_s: float, travel_s: float) -> None:
    stops = offset_from_end_stops(travel_s + offset_s, offset_s - travel_s, standard_errors_s=(1e-5, 1e-5))
    assert stops.offset_s == pytest.approx(offset_s, abs=1e-12)
    assert stops.travel_time_s == pytest.approx(travel_s)


def test_exchanged_loggers_give_offset_and_delay() -> None:
    """tau changes its sign when the loggers change places, the offset does not."""
    tau_s, offset_s = 0.0312, -0.0015
    stops = offset_from_end_stops(offset_s + tau_s, offset_s - tau_s, standard_errors_s=(1e-5, 1e-5))
    assert (stops.offset_s, stops.travel_time_s) == pytest.approx((offset_s, tau_s))


def test_error_of_end_stops_by_simulation() -> None:
    rng = np.random.default_rng(2)
    errors = (4e-5, 1e-5)
    picks = np.array([0.098, -0.102]) + rng.normal(size=(4000, 2)) * errors
    found = [offset_from_end_stops(float(p), float(q), standard_errors_s=errors) for p, q in picks]
    for values in ([one.offset_s for one in found], [one.travel_time_s for one in found]):
        assert np.std(values) == pytest.approx(found[0].standard_error_s, rel=0.05)


@pytest.mark.parametrize(("speed_m_s", "offset_s"), [(1180.0, 0.002), (1320.0, -0.0015)])
def test_usage_beyond_either_sensor_tells_clock_and_speed(
    speed_m_s: float, offset_s: float, pair: Pair
) -> None:
    """120 m of iron, 20 s of usage beyond A, then beyond B: speed and clock, unknown before, come out."""
    travel_s = 120 / speed_m_s
    rng = np.random.default_rng(int(speed_m_s))
    found = []
    for delay_s in (offset_s + travel_s, offset_s - travel_s):
        heard = pair(rng, delay_s=delay_s, snr_db=-6.0, duration_s=20.0)
        a, b = prepare_round(heard, 4000.0, max_delay_s=0.13)
        found.append(delay_evidence(a, b, max_delay_s=0.13))
    stops = offset_from_end_stops(
        found[0].peak_delay_s,
        found[1].peak_delay_s,
        standard_errors_s=(found[0].standard_error_s, found[1].standard_error_s),
    )
    assert stops.offset_s == pytest.approx(offset_s, abs=4 * stops.standard_error_s)
    assert stops.standard_error_s < 6e-5
    assert 120 / stops.travel_time_s == pytest.approx(speed_m_s, abs=2)


def test_offsets_of_loggers_by_simulation() -> None:
    """Four loggers, five pairs: two loops. Errors and probability are as stated."""
    rng = np.random.default_rng(3)
    clock = {"A": 0.0, "B": 0.002, "C": -0.001, "D": 0.0005}
    names = [("A", "B"), ("B", "C"), ("A", "C"), ("C", "D"), ("D", "A")]
    errors = dict(zip(names, (2e-5, 1e-5, 4e-5, 3e-5, 2e-5), strict=True))
    found = []
    for _ in range(1500):
        pairs = {
            (a, b): (clock[b] - clock[a] + float(rng.normal()) * errors[a, b], errors[a, b]) for a, b in names
        }
        found.append(offsets_of_loggers(pairs, reference="A"))
    for logger in "BCD":
        values = np.array([one.offset_s[logger] for one in found])
        assert values.mean() == pytest.approx(clock[logger], abs=2e-6)
        assert values.std() == pytest.approx(found[0].standard_error_s[logger], rel=0.08)
    assert stats.kstest([one.probability for one in found], "uniform").pvalue > 1e-3
    assert found[0].offset_s["A"] == found[0].standard_error_s["A"] == 0


def test_pairs_that_contradict_each_other() -> None:
    pairs = {("A", "B"): (0.002, 1e-5), ("B", "C"): (0.001, 1e-5), ("A", "C"): (0.007, 1e-5)}
    assert offsets_of_loggers(pairs, reference="B").probability < 1e-12


def test_a_tree_of_pairs_cannot_be_tested() -> None:
    """Pairs that join nothing to the reference say nothing of it."""
    pairs = {("A", "B"): (0.002, 1e-5), ("X", "Y"): (0.5, 1e-5)}
    found = offsets_of_loggers(pairs, reference="B")
    assert found.probability == 1
    assert found.offset_s == pytest.approx({"B": 0.0, "A": -0.002})


def test_what_is_refused() -> None:
    with pytest.raises(DelayError, match="give finite delays with positive standard errors"):
        loop_misclosure(0.1, math.nan, 0.1, standard_errors_s=ERRORS)
    with pytest.raises(DelayError, match="give finite delays with positive standard errors"):
        loop_misclosure(0.1, 0.1, 0.2, standard_errors_s=(1e-5, 0.0, 1e-5))
    with pytest.raises(DelayError, match="what passes A first has the larger delay"):
        offset_from_end_stops(-0.1, 0.1, standard_errors_s=(1e-5, 1e-5))
    with pytest.raises(DelayError, match="logger Z: no pair that it is part of"):
        offsets_of_loggers({("A", "B"): (0.002, 1e-5)}, reference="Z")
