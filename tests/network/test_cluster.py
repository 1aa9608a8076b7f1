"""Points made one, and the bars between them."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from netcorr.network.cluster import Bars, Links, cluster

NO_BARS = Bars(np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp), np.zeros(0))


def links_within(places: np.ndarray, reach: float) -> Links:
    pairs = cKDTree(places).query_pairs(reach, output_type="ndarray").astype(np.intp)
    gap = np.hypot(*(places[pairs[:, 0]] - places[pairs[:, 1]]).T)
    return Links(pairs[:, 0], pairs[:, 1], gap)


def random_points(seed: int, n: int = 40) -> np.ndarray:
    return np.random.default_rng(seed).uniform(0, 3, size=(n, 2))


def same_partition(one: np.ndarray, other: np.ndarray) -> bool:
    return bool(((one[:, None] == one) == (other[:, None] == other)).all())


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_without_bars_clusters_are_connected_components(seed: int) -> None:
    places = random_points(seed)
    links = links_within(places, 0.4)
    label, refused = cluster(places, links, bars=NO_BARS)
    graph = nx.Graph(zip(links.a.tolist(), links.b.tolist(), strict=True))
    graph.add_nodes_from(range(len(places)))
    expected = np.empty(len(places), dtype=int)
    for k, part in enumerate(nx.connected_components(graph)):
        expected[list(part)] = k
    assert same_partition(label, expected)
    assert len(refused) == 0


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_bars_are_never_crossed_and_order_plays_no_part(seed: int) -> None:
    rng = np.random.default_rng(seed)
    places = random_points(seed)
    links = links_within(places, 0.4)
    pairs = rng.choice(len(places), size=(12, 2))
    pairs = pairs[pairs[:, 0] != pairs[:, 1]].astype(np.intp)
    length = np.hypot(*(places[pairs[:, 0]] - places[pairs[:, 1]]).T)
    label, refused = cluster(places, links, bars=Bars(pairs[:, 0], pairs[:, 1], length))
    assert (label[pairs[:, 0]] != label[pairs[:, 1]]).all()
    assert set(refused.tolist()) <= set(range(len(pairs)))
    new = rng.permutation(len(places))
    back = np.argsort(new)  # point k is now number back[k]
    order = rng.permutation(len(links.a))
    shuffled = Links(back[links.b[order]], back[links.a[order]], links.gap_m[order])
    bars = Bars(back[pairs[::-1, 1]], back[pairs[::-1, 0]], length[::-1])
    again, _ = cluster(places[new], shuffled, bars=bars)
    assert same_partition(label, again[back])


def test_short_links_are_followed_before_long_ones() -> None:
    places = np.array([[0.0, 0], [1, 0], [1.4, 0]])
    bars = Bars(np.array([0]), np.array([2]), np.array([1.4]))
    label, refused = cluster(places, links_within(places, 1.2), bars=bars)
    assert label[1] == label[2] != label[0]
    assert refused.tolist() == [0]


def bars_along(places: np.ndarray) -> Bars:
    """Each place barred from the next, as the ends of short pipes in a row are."""
    k = np.arange(len(places) - 1)
    return Bars(k, k + 1, np.hypot(*np.diff(places, axis=0).T))


def test_a_small_gap_in_a_ring_of_short_pipes_is_closed() -> None:
    ring = np.array([[0.0, 0], [0.3, 0], [0.3, 0.3], [0, 0.3], [0, 0.02]])
    label, refused = cluster(ring, links_within(ring, 0.35), bars=bars_along(ring))
    assert label[0] == label[4]
    assert len(np.unique(label)) == 4
    assert len(refused) > 0


@pytest.mark.parametrize("reach", [0.35, 0.65, 1.0])
def test_a_row_of_short_pipes_stays_a_row(reach: float) -> None:
    row = np.column_stack([np.arange(9) * 0.3, np.zeros(9)])
    label, _ = cluster(row, links_within(row, reach), bars=bars_along(row))
    assert len(np.unique(label)) == 9


def test_far_links_are_followed_only_from_what_is_loose() -> None:
    """Two joints 5 m apart stay two; a free end 5 m from one of them is joined to it."""
    places = np.array([[0.0, 0], [5, 0], [0, 5]])
    links = Links(np.array([0, 0]), np.array([1, 2]), np.array([5.0, 5.0]))
    loose = np.array([False, False, True])
    label, refused = cluster(places, links, bars=NO_BARS, loose=loose)
    assert label[0] == label[2] != label[1]
    assert not len(refused)


def test_a_loose_end_takes_the_nearest_mate_and_no_other() -> None:
    places = np.array([[0.0, 0], [4, 0], [-3, 0]])
    links = Links(np.array([0, 0]), np.array([1, 2]), np.array([4.0, 3.0]))
    label, _ = cluster(places, links, bars=NO_BARS, loose=np.array([True, False, False]))
    assert label[0] == label[2] != label[1]


def test_far_links_between_loose_ends_gather_them_all() -> None:
    """Three ends of a tee, each drawn some metres off."""
    places = np.array([[0.0, 0], [4, 0], [0, 5]])
    links = Links(np.array([0, 0, 1]), np.array([1, 2, 2]), np.array([4.0, 5.0, 6.4]))
    label, _ = cluster(places, links, bars=NO_BARS, loose=np.ones(3, dtype=bool))
    assert len(set(label.tolist())) == 1


def test_far_links_respect_bars() -> None:
    """The two ends of a pipe of 5 m never become one, however far the tolerance reaches."""
    places = np.array([[0.0, 0], [5, 0], [2, 2]])
    links = Links(np.array([0, 1, 0]), np.array([2, 2, 1]), np.array([2.8, 3.6, 5.0]))
    pipe = Bars(np.array([0]), np.array([1]), np.array([5.0]))
    label, refused = cluster(places, links, bars=pipe, loose=np.ones(3, dtype=bool))
    assert label[0] == label[2] != label[1]
    assert refused.tolist() == [0]
