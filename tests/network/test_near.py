"""What lies near to points, against shapely, however the lines wind."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import near
from netcorr.network.lines import Lines
from netcorr.network.near import RUN, Boxes, Near, near_points, to_lines
from netcorr.network.overshoots import near_ends

Maker = Callable[..., NetworkLayers]


def random_lines(make_layers: Maker, seed: int, count: int = 6) -> Lines:
    """Lines with fewer and with more segments than a box holds."""
    rng = np.random.default_rng(seed)
    mains = {f"M{k}": rng.uniform(0, 100, size=(rng.integers(2, 3 * RUN), 2)) for k in range(count)}
    return Lines.from_frame(make_layers(mains).mains, pyproj.CRS(32633))


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), within_m=st.floats(0, 60))
def test_all_that_shapely_finds_and_nothing_else(make_layers: Maker, seed: int, within_m: float) -> None:
    lines = random_lines(make_layers, seed)
    points = np.random.default_rng(seed + 1).uniform(-20, 120, size=(15, 2)) + lines.plane.min(axis=0)
    near = near_points(lines, Boxes.about(lines), points, within_m)
    assert (near.gap_m <= within_m).all()
    best = near.nearest()
    shapes = lines.shapes(np.arange(len(lines)))
    apart_m = shapely.distance(shapely.points(points)[:, None], shapes[None, :])
    expected = np.argwhere(apart_m <= within_m)
    assert np.column_stack([best.point, best.line]).tolist() == expected.tolist()
    np.testing.assert_allclose(best.gap_m, apart_m[best.point, best.line], atol=1e-8)
    foot = shapely.line_interpolate_point(shapes[best.line], best.along_m)
    np.testing.assert_allclose(
        shapely.distance(foot, shapely.points(points[best.point])), best.gap_m, atol=1e-6
    )


def test_the_same_however_many_are_measured_at_once(
    make_layers: Maker, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = random_lines(make_layers, 11, count=20)
    boxes = Boxes.about(lines)
    points = np.random.default_rng(12).uniform(-20, 120, size=(60, 2)) + lines.plane.min(axis=0)
    whole = near_points(lines, boxes, points, 15.0)
    assert len(whole.point) > 100
    for block in (1, 7, 500):
        monkeypatch.setattr(near, "BLOCK", block)
        again = near_points(lines, boxes, points, 15.0)
        assert [column.tolist() for column in again] == [column.tolist() for column in whole]


def test_points_at_one_place_and_no_points(make_layers: Maker) -> None:
    lines = random_lines(make_layers, 13)
    boxes = Boxes.about(lines)
    found = near_points(lines, boxes, np.repeat(lines.plane[[0]], 3, axis=0), 1.0)
    assert found.point[found.line == 0].tolist() == sorted(found.point[found.line == 0].tolist())
    assert set(found.point.tolist()) == {0, 1, 2}
    assert len(near_points(lines, boxes, np.zeros((0, 2)), 1.0).point) == 0


def test_every_segment_of_lines_that_are_named(make_layers: Maker) -> None:
    lines = random_lines(make_layers, 3)
    points = lines.plane[:2] + 7.0
    near = to_lines(lines, points, np.array([40, 41]), np.array([2, 2]))
    count = int(np.diff(lines.first)[2] - 1)
    assert near.point.tolist() == [40] * count + [41] * count
    assert near.segment[:count].tolist() == list(range(lines.first[2], lines.first[3] - 1))
    whole = Near.join(near.take(near.point == 41), near.take(near.point == 40))
    assert [column.tolist() for column in whole] == [column.tolist() for column in near]


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), which=st.sets(st.integers(0, 9)))
def test_more_is_put_where_it_belongs(make_layers: Maker, seed: int, which: set[int]) -> None:
    lines = random_lines(make_layers, seed)
    points = np.random.default_rng(seed + 1).uniform(0, 100, size=(10, 2)) + lines.plane.min(axis=0)
    whole = near_points(lines, Boxes.about(lines), points, 20.0)
    apart = np.isin(whole.point, sorted(which)) | (whole.line == 2)
    backwards = np.flatnonzero(apart)[::-1]
    again = whole.take(~apart).with_more(whole.take(backwards))
    assert [column.tolist() for column in again] == [column.tolist() for column in whole]


def test_line_that_passes_twice_is_near_twice(make_layers: Maker) -> None:
    mains = {"U": [(0, 0), (50, 0), (50, 0.1), (0, 0.1)], "FAR": [(0, 50), (9, 50)]}
    lines = Lines.from_frame(make_layers(mains).mains, pyproj.CRS(32633))
    point = lines.plane[[0]] + [[20.0, 0.05]]
    boxes = Boxes.about(lines)
    near = near_points(lines, boxes, point, 0.2)
    assert near.line.tolist() == [0, 0]
    assert near.nearest(stretches=True).along_m == pytest.approx([20, 80.1], abs=0.05)
    assert near.nearest().along_m == pytest.approx([20], abs=0.05)
    nothing = near_points(lines, boxes, point + 20, 0.2)
    assert len(nothing.nearest(stretches=True).point) == 0


def test_nearest_of_a_stretch_is_one_place_even_at_a_vertex(make_layers: Maker) -> None:
    """At a bend both segments are as near: it is one place."""
    lines = Lines.from_frame(make_layers({"L": [(0, 0), (50, 0), (50, 40)]}).mains, pyproj.CRS(32633))
    near = near_points(lines, Boxes.about(lines), lines.plane[[1]], 0.2)
    assert len(near.point) == 2
    assert near.nearest(stretches=True).along_m == pytest.approx([50], abs=0.1)


def test_ends_at_one_place_are_asked_for_once(make_layers: Maker) -> None:
    mains = {"A": [(0, 0), (50, 0)], "B": [(50, 0), (90, 9)], "C": [(50, 40), (50, 0)]}
    lines = Lines.from_frame(make_layers(mains).mains, pyproj.CRS(32633))
    near = near_ends(lines, Boxes.about(lines), 0.1)
    assert sorted(set(near.point.tolist())) == [0, 1, 3, 4]
    assert near.line[near.point == 1].tolist() == [0, 1, 2]
