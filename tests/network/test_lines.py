"""Vertices as flat arrays, and the nearest places on lines, against shapely."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pyproj
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.layers.network_layers import NetworkLayers
from netcorr.network.lines import Lines

Maker = Callable[..., NetworkLayers]


def random_lines(make_layers: Maker, seed: int, count: int = 6) -> Lines:
    rng = np.random.default_rng(seed)
    mains = {f"M{k}": rng.uniform(0, 100, size=(rng.integers(2, 8), 2)) for k in range(count)}
    return Lines.from_frame(make_layers(mains).mains, pyproj.CRS(32633))


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), part=st.floats(0, 1))
def test_places_along_lines_agree_with_shapely(make_layers: Maker, seed: int, part: float) -> None:
    lines = random_lines(make_layers, seed)
    line = np.arange(len(lines))
    found = lines.at(line, part * lines.length_m)
    expected = shapely.line_interpolate_point(lines.frame.geometry.to_numpy(), part, normalized=True)
    np.testing.assert_allclose(found[:, :2], shapely.get_coordinates(expected), atol=1e-6)
    assert np.isnan(found[:, 2]).all()


def test_a_place_at_a_vertex_is_the_vertex_to_the_last_digit(make_layers: Maker) -> None:
    lines = random_lines(make_layers, 5)
    for k in range(len(lines)):
        inner = np.arange(lines.first[k] + 1, lines.first[k + 1])
        found = lines.at(np.full(len(inner), k), lines.along_m[inner])
        np.testing.assert_allclose(found[:, :2], lines.xyz[inner, :2], rtol=0, atol=1e-8)
        end = lines.at(np.array([k]), lines.length_m[[k]])
        assert (end[0, :2] == lines.xyz[lines.first[k + 1] - 1, :2]).all()


def test_some_lines_are_as_drawn(make_layers: Maker) -> None:
    lines = random_lines(make_layers, 7)
    which = np.array([True, False, True, True, False, True])
    some = lines.take(which)
    asked = np.flatnonzero(which)
    assert some.ids.tolist() == lines.ids[asked].tolist()
    assert (shapely.equals(some.shapes(np.arange(4)), lines.shapes(asked))).all()
    np.testing.assert_allclose(some.length_m, shapely.length(lines.shapes(asked)), atol=1e-7)
    twice = lines.shapes(np.array([5, 5, 0]))
    assert shapely.get_num_points(twice).tolist() == np.diff(lines.first)[[5, 5, 0]].tolist()
    assert len(lines.shapes(np.zeros(0, dtype=np.intp))) == 0


def test_places_of_ends_are_counted_as_they_appear(make_layers: Maker) -> None:
    mains = {"A": [(0, 0), (50, 0)], "B": [(50, 0), (90, 9)], "C": [(90, 9), (0, 0)]}
    lines = Lines.from_frame(make_layers(mains).mains, pyproj.CRS(32633))
    assert lines.end_spot.tolist() == [0, 1, 1, 2, 2, 0]
    assert lines.spot_end.tolist() == [0, 1, 3]
    assert (lines.spots[lines.end_spot] == lines.ends).all()


def test_heights_of_nothing_are_no_heights(make_layers: Maker) -> None:
    lines = Lines.from_frame(
        make_layers({"M": [(0, 0, 0), (9, 0, 5)], "N": [(0, 1, 0), (9, 1, 0)]}).mains, pyproj.CRS(32633)
    )
    np.testing.assert_array_equal(lines.xyz[:, 2], [np.nan, 5, np.nan, np.nan])
