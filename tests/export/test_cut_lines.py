"""Parts of many lines, against shapely's own for one line."""

from __future__ import annotations

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.ops import substring

from netcorr.export.cut_lines import cut_lines

xy = st.tuples(st.integers(-1000, 1000), st.integers(-1000, 1000))
places = st.lists(xy, min_size=2, max_size=8, unique=True)


@settings(deadline=None)
@given(st.lists(st.tuples(places, st.floats(0, 0.9), st.floats(0.01, 1.0)), min_size=1, max_size=6))
def test_parts_are_those_of_shapely(rows: list[tuple[list[tuple[int, int]], float, float]]) -> None:
    lines = np.array([shapely.LineString(points) for points, _, _ in rows], dtype=object)
    low = np.array([start for _, start, _ in rows])
    high = np.minimum(low + np.array([size for *_, size in rows]), 1.0)
    found = cut_lines(lines, low, high)
    for line, a, b, part in zip(lines, low, high, found, strict=True):
        wanted = substring(line, a, b, normalized=True)
        assert shapely.hausdorff_distance(part, wanted) < 1e-6
        np.testing.assert_allclose(part.length, wanted.length, atol=1e-6)
        np.testing.assert_allclose(part.coords[0], wanted.coords[0], atol=1e-6)


def test_whole_lines_stay_whole() -> None:
    lines = np.array([shapely.LineString([(0, 0), (1, 0), (1, 2)]), shapely.LineString([(5, 5), (6, 6)])])
    found = cut_lines(lines, np.zeros(2), np.ones(2))
    assert [part.equals(line) for part, line in zip(found, lines, strict=True)] == [True, True]


def test_no_lines_give_none() -> None:
    assert len(cut_lines(np.zeros(0, dtype=object), np.zeros(0), np.zeros(0))) == 0
