"""Ways round about on maps whose ways can be counted by hand."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcorr.network import PipeNetwork
from netcorr.position import LocateSettings
from netcorr.position.network.arrivals import (
    LEAST_STRENGTH,
    MOST_WAYS,
    HeardWay,
    NetworkArrivals,
    SensorArrivals,
    heard_ways,
    network_arrivals,
    pair_ways,
)
from netcorr.position.network.pipes import ReachedPipes, pipes_within_reach
from netcorr.position.network.times import Places, SensorTimes, even_places, sensor_times, times_at

Maker = Callable[..., Any]
SPEED = 1250.0
#: So low that little is lost on the way round.
LOW_HZ = 40.0
#: Two ways from V1 to V2: straight through two closed-off stubs, or round a block without any.
MAINS = {
    "W": [(-60, 0), (0, 0)],
    "A": [(0, 0), (150, 0)],
    "B": [(0, 0), (0, 80), (150, 80), (150, 0)],
    "E": [(150, 0), (220, 0)],
}
FITTINGS = {"V1": (-60, 0), "V2": (220, 0)}


@pytest.fixture(scope="module")
def ring(make_network: Maker) -> PipeNetwork:
    made: PipeNetwork = make_network(MAINS, FITTINGS, speed_m_s=SPEED)
    return made


def gathered(network: PipeNetwork, fittings: list[str]) -> tuple[ReachedPipes, tuple[SensorTimes, ...]]:
    settings = LocateSettings()
    nodes = [network.node_of(name) for name in fittings]
    pipes = pipes_within_reach(network, nodes, settings=settings)
    return pipes, sensor_times(pipes, nodes, lead_m=[0.0] * len(nodes))


def arrivals_of(network: PipeNetwork, fittings: list[str]) -> tuple[ReachedPipes, NetworkArrivals]:
    pipes, sensors = gathered(network, fittings)
    rays = network_arrivals(network, pipes, sensors, frequency_hz=LOW_HZ, settings=LocateSettings())
    return pipes, rays


def row_of(pipes: ReachedPipes, name: str) -> int:
    return next(row for row, data in enumerate(pipes.data) if data["pipe_id"] == name)


def middle_x(pipes: ReachedPipes, row: int) -> float:
    return float(pipes.data[row]["geometry"].centroid.x)


def ways_at(network: PipeNetwork, name: str, into_m: float, *, delays_s: float = 1.0) -> list[HeardWay]:
    pipes, sensors = gathered(network, ["V1", "V2"])
    rays = network_arrivals(network, pipes, sensors, frequency_hz=LOW_HZ, settings=LocateSettings())
    place = Places(np.array([row_of(pipes, name)]), np.array([into_m]), np.ones(1))
    a, b = (times_at(pipes, sensor, place).time_s for sensor in sensors)
    found = heard_ways(
        *rays.sensors, place, pipes, quickest_s=(a, b), delay_s=b - a, within_s=(-delays_s, delays_s)
    )
    return sorted(found, key=lambda way: -float(way.share[0]))


def test_rays_run_in_when_the_quickest_way_does(ring: PipeNetwork) -> None:
    pipes, sensors = gathered(ring, ["V1", "V2"])
    rays = network_arrivals(ring, pipes, sensors, frequency_hz=LOW_HZ, settings=LocateSettings())
    for sensor, of_sensor in zip(sensors, rays.sensors, strict=True):
        first = np.where(of_sensor.pressure > 0, of_sensor.time_s, np.inf).min(axis=2)
        for row, ends in enumerate(pipes.ends):
            quickest = sensor.time_s[ends]
            # by the nearer end it comes first; by the other one when it has gone round
            assert first[row].min() == pytest.approx(quickest.min(), abs=5e-4)
            assert (first[row] >= quickest - 5e-4).all()


def test_what_comes_directly_is_one_of_the_ways(ring: PipeNetwork) -> None:
    ways = ways_at(ring, "A", 40.0)
    direct = [way for way in ways if abs(float(way.later_s[0])) < 1e-9]
    assert direct
    assert float(direct[0].sd_s[0]) == 0.0


def test_the_way_round_is_later_by_what_it_is_longer(ring: PipeNetwork) -> None:
    # a leak on A, 40 m from its western end: V2 hears it along A (110 m) or round by B (40 + 310 m)
    later = {round(float(way.later_s[0]), 3) for way in ways_at(ring, "A", 40.0)}
    assert any(one == pytest.approx((40 + 310 - 110) / SPEED, abs=1.1e-3) for one in later)
    # V1 hears it along A (40 m) or round by B: A's delay gets smaller
    assert any(one == pytest.approx(-(110 + 310 - 40) / SPEED, abs=1.1e-3) for one in later)


def test_shares_of_a_place_sum_to_one(ring: PipeNetwork) -> None:
    pipes, sensors = gathered(ring, ["V1", "V2"])
    rays = network_arrivals(ring, pipes, sensors, frequency_hz=LOW_HZ, settings=LocateSettings())
    places = even_places(pipes, spacing_m=7.0)
    a, b = (times_at(pipes, sensor, places).time_s for sensor in sensors)
    ways = heard_ways(*rays.sensors, places, pipes, quickest_s=(a, b), delay_s=b - a, within_s=(-0.25, 0.25))
    total = np.zeros(places.piece.size)
    for way in ways:
        total[way.rows] += way.share
        at_s = (b - a)[way.rows] + way.later_s
        assert ((np.abs(at_s) <= 0.25) | (way.share == 1)).all()
    assert total == pytest.approx(1.0, abs=1e-3)


def test_a_louder_way_round_has_the_larger_share(make_network: Maker) -> None:
    # along A four tees with side streets that lead on, round by B none: what goes round is heard better
    stubs = {f"S{x}{y}": [(x, 0), (x, y)] for x in (60, 90) for y in (-400, -300)}
    network = make_network(MAINS | stubs, FITTINGS, speed_m_s=SPEED)
    pipes, sensors = gathered(network, ["V1", "V2"])
    rays = network_arrivals(network, pipes, sensors, frequency_hz=LOW_HZ, settings=LocateSettings())
    row = min(range(len(pipes.data)), key=lambda r: (pipes.data[r]["pipe_id"] != "A", middle_x(pipes, r)))
    place = Places(np.array([row]), np.array([20.0]), np.ones(1))
    a, b = (times_at(pipes, sensor, place).time_s for sensor in sensors)
    ways = heard_ways(*rays.sensors, place, pipes, quickest_s=(a, b), delay_s=b - a, within_s=(-1.0, 1.0))
    loudest = max(ways, key=lambda way: float(way.share[0]))
    assert float(loudest.later_s[0]) == pytest.approx((20 + 310 - 130) / SPEED, abs=2e-3)
    assert float(loudest.sd_s[0]) > 0


def test_a_far_place_has_what_comes_round_about_as_a_near_one_has(make_network: Maker) -> None:
    # behind twelve tees with side streets that lead on 40 dB are lost: the block beyond them has its two ways
    before = 12 * 40.0
    street = {"M": [(0, 0), (before, 0)]}
    sides = {f"S{k}": [(40 * k + 20, 0), (40 * k + 20, 400)] for k in range(12)}
    block = {
        "A": [(before, 0), (before + 150, 0)],
        "B": [(before, 0), (before, -80), (before + 150, -80), (before + 150, 0)],
    }
    network = make_network(street | sides | block, {"V1": (0, 0), "V2": (before + 150, 0)}, speed_m_s=SPEED)
    pipes, rays = arrivals_of(network, ["V1", "V2"])
    of_first = rays.sensors[0]
    row = row_of(pipes, "A")
    loudest = float(of_first.pressure[row].max())
    assert 20 * np.log10(loudest) < -40  # as weak as that
    assert (of_first.pressure[row] > 0).any(axis=1).all()  # by both ends
    into = rays.pressure_at(Places(np.array([row]), np.array([1.0]), np.ones(1)))
    assert float(into[0, 0]) == pytest.approx(loudest, rel=0.1)


def test_what_lies_outside_the_delays_looked_at_is_no_way(ring: PipeNetwork) -> None:
    direct_s = (110 + 70 - 40 - 60) / SPEED
    wide, narrow = (
        [direct_s + float(way.later_s[0]) for way in ways_at(ring, "A", 40.0, delays_s=within_s)]
        for within_s in (1.0, 0.12)
    )
    assert max(map(abs, wide)) > 0.2
    assert max(map(abs, narrow)) < 0.121


@given(st.integers(0, 2**31))
def test_the_strongest_combinations_come_first_and_swapping_mirrors_them(seed: int) -> None:
    rng = np.random.default_rng(seed)
    shape = (3, 2, 5)
    a, b = (SensorArrivals(rng.uniform(0, 1, shape), rng.uniform(0, 1, shape)) for _ in range(2))
    ways, mirrored = pair_ways(a, b), pair_ways(b, a)
    assert ways.strength.shape == (3, MOST_WAYS)
    assert ways.strength[:, 0] == pytest.approx(1.0)
    assert (np.diff(ways.strength, axis=1) <= 0).all()
    assert ((ways.strength == 0) | (ways.strength >= LEAST_STRENGTH)).all()
    assert mirrored.strength == pytest.approx(ways.strength)
    apart = (ways.time_b_s - ways.time_a_s)[ways.strength > 0]
    assert np.sort((mirrored.time_a_s - mirrored.time_b_s)[mirrored.strength > 0]) == pytest.approx(
        np.sort(apart)
    )


def test_pressure_falls_along_a_main_and_at_a_tee(ring: PipeNetwork) -> None:
    pipes, rays = arrivals_of(ring, ["V1", "V2"])
    west, east = row_of(pipes, "W"), row_of(pipes, "E")
    from_west = ring.node_of("V1") == pipes.edges[west][0]
    at = np.array([10.0, 50.0])
    places = Places(np.array([west, west]), at if from_west else 60.0 - at, np.ones(2))
    near, far = rays.pressure_at(places)[0]
    assert near > far
    beyond = Places(np.array([east]), np.array([35.0]), np.ones(1))
    assert rays.pressure_at(beyond)[0, 0] < 0.7 * far


def test_an_echo_that_goes_on_to_both_sensors_makes_the_direct_peak_higher(make_network: Maker) -> None:
    # a leak in a dead end: what its end throws back reaches both sensors as the direct sound does, later
    mains = {"D": [(0, 0), (0, 60)], "W": [(-400, 0), (0, 0)], "E": [(0, 0), (400, 0)]}
    network = make_network(mains, {"V1": (-400, 0), "V2": (400, 0)}, speed_m_s=SPEED)
    (direct, *others) = ways_at(network, "D", 25.0)
    assert float(direct.later_s[0]) == pytest.approx(0.0, abs=1e-4)
    # the other combinations, each of half the strength, stay below it by the power that odds go with
    assert float(direct.share[0]) > 0.95
    assert {round(abs(float(way.later_s[0])) * SPEED) for way in others} <= {70, 50, 120}


def test_what_makes_the_same_peak_is_one_combination() -> None:
    time_s = np.array([[[0.10, 0.15], [0.30, 0.40]]])
    a = SensorArrivals(time_s, np.array([[[1.0, 0.8], [0.0, 0.0]]]))
    b = SensorArrivals(time_s + 0.02, np.array([[[1.0, 0.8], [0.0, 0.0]]]))
    ways = pair_ways(a, b)
    shown = ways.strength[0] > 0
    apart_s = (ways.time_b_s - ways.time_a_s)[0][shown]
    # direct and direct, echo and echo: 1 + 0.64 at 20 ms; the other two are peaks of their own
    assert apart_s == pytest.approx([0.02, 0.07, -0.03]) or apart_s == pytest.approx([0.02, -0.03, 0.07])
    assert ways.strength[0][shown] == pytest.approx([1.0, 0.8 / 1.64, 0.8 / 1.64])


def test_opposite_ways_out_of_a_piece_are_not_one_for_all_of_it() -> None:
    # by the first end to A and by the second to B: their delay changes along the piece
    a = SensorArrivals(np.full((1, 2, 1), 0.1), np.array([[[1.0], [0.9]]]))
    b = SensorArrivals(np.full((1, 2, 1), 0.1), np.array([[[1.0], [0.9]]]))
    ways = pair_ways(a, b)
    # of four combinations those by one end to both make the same peak wherever the leak is
    assert int((ways.strength[0] > 0).sum()) == 3


def test_ways_of_two_sensors_are_worked_out_once_and_only_where_both_are_heard(ring: PipeNetwork) -> None:
    _, rays = arrivals_of(ring, ["V1", "V2"])
    a, b = rays.sensors
    silent = np.arange(a.pressure.shape[0]) == 2
    deaf = SensorArrivals(b.time_s, np.where(silent[:, None, None], 0.0, b.pressure))
    pieces, ways = a.ways_with(deaf)
    assert pieces.tolist() == np.flatnonzero(~silent & a.reached).tolist()
    by_hand = pair_ways(a.into(pieces), deaf.into(pieces))
    for name in ("time_a_s", "time_b_s", "first_a", "first_b", "strength"):
        assert (getattr(ways, name) == getattr(by_hand, name)).all()
    assert a.ways_with(deaf)[1] is ways
    assert a.ways_with(b)[1] is not ways


def test_what_no_ray_reaches_is_heard_directly(ring: PipeNetwork) -> None:
    pipes, sensors = gathered(ring, ["V1", "V2"])
    _, rays = arrivals_of(ring, ["V1", "V2"])
    none = SensorArrivals(np.zeros_like(rays.sensors[1].time_s), np.zeros_like(rays.sensors[1].pressure))
    places = even_places(pipes, spacing_m=20.0)
    a, b = (times_at(pipes, sensor, places).time_s for sensor in sensors)
    [direct] = heard_ways(
        rays.sensors[0], none, places, pipes, quickest_s=(a, b), delay_s=b - a, within_s=(-1, 1)
    )
    assert direct.rows.tolist() == list(range(places.piece.size))
    assert (direct.share == 1).all()
    assert not direct.later_s.any()
    assert not direct.sd_s.any()


def test_pressure_of_one_sensor_is_its_row_of_all(ring: PipeNetwork) -> None:
    pipes, rays = arrivals_of(ring, ["V1", "V2"])
    places = even_places(pipes, spacing_m=9.0)
    every = rays.pressure_at(places)
    for row, one in zip(every, rays.sensors, strict=True):
        assert (rays.pressure_of(one, places) == row).all()
    # what is lost on the way to the nearer end is lost: no place is louder than the end of its piece
    assert (every <= np.stack([one.loudest.max(axis=1)[places.piece] for one in rays.sensors]) + 0.01).all()


def test_a_wave_enters_a_piece_by_either_end(ring: PipeNetwork) -> None:
    pipes, _ = arrivals_of(ring, ["V1", "V2"])
    for row, (u, v, key) in enumerate(pipes.edges):
        assert (row, 0) in pipes.entries[u, v, key]
        assert (row, 1) in pipes.entries[v, u, key]
    assert sum(map(len, pipes.entries.values())) == 2 * len(pipes.edges)
