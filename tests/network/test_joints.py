"""Joints: which ends and which places along mains are one."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pyproj
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import Tolerances
from netcorr.network.joints import Joints, end_links, find_joints, joint_places
from netcorr.network.lines import Lines
from netcorr.network.near import Boxes
from netcorr.network.overshoots import near_ends

Maker = Callable[..., NetworkLayers]


def joints_of(make_layers: Maker, mains: dict[str, Any], **tolerances: float) -> tuple[Lines, Joints]:
    frame = make_layers(mains).mains.sort_values("asset_id").reset_index(drop=True)
    lines = Lines.from_frame(frame, pyproj.CRS(32633))
    near_m = max(Tolerances(**tolerances).cut_m, Tolerances(**tolerances).end_m)
    near = near_ends(lines, Boxes.about(lines), near_m)
    return lines, find_joints(lines, near, tolerances=Tolerances(**tolerances))


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 100_000), end_m=st.sampled_from([0.01, 0.2, 1.0, 6.0]))
def test_pairs_of_ends_are_those_that_a_search_of_points_finds(
    make_layers: Maker, seed: int, end_m: float
) -> None:
    # Outside: scipy.spatial.cKDTree. On a grid of 0.2 m many ends are at just the tolerance, or at one place.
    rng = np.random.default_rng(seed)
    mains = {f"M{k}": np.round(rng.uniform(0, 4, (rng.integers(2, 4), 2)) * 5) / 5 for k in range(12)}
    mains = {name: line for name, line in mains.items() if len(np.unique(line, axis=0)) == len(line)}
    frame = make_layers({"FAR": [(50, 50), (60, 50)], **mains}).mains
    lines = Lines.from_frame(frame, pyproj.CRS(32633))
    near = near_ends(lines, Boxes.about(lines), end_m + 0.001)
    found = end_links(lines, near, end_m)
    expected = cKDTree(lines.spots).query_pairs(end_m, output_type="ndarray")
    apart_m = np.hypot(*(lines.spots[expected[:, 0]] - lines.spots[expected[:, 1]]).T)
    sure = {(a, b) for (a, b), m in zip(expected.tolist(), apart_m, strict=True) if m < end_m - 1e-8}
    pairs = list(zip(found.a.tolist(), found.b.tolist(), strict=True))
    assert len(set(pairs)) == len(pairs)
    assert all(a < b for a, b in pairs)
    assert sure <= set(pairs)
    np.testing.assert_allclose(
        found.gap_m, np.hypot(*(lines.spots[found.a] - lines.spots[found.b]).T), rtol=1e-12
    )
    assert (found.gap_m <= end_m).all()


def test_two_lines_end_to_end(make_layers: Maker) -> None:
    _, joints = joints_of(make_layers, {"A": [(0, 0), (10, 0)], "B": [(10.1, 0), (20, 0)]})
    assert joints.count == 3
    assert joints.end_joint[1] == joints.end_joint[2]
    assert len(joints.cut_line) == len(joints.kept_apart) == 0


def test_t_touch_is_one_cut_with_the_end_that_touches(make_layers: Maker) -> None:
    _, joints = joints_of(make_layers, {"A": [(0, 0), (10, 0)], "B": [(4, 0.1), (4, 9)]})
    assert joints.cut_line.tolist() == [0]
    assert joints.cut_along_m == pytest.approx([4], rel=1e-3)
    assert joints.cut_joint.tolist() == [joints.end_joint[2]]
    assert joints.touch_end.tolist() == [2]


def test_end_on_two_mains_at_once_joins_both(make_layers: Maker) -> None:
    mains = {"A": [(-10, 0), (10, 0)], "B": [(-10, -10), (10, 10)], "C": [(0, 0), (0, 9)]}
    _, joints = joints_of(make_layers, mains)
    assert joints.cut_line.tolist() == [0, 1]
    assert set(joints.cut_joint.tolist()) == {joints.end_joint[4]}


def test_end_that_touches_a_main_twice_cuts_it_twice(make_layers: Maker) -> None:
    """A hairpin passes the end on its way out and on its way back."""
    hairpin = [(0, 0), (50, 0), (50, 0.1), (0, 0.1)]
    _, joints = joints_of(make_layers, {"A": hairpin, "B": [(20, 0.05), (20, 9)]})
    assert joints.cut_line.tolist() == [0, 0]
    assert joints.cut_along_m == pytest.approx([20, 80.1], abs=0.1)
    assert len(set(joints.cut_joint.tolist())) == 1


def test_place_is_on_the_main_that_is_cut_else_where_most_ends_are(make_layers: Maker) -> None:
    mains = {
        "A": [(0, 0), (10, 0)],
        "B": [(4, 0.1), (4, 9)],
        "C": [(10, 0), (20, 0)],
        "D": [(10.1, 0.1), (10, 9)],
    }
    lines, joints = joints_of(make_layers, mains)
    xy, plane = joint_places(lines, joints, lines.at(joints.cut_line, joints.cut_along_m))
    tee, corner = joints.end_joint[2], joints.end_joint[1]
    assert xy[tee] == pytest.approx([500304, 5400700], abs=1e-6)
    assert tuple(xy[corner]) == (500310, 5400700)
    assert plane[corner] == pytest.approx(lines.ends[1])


def test_tie_between_places_is_settled_in_the_middle(make_layers: Maker) -> None:
    lines, joints = joints_of(make_layers, {"A": [(0, 0), (10, 0)], "B": [(10.1, 0), (20, 0)]})
    xy, _ = joint_places(lines, joints, np.zeros((0, 3)))
    assert xy[joints.end_joint[1]] == pytest.approx([500310.05, 5400700], abs=1e-6)


@settings(max_examples=30, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(seed=st.integers(0, 100_000), join_m=st.floats(0.05, 0.5))
def test_no_end_moves_far_and_no_short_pipe_vanishes(make_layers: Maker, seed: int, join_m: float) -> None:
    """Stars of pipes, some of them short, with all ends off by up to a third of the tolerance."""
    rng = np.random.default_rng(seed)
    mains: dict[str, Any] = {}
    for k in range(5):
        centre = np.array([60.0 * k, 0])
        far = centre + np.array([0, rng.uniform(0.5, 3) * join_m + 0.05])
        off = rng.uniform(-1, 1, size=(5, 2)) * join_m / 6
        mains[f"S{k}"] = [centre + off[0], far + off[1]]
        mains[f"A{k}"] = [centre + off[2], centre + np.array([-20, -20])]
        mains[f"B{k}"] = [centre + off[3], centre + np.array([20, -20])]
        mains[f"C{k}"] = [far + off[4], far + np.array([0, 30])]
    lines, joints = joints_of(make_layers, mains, join_m=join_m, cut_m=join_m)
    short = np.array([name[0] == "S" for name in lines.ids])
    start, end = joints.end_joint[0::2], joints.end_joint[1::2]
    assert (start[short] != end[short]).all()
    _, plane = joint_places(lines, joints, lines.at(joints.cut_line, joints.cut_along_m))
    moved_m = np.hypot(*(lines.ends - plane[joints.end_joint]).T)
    assert moved_m.max() <= 2 * join_m
