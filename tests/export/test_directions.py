"""Which way to set off from a fitting."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pyproj
import pytest
from shapely import LineString

from netcorr.export.directions import bends_on_the_way, start_direction
from netcorr.path.correlation_path import CorrelationPath


@pytest.mark.parametrize("code", [25832, 4326, 3857, 27572, 3089])
def test_directions_do_not_depend_on_the_crs(make_path: Callable[..., CorrelationPath], code: int) -> None:
    path = make_path(pyproj.CRS.from_epsg(code))
    assert start_direction(path) == "east"
    assert start_direction(path.reversed()) == "south"


def test_bends(make_path: Callable[..., CorrelationPath]) -> None:
    path = make_path()
    assert not bends_on_the_way(path, 5.0)
    assert not bends_on_the_way(path, 50.0)
    assert bends_on_the_way(path, 80.0)  # the main turns by 45 degrees at 60 m
    assert bends_on_the_way(path, 1e6)
    assert not bends_on_the_way(path, -3.0)


def test_straight_main_never_bends(make_path: Callable[..., CorrelationPath]) -> None:
    path = make_path()
    line = LineString([(5e5, 5.5e6), (5e5 - 70, 5.5e6)])
    straight = replace(path, segments=(replace(path.segments[0], geometry=line),))
    assert start_direction(straight) == "west"
    assert not bends_on_the_way(straight, 88.0)


def test_a_short_stub_does_not_set_the_direction(make_path: Callable[..., CorrelationPath]) -> None:
    # 0.4 m north out of the valve chamber, then east: a crew sets off east
    path = make_path()
    line = LineString([(5e5, 5.5e6), (5e5, 5.5e6 + 0.4), (5e5 + 70, 5.5e6 + 0.4)])
    assert start_direction(replace(path, segments=(replace(path.segments[0], geometry=line),))) == "east"
