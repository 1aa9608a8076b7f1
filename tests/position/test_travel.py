"""Delays along a path, by hand, by published rules, and their spread by drawing at random."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import networkx as nx
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from netcorr.path import correlation_path
from netcorr.position import LocateSettings, PathTimes, path_times

Maker = Callable[..., Any]
few = settings(max_examples=25, deadline=None)
lengths = st.lists(st.floats(2.0, 120.0), min_size=1, max_size=5)
metres_a_second = st.floats(300.0, 1400.0)


def delay_at(times: PathTimes, at_m: float) -> float:
    return float(np.interp(at_m, times.position_m, times.delay_s))


def place_of(times: PathTimes, delay_s: float) -> float:
    """Where the delay points to: the delays fall from A to B."""
    return float(np.interp(-delay_s, -times.delay_s, times.position_m))


@given(length_m=st.floats(5.0, 500.0), speed_m_s=metres_a_second, share=st.floats(0.0, 1.0))
@few
def test_uniform_pipe_gives_the_textbook_rule(
    make_times: Maker, length_m: float, speed_m_s: float, share: float
) -> None:
    times = make_times(length_m, speed_m_s=speed_m_s)
    delay_s = (1 - 2 * share) * length_m / speed_m_s
    assert place_of(times, delay_s) == pytest.approx((length_m - speed_m_s * delay_s) / 2, abs=1e-6)
    assert times.delay_s == pytest.approx((length_m - 2 * times.position_m) / speed_m_s)


def test_published_rule_for_one_pipe(make_times: Maker) -> None:
    # D = 2 l + Td v: Thornton, Sturm and Kunkel, Water Loss Control (2008), Figs 16.10 and 16.12
    times = make_times(152.4, speed_m_s=1250.0)
    assert place_of(times, 0.040) == pytest.approx(51.2, abs=1e-9)
    # a handbook prints L - c Td / 2, which would put it at 127.4 m
    assert place_of(times, 0.040) < 152.4 / 2


@pytest.mark.parametrize(
    ("pieces", "at_m", "delay_s"),
    [
        ([(60, 1250), (40, 480)], 30, 0.0833333),
        ([(60, 1250), (40, 480)], 60, 0.0353333),
        ([(60, 1250), (40, 480)], 80, -0.0480000),
        ([(80, 1280), (35, 400), (50, 1180)], 40, 0.129872881),
        ([(80, 1280), (35, 400), (50, 1180)], 100, -0.032627119),
        ([(80, 1280), (35, 400), (50, 1180)], 150, -0.166949153),
    ],
)
def test_mixed_pipes_are_summed_piece_by_piece(
    make_path: Maker,
    make_speed: Maker,
    pieces: list[tuple[float, float]],
    at_m: float,
    delay_s: float,
) -> None:
    # lengths over speeds, worked by hand: at 80 m, A hears after 60/1250 + 20/480, B after 20/480
    path = make_path([length_m for length_m, _ in pieces])
    speeds = [make_speed(speed_m_s) for _, speed_m_s in pieces]
    times = path_times(path, speeds, settings=LocateSettings(), clock_sd_s=1e-4)
    assert delay_at(times, at_m) == pytest.approx(delay_s, abs=5e-8)
    assert place_of(times, delay_s) == pytest.approx(at_m, abs=1e-4)
    mean_m_s = path.length_m / sum(length_m / speed_m_s for length_m, speed_m_s in pieces)
    assert abs((path.length_m - mean_m_s * delay_s) / 2 - at_m) > 1  # what averaging would have cost


def test_sign_is_positive_when_a_hears_it_first(make_times: Maker) -> None:
    times = make_times(100.0, speed_m_s=1000.0)
    assert delay_at(times, 10.0) == pytest.approx(0.080)
    assert delay_at(times, 90.0) == pytest.approx(-0.080)


def test_tee_rule(make_network: Maker, make_speed: Maker) -> None:
    # Thornton, Sturm and Kunkel (2008), Fig. 16.11: sensors on the main point at the tee of a branch that
    # leaks; a pair that has one at the branch's end points at the leak
    mains = {"M1": [(0, 0), (110, 0)], "S1": [(60, 0), (60, 40)]}
    fittings = {"V1": (0, 0), "V2": (110, 0), "V3": (60, 0), "V4": (60, 40)}
    leaking = mains | {"S1": [(60, 0), (60, 25)], "S2": [(60, 25), (60, 40)]}
    network = make_network(mains, fittings, speed_m_s=1200.0)
    truth = make_network(leaking, fittings | {"O": (60, 25)}, speed_m_s=1200.0)
    heard_s = {
        name: metres / 1200
        for name in fittings
        for metres in [
            nx.dijkstra_path_length(truth.graph, truth.node_of("O"), truth.node_of(name), weight="length_m")
        ]
    }
    expected_m = {("V1", "V2"): 60, ("V1", "V4"): 85, ("V2", "V4"): 75, ("V1", "V3"): 60}
    for (a, b), at_m in expected_m.items():
        path = correlation_path(network, a, fitting_b=b)
        speeds = [make_speed(segment.wave_speed_m_s) for segment in path.segments]
        times = path_times(path, speeds, settings=LocateSettings(), clock_sd_s=1e-4)
        assert place_of(times, heard_s[b] - heard_s[a]) == pytest.approx(at_m, abs=1e-4)
    # with one sensor at the tee itself, the delay is that of its end of the path: not between the two
    assert heard_s["V3"] - heard_s["V1"] == pytest.approx(-60 / 1200, abs=1e-7)


def test_regression_rule(make_times: Maker) -> None:
    # Thornton, Sturm and Kunkel (2008), Fig. 16.12: L = 2 l + V Td over three spacings or more
    spacings_m = np.array([90.0, 120.0, 150.0, 185.0])
    delays_s = [delay_at(make_times(float(L), speed_m_s=1180.0), 32.5) for L in spacings_m]
    assert delays_s == pytest.approx([0.021186, 0.046610, 0.072034, 0.101695], abs=5e-7)
    slope, intercept = np.polyfit(delays_s, spacings_m, 1)
    assert slope == pytest.approx(1180, rel=1e-6)
    assert intercept / 2 == pytest.approx(32.5, rel=1e-6)


def test_leads_delay_their_own_sensor(make_path: Maker, make_speed: Maker) -> None:
    path = make_path([100.0], lead_a_m=2.0, lead_b_m=0.5)
    times = path_times(path, [make_speed(1000.0)], settings=LocateSettings(), clock_sd_s=0.0)
    # A hears after 32 m, B after 70.5 m
    assert delay_at(times, 30.0) == pytest.approx(0.0385)
    assert (times.lead_a_s, times.lead_b_s) == pytest.approx((0.002, 0.0005))
    assert times.travel_time_s == pytest.approx(0.1025)
    # a source at the end of A's lead is heard by B the whole travel time later
    assert times.longest_delay_s > times.travel_time_s


@pytest.mark.parametrize(("delay_s", "sd_m"), [(0.0, 0.590), (0.020, 0.699), (0.060, 1.270), (0.100, 1.966)])
def test_linear_rule_of_the_spread(make_times: Maker, exact: Maker, delay_s: float, sd_m: float) -> None:
    # first-order propagation: sigma = sqrt(sL^2 + (c st)^2 + (tau sc)^2) / 2
    # with L = 150 m, c = 1250 m/s +- 3 %, st = 0.5 ms, sL = 1 m
    times = make_times(150.0, speed_m_s=1250.0, common=0.03, clock_sd_s=5e-4, settings=exact(length_sd_m=1.0))
    sd_s = np.interp(place_of(times, delay_s), times.position_m, times.sd_s(clock_sd_s=times.clock_sd_s))
    assert 1250 / 2 * sd_s == pytest.approx(sd_m, abs=1e-3)


def test_parts_of_the_spread_in_metres_along_the_main(make_path: Maker, make_speed: Maker) -> None:
    setting = LocateSettings(length_sd_m=0.3, length_sd_share=0.004, model_sd_m=0.1, lead_sd_share=0.15)
    path = make_path([60.0, 40.0], lead_a_m=2.0)
    times = path_times(path, [make_speed(1250.0), make_speed(480.0)], settings=setting, clock_sd_s=2e-4)
    half = times.speed_m_s / 2
    lead_m = 0.15 * 2.0 / 1250 * half
    assert half * times.length_sd_s == pytest.approx(np.hypot(np.hypot(0.3, 0.4) / 2, lead_m))
    assert half * times.model_sd_s == pytest.approx(0.1)
    assert times.sd_s(clock_sd_s=0.0) == pytest.approx(
        np.sqrt(times.speed_sd_s**2 + times.length_sd_s**2 + times.model_sd_s**2)
    )


def test_common_error_vanishes_at_mid_span_and_that_of_each_pipe_does_not(
    make_path: Maker, make_speed: Maker
) -> None:
    path = make_path([50.0, 50.0])
    common = [make_speed(1250.0, common=0.05)] * 2
    own = [make_speed(1250.0, pipe=0.05)] * 2
    by_common, by_pipe = (
        path_times(path, speeds, settings=LocateSettings(), clock_sd_s=0.0) for speeds in (common, own)
    )
    middle = by_common.position_m.size // 2
    assert by_common.position_m[middle] == pytest.approx(50)
    assert by_common.speed_sd_s[middle] == pytest.approx(0, abs=1e-12)
    # either half is off by 5 % of its 40 ms on its own
    assert by_pipe.speed_sd_s[middle] == pytest.approx(0.05 * 0.040 * np.sqrt(2))
    # at A both pipes delay B alike: 5 % of 80 ms in step, less when not in step
    assert by_common.speed_sd_s[0] == pytest.approx(0.004)
    assert by_pipe.speed_sd_s[0] == pytest.approx(0.004 / np.sqrt(2))


def test_materials_err_apart_and_pipes_of_one_material_together(make_path: Maker, make_speed: Maker) -> None:
    path = make_path([50.0, 50.0])
    together, apart = (
        path_times(
            path,
            [make_speed(1250.0, common=0.05), make_speed(1250.0, common=0.05, group=group)],
            settings=LocateSettings(),
            clock_sd_s=0.0,
        )
        for group in ("grey_iron", "ductile_iron")
    )
    assert apart.speed_sd_s[0] == pytest.approx(together.speed_sd_s[0] / np.sqrt(2))
    assert apart.speed_sd_s[1000] > together.speed_sd_s[1000] + 1e-3


def test_spread_agrees_with_drawing_at_random(make_path: Maker, make_speed: Maker, exact: Maker) -> None:
    rng = np.random.default_rng(16)
    lengths_m, speeds_m_s = np.array([45.0, 30.0, 25.0]), np.array([1250.0, 480.0, 1180.0])
    groups, common, own = np.array([0, 1, 0]), 0.03, 0.02
    path = make_path(lengths_m.tolist())
    speeds = [
        make_speed(c, common=common, pipe=own, group=f"material {g}")
        for c, g in zip(speeds_m_s, groups, strict=True)
    ]
    times = path_times(path, speeds, settings=exact(length_sd_m=0.4), clock_sd_s=3e-4)
    n = 6000
    drawn_m_s = speeds_m_s * (1 + common * rng.normal(size=(n, 2))[:, groups] + own * rng.normal(size=(n, 3)))
    clock_s = 3e-4 * rng.normal(size=n)
    error_m = 0.4 * rng.normal(size=n)
    ends = np.cumsum(lengths_m)
    for at_m in (10.0, 40.0, 60.0, 85.0):
        near_a = np.clip(at_m - (ends - lengths_m), 0, lengths_m)
        local_m_s = speeds_m_s[np.searchsorted(ends, at_m)]
        delay_s = ((lengths_m - 2 * near_a) / drawn_m_s).sum(axis=1) + clock_s + error_m / local_m_s
        expected_s = float(np.interp(at_m, times.position_m, times.sd_s(clock_sd_s=3e-4)))
        assert delay_s.std() == pytest.approx(expected_s, rel=0.1)
        placed_m = np.interp(-delay_s, -times.delay_s, times.position_m)
        assert abs(np.median(placed_m) - at_m) < 0.2
        if at_m in (10.0, 60.0):  # elsewhere a good part falls into a pipe of another speed
            assert placed_m.std() == pytest.approx(local_m_s / 2 * expected_s, rel=0.1)


@given(lengths_m=lengths, seed=st.integers(0, 10_000))
@few
def test_swapping_the_sensors_mirrors_everything(
    make_path: Maker, make_speed: Maker, lengths_m: list[float], seed: int
) -> None:
    path, speeds = random_path(make_path, make_speed, lengths_m, seed)
    there = path_times(path, speeds, settings=LocateSettings(), clock_sd_s=2e-4)
    back = path_times(path.reversed(), speeds[::-1], settings=LocateSettings(), clock_sd_s=2e-4)
    assert back.position_m == pytest.approx(path.length_m - there.position_m[::-1], abs=1e-9)
    assert back.delay_s == pytest.approx(-there.delay_s[::-1], abs=1e-12)
    assert back.speed_sd_s == pytest.approx(there.speed_sd_s[::-1], abs=1e-12)
    assert (back.lead_a_s, back.lead_b_s) == (there.lead_b_s, there.lead_a_s)
    assert back.travel_time_s == pytest.approx(there.travel_time_s)
    assert back.longest_delay_s == pytest.approx(there.longest_delay_s)


def random_path(
    make_path: Maker, make_speed: Maker, lengths_m: list[float], seed: int
) -> tuple[Any, list[Any]]:
    rng = np.random.default_rng(seed)
    path = make_path(lengths_m, lead_a_m=float(rng.uniform(0, 3)), lead_b_m=float(rng.uniform(0, 3)))
    speeds = [
        make_speed(float(rng.uniform(300, 1400)), common=0.03, pipe=0.02, group=str(rng.choice(["x", "y"])))
        for _ in lengths_m
    ]
    return path, speeds


@given(lengths_m=lengths, seed=st.integers(0, 10_000))
@few
def test_delay_falls_by_twice_the_local_slowness(
    make_path: Maker, make_speed: Maker, lengths_m: list[float], seed: int
) -> None:
    path, speeds = random_path(make_path, make_speed, lengths_m, seed)
    times = path_times(path, speeds, settings=LocateSettings(), clock_sd_s=2e-4)
    assert (np.diff(times.delay_s) < 0).all()
    slope = np.diff(times.delay_s) / np.diff(times.position_m)
    ends = np.cumsum(lengths_m)
    between = np.array([not ((low < ends) & (ends < high)).any() for low, high in pairwise(times.position_m)])
    middle = (times.position_m[1:] + times.position_m[:-1]) / 2
    c = np.array([speed.speed_m_s for speed in speeds])
    local = c[np.minimum(np.searchsorted(ends, middle), len(lengths_m) - 1)]
    assert slope[between] == pytest.approx(-2 / local[between], rel=1e-6)
    assert times.longest_delay_s >= max(abs(times.delay_s)) + 2 * max(times.lead_a_s, times.lead_b_s)
    total_m = sum(lengths_m)
    assert (times.position_m[0], times.position_m[-1]) == (0.0, pytest.approx(total_m))
    steps_m = np.diff(times.position_m)
    assert steps_m == pytest.approx(np.full(steps_m.size, steps_m.mean()))
    assert steps_m.mean() <= 0.05 + 1e-9


@given(length_m=st.floats(10.0, 200.0), share=st.floats(0.1, 0.9))
@example(length_m=44.5, share=0.1)  # the parts make up a hair more: one place more on the path
@few
def test_a_main_cut_in_two_is_still_one_main(
    make_path: Maker, make_speed: Maker, length_m: float, share: float
) -> None:
    speed = make_speed(1250.0, common=0.03, pipe=0.02)
    whole = path_times(make_path([length_m]), [speed], settings=LocateSettings(), clock_sd_s=0.0)
    cut = make_path([share * length_m, (1 - share) * length_m], pipe_ids=["M1", "M1"])
    parts = path_times(cut, [speed, speed], settings=LocateSettings(), clock_sd_s=0.0)
    # an even number: in the middle the error of the speed has a kink, between places of the path
    places = np.linspace(0, length_m, 20)
    for name in ("delay_s", "speed_sd_s", "length_sd_s", "model_sd_s"):
        one, other = (np.interp(places, t.position_m, getattr(t, name)) for t in (whole, parts))
        assert other == pytest.approx(one, abs=1e-9)


def test_a_very_short_path_still_has_points(make_times: Maker) -> None:
    times = make_times(0.2)
    assert times.position_m.size >= 9
    assert times.delay_s[0] == pytest.approx(0.2 / 1250)
