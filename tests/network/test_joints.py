"""Joints: which ends and which places along mains are one."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pyproj
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import Tolerances
from netcorr.network.joints import Joints, find_joints, joint_places
from netcorr.network.lines import Lines
from netcorr.network.near import Boxes
from netcorr.network.overshoots import near_ends

Maker = Callable[..., NetworkLayers]


def joints_of(make_layers: Maker, mains: dict[str, Any], **tolerances: float) -> tuple[Lines, Joints]:
    frame = make_layers(mains).mains.sort_values("asset_id").reset_index(drop=True)
    lines = Lines.from_frame(frame, pyproj.CRS(32633))
    near = near_ends(lines, Boxes.about(lines), Tolerances(**tolerances).cut_m)
    return lines, find_joints(lines, near, tolerances=Tolerances(**tolerances))


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
