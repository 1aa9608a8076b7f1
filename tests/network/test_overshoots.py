"""Ends that run past another main: cut back where that was meant, left where it was not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pyproj
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import PipeNetwork, Tolerances, build_network
from netcorr.network.lines import Lines
from netcorr.network.log import ChangeLog
from netcorr.network.near import Boxes
from netcorr.network.overshoots import find_overshoots, near_ends, without_overshoots

Maker = Callable[..., NetworkLayers]
Way = Callable[[PipeNetwork, str, str], float | None]
UTM = pyproj.CRS(32633)


def lines_of(make_layers: Maker, mains: dict[str, Any]) -> Lines:
    frame = make_layers(mains).mains.sort_values("asset_id").reset_index(drop=True)
    return Lines.from_frame(frame, UTM)


def repaired(lines: Lines, **tolerances: float) -> tuple[Lines, ChangeLog]:
    log = ChangeLog(UTM)
    return without_overshoots(lines, Boxes.about(lines), tolerances=Tolerances(**tolerances), log=log)[0], log


def test_overshoot_is_found_with_its_length_along_the_main(make_layers: Maker) -> None:
    lines = lines_of(make_layers, {"A": [(0, 0), (100, 0)], "B": [(40, 60), (40, -0.3)]})
    near = near_ends(lines, Boxes.about(lines), 0.5)
    found = find_overshoots(lines, near, within_m=0.5, free_m=0.2)
    assert (found.end.tolist(), found.line.tolist()) == ([3], [0])
    assert found.past_m == pytest.approx([0.3], rel=1e-3)


def test_vertices_past_the_crossing_go_and_the_end_lies_on_the_main(make_layers: Maker) -> None:
    """A little hook at the end: its vertices lie past the crossing too."""
    lines = lines_of(make_layers, {"A": [(0, 0), (100, 0)], "B": [(40, -0.1), (40.1, -0.2), (40.2, 60)]})
    result, log = repaired(lines)
    xy = result.xyz[result.first[1] :, :2] - (500_300, 5_400_700)
    assert len(xy) == 2
    assert xy[0] == pytest.approx([40.1, 0], abs=1e-3)
    assert log.frame()["text"].tolist() == ["start ran 0.34 m past main A, and was cut back to it"]


@pytest.mark.parametrize(("past", "joined"), [(0.45, True), (0.55, False), (3.0, False)])
def test_only_within_the_tolerance(make_layers: Maker, way_m: Way, past: float, joined: bool) -> None:
    layers = make_layers(
        {"A": [(0, 0), (100, 0)], "B": [(40, 60), (40, -past)]}, {"V1": (0, 0), "H1": (40, 60)}
    )
    network = build_network(layers)
    length_m = way_m(network, "V1", "H1")
    assert (length_m is not None) is joined
    if length_m is not None:  # neither the overshoot nor a way back from it is part of the length
        assert length_m == pytest.approx(100 / 0.9996, rel=1e-4)
        moved_m = network.log.loc[network.log["change"] == "overshoot", "moved_m"]
        assert moved_m.tolist() == pytest.approx([past], rel=1e-3)
    wide = build_network(layers, tolerances=Tolerances(overshoot_m=3.5))
    assert way_m(wide, "V1", "H1") is not None


def test_corner_at_which_both_run_past_each_other(make_layers: Maker, way_m: Way) -> None:
    layers = make_layers(
        {"A": [(0, 0), (100.3, 0)], "B": [(100, -0.4), (100, 60)]}, {"V1": (0, 0), "H1": (100, 60)}
    )
    network = build_network(layers)
    assert way_m(network, "V1", "H1") == pytest.approx(160 / 0.9996, rel=1e-4)
    assert network.graph.number_of_edges() == 2
    assert network.log["change"].tolist() == ["overshoot", "overshoot"]


def test_an_end_that_is_joined_elsewhere_is_no_overshoot(make_layers: Maker) -> None:
    """Two mains laid side by side: the branch crosses one on its way to the other."""
    mains = {"A": [(0, 0.4), (100, 0.4)], "B": [(0, 0), (100, 0)], "C": [(40, 60), (40, 0)]}
    network = build_network(make_layers(mains))
    assert not (network.log["change"] == "overshoot").any()
    assert sum(d["pipe_id"] == "A" for *_, d in network.graph.edges(data=True)) == 1
    to_another = {"A": [(0, 0.4), (100, 0.4)], "C": [(40, 60), (40, 0)], "D": [(40, 0), (40, -50)]}
    assert not len(build_network(make_layers(to_another)).log)


def test_short_main_is_never_cut_back_by_half(make_layers: Maker) -> None:
    lines = lines_of(make_layers, {"A": [(0, 0), (100, 0)], "B": [(40, -0.2), (40, 0.15)]})
    result, log = repaired(lines)
    assert len(log.frame()) == 1  # the shorter side of it goes
    assert result.length_m[1] == pytest.approx(0.2, rel=1e-3)
    middle = lines_of(make_layers, {"A": [(0, 0), (100, 0)], "B": [(40, -0.2), (40, 0.2)]})
    assert repaired(middle)[0].length_m[1] == pytest.approx(0.4, rel=1e-3)


def test_nothing_is_done_at_tolerance_0(make_layers: Maker) -> None:
    lines = lines_of(make_layers, {"A": [(0, 0), (100, 0)], "B": [(40, 60), (40, -0.3)]})
    assert repaired(lines, overshoot_m=0.0)[0] is lines


def test_height_at_the_new_end_is_interpolated(make_layers: Maker) -> None:
    lines = lines_of(make_layers, {"A": [(0, 0), (100, 0)], "B": [(40, 9.7, 7.0), (40, -0.3, 17.0)]})
    assert repaired(lines)[0].xyz[-1, 2] == pytest.approx(16.7)


@settings(max_examples=30, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(angle=st.floats(0.2, np.pi - 0.2), past=st.floats(0.05, 0.45), turned=st.booleans())
def test_any_direction_gives_the_length_to_the_crossing(
    make_layers: Maker, way_m: Way, angle: float, past: float, turned: bool
) -> None:
    way = np.array([np.cos(angle), np.sin(angle)])
    branch = [tuple(50 * way), tuple(-past * way)]
    layers = make_layers(
        {"A": [(-60, 0), (60, 0)], "B": branch[::-1] if turned else branch},
        {"V1": (-60, 0), "H1": tuple(50 * way)},
    )
    length_m = way_m(build_network(layers, tolerances=Tolerances(cut_m=0.05)), "V1", "H1")
    assert length_m == pytest.approx(110 / 0.9996, rel=1e-4)


def test_plane_stays_where_it_is_when_vertices_go(make_layers: Maker) -> None:
    """The plane lies about the middle of the vertices, and what was found near the ends is in that plane."""
    hooks = [(40, 60), (40.0, -0.1), (40.1, -0.15), (40.2, -0.2), (40.3, -0.25)]
    layers = make_layers({"A": [(0, 0), (100, 0)], "B": hooks, "C": [(70, 1), (90, 90)]})
    network = build_network(layers)
    assert network.log["change"].tolist() == ["overshoot", "cut"]
    assert sum(d["pipe_id"] == "A" for *_, d in network.graph.edges(data=True)) == 2
