"""Neighbours: mains of which one has an end on the other, in any CRS; what most of them have."""

from __future__ import annotations

from collections import Counter

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString

from netcorr.layers.neighbours import NEIGHBOUR_M, middle, most_frequent, touching

X0, Y0 = 500_000.0, 5_540_000.0
UTM = pyproj.CRS("EPSG:32633")

#: A main of 100 m; one that goes on, one that tees in, one 0.3 m off its end, one that only crosses, one far.
LINES = np.array(
    [
        LineString([(X0, Y0), (X0 + 100, Y0)]),
        LineString([(X0 + 100, Y0), (X0 + 150, Y0)]),
        LineString([(X0 + 50, Y0), (X0 + 50, Y0 + 30)]),
        LineString([(X0 - 0.3, Y0), (X0 - 40, Y0)]),
        LineString([(X0 + 20, Y0 - 5), (X0 + 20, Y0 + 5)]),
        LineString([(X0, Y0 + 500), (X0 + 100, Y0 + 500)]),
    ]
)


def pairs(
    lines: object, asking: list[int], others: list[int], crs: pyproj.CRS = UTM
) -> list[tuple[int, int]]:
    found = touching(np.asarray(lines), np.array(asking), np.array(others), crs)
    return list(zip(*(part.tolist() for part in found), strict=True))


def test_ends_and_tees_touch_and_crossings_do_not() -> None:
    assert pairs(LINES, [0], [1, 2, 3, 4, 5]) == [(0, 1), (0, 2), (0, 3)]
    assert pairs(LINES, [2, 4], [0]) == [(2, 0)]


def test_a_main_is_no_neighbour_of_itself_and_nobody_is_nothing() -> None:
    assert pairs(LINES, [0], [0]) == []
    assert pairs(LINES, [], [0]) == []
    assert pairs(LINES, [0], []) == []


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:3857", "EPSG:2263", "EPSG:32634"])
def test_the_same_in_any_crs(crs: str) -> None:
    there = gpd.GeoSeries(LINES, crs=UTM).to_crs("EPSG:3857" if crs == "EPSG:2263" else crs)
    assert pairs(there.to_numpy(), [0], [1, 2, 3, 4, 5], there.crs) == [(0, 1), (0, 2), (0, 3)]


def test_us_feet_are_not_metres() -> None:
    feet = pyproj.CRS("EPSG:2263")  # New York, US survey feet
    x, y = 987_000.0, 200_000.0
    lines = [LineString([(x, y), (x + 300, y)]), LineString([(x + 301, y), (x + 600, y)])]
    assert pairs(lines, [0], [1], feet) == [(0, 1)], "1 ft is 0.3 m, within 0.5 m"
    lines[1] = LineString([(x + 302, y), (x + 600, y)])
    assert pairs(lines, [0], [1], feet) == [], "2 ft is 0.6 m"


@settings(max_examples=30, deadline=None)
@given(st.floats(0, 2 * NEIGHBOUR_M), st.booleans())
def test_direction_does_not_matter(gap_m: float, turned: bool) -> None:
    other = LineString([(X0 + 100 + gap_m, Y0), (X0 + 150, Y0)])
    first = shapely.reverse(LINES[0]) if turned else LINES[0]
    assert pairs([first, other], [0], [1]) == pairs([LINES[0], other.reverse()], [0], [1])


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 3), st.sampled_from(["pe", "pvc", "steel"])), max_size=20))
def test_most_frequent_counts_as_counting_does(said: list[tuple[int, str]]) -> None:
    found = most_frequent(
        np.array([main for main, _ in said], dtype=int), np.array([value for _, value in said], dtype=object)
    )
    expected = {}
    for main in {main for main, _ in said}:
        (best, agree), *rest = Counter(value for asks, value in said if asks == main).most_common()
        if not rest or rest[0][1] < agree:
            expected[main] = (best, agree, sum(asks == main for asks, _ in said), dict(rest))
    rows = found[["main", "value", "agree", "of", "others"]].itertuples(index=False)
    assert {main: (value, agree, of, dict(others)) for main, value, agree, of, others in rows} == expected


def test_the_others_and_the_middle() -> None:
    found = most_frequent(np.array([7, 7, 7]), np.array([100.0, 80.0, 100.0])).iloc[0]
    assert (found["value"], found["others"]) == (100, ((80, 1),))
    years = middle(np.array([7, 7, 7, 9]), np.array([1950.0, 1990.0, 1960.0, 1931.0]))
    assert years["value"].tolist() == [1960, 1931]
    assert (years["low"][0], years["high"][0], years["of"][0]) == (1950, 1990, 3)
