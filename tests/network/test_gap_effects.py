"""What closing gaps would do: order, metres behind each, and pieces at a tolerance."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import networkx as nx
import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import Tolerances, build_network
from netcorr.network.connected import Connected, connected
from netcorr.network.gap_effects import GapEffects, gap_effects, pieces_at
from netcorr.network.near_misses import NearMisses, find_near_misses

Maker = Callable[..., NetworkLayers]


def effects_of(layers: NetworkLayers, near_m: float = 15.0) -> tuple[Connected, NearMisses, GapEffects]:
    network = build_network(layers)
    parts = connected(network)
    gaps = find_near_misses(network, parts, near_m=near_m)
    return parts, gaps, gap_effects(parts, gaps)


def test_a_gap_counts_what_lies_behind_the_next_one(make_layers: Maker) -> None:
    """A long main, a bit of 10 m beside it, and 300 m behind that: the first gap opens both."""
    mains = {"A": [(0, 0), (500, 0)], "B": [(502, 0), (512, 0)], "C": [(513, 0), (813, 0)]}
    parts, gaps, effects = effects_of(make_layers(mains))
    np.testing.assert_allclose(parts.length_m, [500, 300, 10], atol=0.3)
    ids = parts.columns["pipe_id"]
    by_mains = {
        frozenset((ids[gaps.edge[k]], ids[gaps.other[k]])): k for k in np.flatnonzero(effects.order > 0)
    }
    near, far = by_mains[frozenset("AB")], by_mains[frozenset("BC")]
    assert (effects.order[near], effects.order[far]) == (1, 2)
    assert effects.opens_m[near] == pytest.approx(310, abs=0.3)
    assert effects.opens_m[far] == pytest.approx(300, abs=0.3)
    assert gaps.connects_m[near] == pytest.approx(10, abs=0.1), "alone it connects the bit only"
    assert (effects.leads_to[near], effects.leads_to[far]) == (2, 1)
    assert effects.apart_m == pytest.approx(310, abs=0.3)


def test_towns_far_apart_are_systems_of_their_own(make_layers: Maker) -> None:
    mains = {"A": [(0, 0), (500, 0)], "B": [(0, 900), (400, 900)], "C": [(403, 900), (500, 900)]}
    parts, gaps, effects = effects_of(make_layers(mains))
    assert effects.system[0] != effects.system[1]
    assert effects.system[1] == effects.system[2]
    assert effects.apart_m == pytest.approx(parts.length_m[2])
    assert effects.order.tolist() == [1]
    assert effects.opens_m[0] == pytest.approx(parts.length_m[2])
    assert len(gaps) == 1


def test_the_narrower_of_two_gaps_is_chosen_and_an_end_before_a_crossing(make_layers: Maker) -> None:
    two = {"A": [(0, 0), (500, 0)], "B": [(100, 9), (100, 50), (200, 50), (200, 4)]}
    _, gaps, effects = effects_of(make_layers(two))
    assert gaps.gap_m[effects.order == 1] == pytest.approx([4], abs=0.01)
    crossed = two | {"B": [(100, 9), (100, 50), (200, 50), (200, -50)]}
    _, gaps, effects = effects_of(make_layers(crossed))
    assert "crossing" in gaps.kind
    assert gaps.kind[effects.order == 1].tolist() == ["end to main"]


def test_without_gaps_there_is_nothing_to_do(make_layers: Maker) -> None:
    parts, gaps, effects = effects_of(make_layers({"A": [(0, 0), (50, 0)]}))
    assert len(gaps) == len(effects.order) == 0
    assert effects.apart_m == 0
    assert pieces_at(parts, gaps, [1.0]) == [1]


@pytest.mark.parametrize("tolerance_m", [0.5, 1.0, 2.0, 4.0])
def test_pieces_at_a_tolerance_are_those_after_building_with_it(
    make_layers: Maker, tolerance_m: float
) -> None:
    """Counted from the gaps, and the network built anew: the same number (mains far apart otherwise)."""
    gaps_m = [0.3, 0.7, 1.5, 3.0, 6.0]
    mains: dict[str, Any] = {}
    at = 0.0
    for k, gap in enumerate([0.0, *gaps_m]):
        at += gap
        mains[f"M{k}"] = [(at, 0), (at + 80, 0)]
        at += 80
    layers = make_layers(mains)
    parts, gaps, _ = effects_of(layers)
    built = build_network(layers, tolerances=Tolerances(join_m=tolerance_m, cut_m=tolerance_m))
    assert pieces_at(parts, gaps, [tolerance_m]) == [nx.number_connected_components(built.graph)]


@settings(max_examples=10, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(seed=st.integers(0, 100_000))
def test_order_and_metres_are_consistent(make_messy_town: Maker, seed: int) -> None:
    parts, gaps, effects = effects_of(make_messy_town(seed, blocks=3))
    used = np.flatnonzero(effects.order > 0)
    assert sorted(effects.order[used]) == list(range(1, len(used) + 1))
    systems = len(np.unique(effects.system))
    assert len(used) == len(parts.length_m) - systems, "a tree: each gap connects one more piece"
    in_order = effects.opens_m[used[np.argsort(effects.order[used])]]
    assert (np.diff(in_order) <= 1e-2).all()
    assert (effects.opens_m <= effects.apart_m + 1e-6).all()
    assert (effects.opens_m[used] >= parts.length_m[effects.leads_to[used]] - 1e-6).all()
    counts = pieces_at(parts, gaps, [0.1, 1.0, 5.0, 15.0])
    assert counts == sorted(counts, reverse=True)
    assert counts[-1] >= systems
