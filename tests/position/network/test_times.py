"""Travel times along looped mains, against networkx and by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from typing import Any

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.network import PipeNetwork
from netcorr.position import LocateSettings
from netcorr.position.network.pipes import ReachedPipes, pipes_within_reach
from netcorr.position.network.times import Places, even_places, finer_places, sensor_times, times_at

Maker = Callable[..., Any]
SPEED = 1250.0

#: A ring of 80 m by 60 m, a spur, and a main that lies out of reach.
MAINS = {
    "A": [(0, 0), (80, 0)],
    "B": [(80, 0), (80, 60)],
    "C": [(80, 60), (0, 60)],
    "D": [(0, 60), (0, 0)],
    "S": [(80, 60), (120, 60)],
    "F": [(120, 60), (1200, 60)],
    "G": [(1200, 60), (1300, 60)],
}
FITTINGS = {"V1": (0, 0), "V2": (80, 60), "V3": (120, 60)}


@pytest.fixture(scope="module")
def ring(make_network: Maker) -> PipeNetwork:
    made: PipeNetwork = make_network(MAINS, FITTINGS, speed_m_s=SPEED)
    return made


@pytest.fixture(scope="module")
def pipes(ring: PipeNetwork) -> ReachedPipes:
    return pipes_within_reach(ring, [ring.node_of("V1"), ring.node_of("V2")], settings=LocateSettings())


def test_only_mains_within_reach_are_cut_out(pipes: ReachedPipes) -> None:
    assert {data["pipe_id"] for data in pipes.data} == {"A", "B", "C", "D", "S", "F"}


def test_times_to_nodes_are_those_of_networkx(ring: PipeNetwork, pipes: ReachedPipes) -> None:
    start = ring.node_of("V1")
    [sensor] = sensor_times(pipes, [start], lead_m=[0.0])
    expected = nx.single_source_dijkstra_path_length(ring.graph, start, weight="length_m")
    for row, node in enumerate(pipes.nodes.tolist()):
        assert sensor.time_s[row] == pytest.approx(expected[node] / SPEED)
        assert sensor.length_m[row] == pytest.approx(expected[node])
        assert sensor.by_group_s[row].sum() == pytest.approx(expected[node] / SPEED)


def test_halfway_round_a_ring_the_sound_comes_from_both_ends(ring: PipeNetwork, pipes: ReachedPipes) -> None:
    [sensor] = sensor_times(pipes, [ring.node_of("V1")], lead_m=[0.0])
    far = [data["pipe_id"] for data in pipes.data].index("C")
    from_v2 = 0.0 if pipes.data[far]["from_node"] == ring.node_of("V2") else 80.0
    # 280 m round: the far side of V1 is at V2, 140 m either way
    near_v2, near_d = abs(from_v2 - 1.0), abs(from_v2 - 79.0)
    ways = times_at(pipes, sensor, Places(np.array([far, far]), np.array([near_v2, near_d]), np.ones(2)))
    assert ways.time_s * SPEED == pytest.approx([139.0, 61.0])
    assert ways.other_end_s[0] * SPEED == pytest.approx(2.0)


def test_a_lead_adds_its_time_everywhere(ring: PipeNetwork, pipes: ReachedPipes) -> None:
    node = ring.node_of("V1")
    plain, led = sensor_times(pipes, [node, node], lead_m=[0.0, 5.0])
    assert led.time_s - plain.time_s == pytest.approx(np.full(plain.time_s.size, 5 / SPEED))


def test_own_errors_of_one_main_add_up_and_of_two_do_not(make_network: Maker) -> None:
    fittings = {"V1": (0, 0), "V2": (50, 0), "V3": (100, 0), "V4": (200, 0)}
    network = make_network({"A": [(0, 0), (100, 0)], "B": [(100, 0), (200, 0)]}, fittings)
    pipes = pipes_within_reach(network, [network.node_of("V1")], settings=LocateSettings())
    [sensor] = sensor_times(pipes, [network.node_of("V1")], lead_m=[0.0])
    at = pipes.row_of(network.node_of("V4"))
    total = sensor.before_s2[at] + (sensor.last_share[at] * sensor.last_s[at]) ** 2
    share, c = float(pipes.own_share[0]), float(pipes.speed_m_s[0])
    # A is cut at V2 and still one main: (100 m) squared for each of the two mains
    assert total == pytest.approx(2 * (share * 100 / c) ** 2)


@settings(deadline=None, max_examples=30)
@given(spacing_m=st.floats(0.3, 200.0), finer_m=st.floats(0.1, 30.0))
def test_places_cover_the_mains_once(pipes: ReachedPipes, spacing_m: float, finer_m: float) -> None:
    places = even_places(pipes, spacing_m=spacing_m)
    finer, row = finer_places(places, spacing_m=finer_m)
    for one, longest in ((places, spacing_m), (finer, finer_m)):
        assert one.width_m.max() <= longest * (1 + 1e-6)
        covered = np.bincount(one.piece, one.width_m, minlength=pipes.length_m.size)
        assert covered == pytest.approx(pipes.length_m)
    assert (finer.piece == places.piece[row]).all()
    inside = np.abs(finer.from_m - places.from_m[row]) <= places.width_m[row] / 2
    assert inside.all()


def test_some_of_the_ways_are_the_ways_to_some_of_the_places(ring: PipeNetwork, pipes: ReachedPipes) -> None:
    [sensor] = sensor_times(pipes, [ring.node_of("V1")], lead_m=[1.0])
    places = even_places(pipes, spacing_m=11.0)
    rows = np.arange(1, places.piece.size, 3)
    some, by_hand = times_at(pipes, sensor, places).take(rows), times_at(pipes, sensor, places.take(rows))
    for one in fields(by_hand):
        assert (getattr(some, one.name) == getattr(by_hand, one.name)).all()
