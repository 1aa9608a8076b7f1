"""Near misses: what is listed, with its width and effect, and what is not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import networkx as nx
import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st

from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import Tolerances, build_network
from netcorr.network.connected import Connected, connected
from netcorr.network.near_misses import NEAR_MISS_KINDS, NearMisses, find_near_misses

Maker = Callable[..., NetworkLayers]
US_FOOT_M = 1200 / 3937
SEEDS = st.integers(0, 100_000)
FEW = settings(max_examples=8, deadline=None, phases=[Phase.explicit, Phase.generate])


def listed(
    layers: NetworkLayers, near_m: float = 15.0, tolerances: Tolerances | None = None
) -> tuple[NearMisses, Connected]:
    network = build_network(layers, tolerances=tolerances or Tolerances())
    parts = connected(network)
    return find_near_misses(network, parts, near_m=near_m), parts


def rows(found: NearMisses, parts: Connected) -> list[tuple[str, str, str, float]]:
    ids = parts.columns["pipe_id"]
    return [
        (found.kind[k], ids[found.edge[k]], ids[found.other[k]], round(float(found.gap_m[k]), 2))
        for k in range(len(found))
    ]


class TestWhatIsListed:
    def test_two_ends_that_face_each_other_are_one_gap(self, make_layers: Maker) -> None:
        found, parts = listed(make_layers({"A": [(0, 0), (100, 0)], "B": [(104, 0), (300, 0)]}))
        assert rows(found, parts) == [("end to end", "A", "B", pytest.approx(4.0, abs=0.01))]
        assert found.connects_m[0] == pytest.approx(100, abs=0.1), "the shorter of the two"

    def test_an_end_beside_a_main(self, make_layers: Maker) -> None:
        found, parts = listed(make_layers({"A": [(0, 0), (200, 0)], "B": [(90, 3), (90, 60)]}))
        assert rows(found, parts) == [("end to main", "B", "A", pytest.approx(3.0, abs=0.01))]
        assert shapely.Point(found.to_xy[0]).distance(shapely.Point(500_390, 5_400_700)) < 0.01

    def test_an_end_near_to_a_joint(self, make_layers: Maker) -> None:
        mains = {"A": [(0, 0), (100, 0)], "B": [(100, 0), (200, 0)], "C": [(100, 5), (100, 80)]}
        found, parts = listed(make_layers(mains))
        assert rows(found, parts) == [("end to joint", "C", "A", pytest.approx(5.0, abs=0.01))]

    def test_a_joint_near_to_another_piece_where_no_end_is(self, make_layers: Maker) -> None:
        mains = {"A": [(0, 0), (100, 6)], "B": [(100, 6), (200, 0)], "C": [(0, 10), (200, 10)]}
        found, parts = listed(make_layers(mains), near_m=5.0)
        assert [(kind, {a, b}) for kind, a, b, _ in rows(found, parts)] == [("joint to main", {"A", "C"})]

    def test_an_end_shortly_behind_a_crossing(self, make_layers: Maker) -> None:
        mains = {"A": [(0, 0), (200, 0)], "B": [(90, -3), (90, 60)]}
        found, parts = listed(make_layers(mains))
        assert rows(found, parts) == [("end past main", "B", "A", 0.0)]
        assert found.past_m[0] == pytest.approx(3.0, abs=0.01)

    def test_pieces_that_cross(self, make_layers: Maker) -> None:
        found, parts = listed(make_layers({"A": [(0, 0), (200, 0)], "B": [(90, -60), (90, 60)]}))
        assert rows(found, parts)[0][0] == "crossing"
        assert len(found) == 1
        assert np.isnan(found.past_m[0])

    def test_a_loop_left_open_connects_nothing(self, make_layers: Maker) -> None:
        ring = {"A": [(0, 0), (100, 0), (100, 100), (0, 100), (0, 4)]}
        found, parts = listed(make_layers(ring | {"B": [(-80, 0), (0, 0)]}))
        assert [kind for kind, *_ in rows(found, parts)] == ["end to joint"]
        assert found.connects_m[0] == 0
        assert found.piece[0] == found.other_piece[0]

    def test_every_kind_is_explained(self) -> None:
        assert all(NEAR_MISS_KINDS.values())


class TestWhatIsNot:
    def test_what_the_tolerances_joined(self, make_layers: Maker) -> None:
        mains = {"A": [(0, 0), (100, 0)], "B": [(100.15, 0), (200, 0)]}
        assert len(listed(make_layers(mains))[0]) == 0

    def test_branches_beside_the_main_that_they_leave(self, make_layers: Maker) -> None:
        mains = {"A": [(0, 0), (100, 0)]} | {f"S{k}": [(10 * k, 0), (10 * k + 4, 3)] for k in range(1, 9)}
        assert len(listed(make_layers(mains))[0]) == 0

    def test_crossings_within_one_piece_far_from_ends(self, make_layers: Maker) -> None:
        mains = {"A": [(0, 0), (100, 0), (100, 100), (50, 100), (50, -100)], "B": [(-50, 0), (0, 0)]}
        assert len(listed(make_layers(mains))[0]) == 0

    def test_mains_out_of_service(self, make_layers: Maker) -> None:
        mains = {"A": [(0, 0), (100, 0)], "B": [(50, 2), (50, 80)]}
        assert len(listed(make_layers(mains, out_of_service=["B"]))[0]) == 0

    def test_ends_at_a_closed_valve(self, make_layers: Maker) -> None:
        mains = {"A": [(0, 0), (100, 0)], "B": [(100, 0), (200, 0)]}
        found, parts = listed(make_layers(mains, {"V1": (100, 0)}, closed=["V1"]))
        assert len(found) == 0
        assert (len(parts.length_m), parts.zones) == (1, 2)

    def test_an_end_off_to_the_side_in_its_own_piece(self, make_layers: Maker) -> None:
        """A cul-de-sac that ends 10 m beside the next street is no fault; one that points at it may be."""
        streets = {"A": [(0, 0), (200, 0)], "B": [(0, 0), (0, 80)], "C": [(0, 80), (200, 80)]}
        aside = streets | {"D": [(100, 0), (100, 60), (130, 70)]}
        assert len(listed(make_layers(aside))[0]) == 0
        ahead = streets | {"D": [(100, 0), (100, 70)]}
        assert [kind for kind, *_ in rows(*listed(make_layers(ahead)))] == ["end to main"]


def pulled_back(
    ky4: dict[str, Any], rng: np.random.Generator, count: int
) -> tuple[dict[str, np.ndarray[Any, Any]], dict[str, float], dict[str, Any]]:
    """Pipes of ky4 with some ends pulled back along the pipe, out of joints of two or more others.

    Returns the lines, the shortest distance on the ellipsoid from each pulled end to what is left at its
    old joint, and the model's graph without the joints that were pulled apart.
    """
    lines = {name: coords.copy() for name, _, _, coords in ky4["pipes"]}
    ends = {name: (a, b) for name, a, b, _ in ky4["pipes"]}
    at: dict[str, list[str]] = {}
    for name, (a, b) in ends.items():
        at.setdefault(a, []).append(name)
        at.setdefault(b, []).append(name)
    graph = nx.Graph((a, b, {"name": n}) for n, (a, b) in ends.items())
    names = [n for n in sorted(lines) if shapely.LineString(lines[n]).length * US_FOOT_M > 60]
    gaps: dict[str, float] = {}
    touched: set[str] = set()
    for name in rng.permutation(names).tolist():
        a, b = ends[name]
        if len(gaps) == count or len(at[a]) < 3 or touched & {a, b} or graph.number_of_edges(a, b) > 1:
            continue
        away = lines[name][1] - lines[name][0]
        step = float(np.hypot(*away))
        gap_m = float(rng.uniform(0.5, 12.0))
        if step * US_FOOT_M < gap_m + 2:
            continue
        lines[name][0] += away / step * gap_m / US_FOOT_M
        touched |= {a, b, *graph[a], *graph[b]}
        gaps[name] = gap_m
    return lines, gaps, {"ends": ends, "at": at}


def apart_m(lines: dict[str, Any], info: dict[str, Any], gaps: dict[str, float]) -> dict[str, float]:
    """Metres that would be connected by each gap alone: by networkx on the model, lengths by pyproj."""
    to = pyproj.Transformer.from_crs("EPSG:3089", "EPSG:4269", always_xy=True)
    geod = pyproj.Geod(ellps="GRS80")
    graph = nx.MultiGraph()
    for name, (a, b) in info["ends"].items():
        length = geod.line_length(*to.transform(*lines[name].T))
        graph.add_edge(f"loose {name}" if name in gaps else a, b, key=name, length=length)
    size: dict[str, float] = {}
    for part in nx.connected_components(graph):
        total = sum(d["length"] for *_, d in graph.subgraph(part).edges(data=True))
        size.update(dict.fromkeys(part, total))
    of = {node: i for i, part in enumerate(nx.connected_components(graph)) for node in part}
    result = {}
    for name in gaps:
        one, other = f"loose {name}", info["ends"][name][0]
        result[name] = 0.0 if of[one] == of[other] else min(size[one], size[other])
    return result


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_known_gaps_in_a_published_network_are_listed_and_nothing_else(
    ky4: dict[str, Any], make_layers: Maker, seed: int
) -> None:
    """ky4 (Jolly et al. 2014, shipped with wntr), its own near misses subtracted."""
    exact = Tolerances(join_m=0.05, cut_m=0.3, overshoot_m=0.0)
    whole = {name: coords for name, _, _, coords in ky4["pipes"]}
    own, parts = listed(make_layers(whole, crs=ky4["crs"], corner=(0, 0)), 15.0, exact)
    known = {(a, b) for _, a, b, _ in rows(own, parts)}
    lines, gaps, info = pulled_back(ky4, np.random.default_rng(seed), 40)
    assert len(gaps) >= 30
    found, parts = listed(make_layers(lines, crs=ky4["crs"], corner=(0, 0)), 15.0, exact)
    ids = parts.columns["pipe_id"]
    new = [k for k in range(len(found)) if (ids[found.edge[k]], ids[found.other[k]]) not in known]
    assert sorted(ids[found.edge[new]]) == sorted(gaps), "exactly the ends that were pulled, each once"
    wanted_m = apart_m(lines, info, gaps)
    assert sum(metres > 0 for metres in wanted_m.values()) >= 5
    geod = pyproj.Geod(ellps="GRS80")
    to_degrees = pyproj.Transformer.from_crs("EPSG:3089", "EPSG:4269", always_xy=True)
    for k in new:
        name, other = ids[found.edge[k]], ids[found.other[k]]
        a = info["ends"][name][0]
        assert other in info["at"][a], f"{name} was joined to {info['at'][a]}"
        end = lines[name][0]
        # apart, the nearest main there is named; within a piece the one that the end points at
        at = [other] if wanted_m[name] == 0 else [n for n in info["at"][a] if n != name]
        others = shapely.union_all([shapely.LineString(lines[n]) for n in at])
        nearest = shapely.ops.nearest_points(shapely.Point(end), others)[1]
        lon, lat = to_degrees.transform([end[0], nearest.x], [end[1], nearest.y])
        assert found.gap_m[k] == pytest.approx(geod.line_length(lon, lat), abs=0.01)
        assert found.gap_m[k] <= gaps[name] * 1.0001 + 0.01
        assert found.connects_m[k] == pytest.approx(wanted_m[name], rel=1e-4, abs=0.5)


def named(found: NearMisses, parts: Connected) -> dict[tuple[str, frozenset[str]], list[float]]:
    """Gaps by kind and the two mains, with their widths, whatever the order and the direction."""
    result: dict[tuple[str, frozenset[str]], list[float]] = {}
    for kind, a, b, _ in rows(found, parts):
        result.setdefault((kind, frozenset((a, b))), [])
    ids = parts.columns["pipe_id"]
    for k in range(len(found)):
        key = found.kind[k], frozenset((ids[found.edge[k]], ids[found.other[k]]))
        result[key].append(float(found.gap_m[k]))
    return {key: sorted(widths) for key, widths in result.items()}


def same(one: Any, other: Any) -> None:
    assert one.keys() == other.keys()
    for key in one:
        assert one[key] == pytest.approx(other[key], abs=2e-3)


@FEW
@given(seed=SEEDS)
def test_reversing_lines_changes_nothing(make_messy_town: Maker, seed: int) -> None:
    layers = make_messy_town(seed, blocks=3)
    turn = np.random.default_rng(seed).random(len(layers.mains)) < 0.5
    turned = layers.mains.geometry.where(~turn, layers.mains.geometry.reverse())
    other = NetworkLayers("turned", mains=layers.mains.set_geometry(turned), fittings=layers.fittings)
    same(named(*listed(layers)), named(*listed(other)))


@FEW
@given(seed=SEEDS, north=st.floats(-2000, 2000))
def test_moving_the_map_changes_nothing(
    make_messy_town: Maker, redraw: Maker, seed: int, north: float
) -> None:
    layers = make_messy_town(seed, blocks=3)
    moved = redraw(layers, lambda xy: xy + np.array([0.0, north]))
    same(named(*listed(layers)), named(*listed(moved)))


@FEW
@example(seed=7915, near_m=10.532351237324248, factor=1.6874407078049294)
@given(seed=SEEDS, near_m=st.floats(1, 20), factor=st.floats(1, 3))
def test_a_larger_distance_only_adds(make_messy_town: Maker, seed: int, near_m: float, factor: float) -> None:
    network = build_network(make_messy_town(seed, blocks=3))
    parts = connected(network)

    def spots(distance_m: float) -> set[tuple[int, int]]:
        """What comes near to what: an end or joint and a main, or two mains that cross."""
        found = find_near_misses(network, parts, near_m=distance_m)
        crossing = found.node < 0
        first = np.where(crossing, -1 - np.minimum(found.edge, found.other), found.node)
        second = np.where(crossing, np.maximum(found.edge, found.other), found.other)
        return set(zip(first.tolist(), second.tolist(), strict=True))

    few, many = spots(near_m), spots(near_m * factor)
    assert {pair for pair in few if pair[0] >= 0} <= many
    assert len({pair for pair in few if pair[0] < 0}) + len({p for p in few if p[0] >= 0}) <= len(many)
