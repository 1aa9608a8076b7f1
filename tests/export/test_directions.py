"""Which way to set off from a fitting."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString

from netcorr.export.directions import (
    check_marks,
    legs_m,
    measure_out,
    start_direction,
    tapes,
    way_along,
)
from netcorr.network.pipe_network import PipeNetwork
from netcorr.path import Landmark
from netcorr.path.correlation_path import CorrelationPath
from netcorr.position.fix import Candidate
from netcorr.units import FOOT_M, INCH_M


@pytest.mark.parametrize("code", [25832, 4326, 3857, 27572, 3089])
def test_directions_do_not_depend_on_the_crs(make_path: Callable[..., CorrelationPath], code: int) -> None:
    path = make_path(pyproj.CRS.from_epsg(code))
    assert start_direction(path) == "east"
    assert start_direction(path.reversed()) == "south"


def test_straight_main(make_path: Callable[..., CorrelationPath]) -> None:
    path = make_path()
    line = LineString([(5e5, 5.5e6), (5e5 - 70, 5.5e6)])
    straight = replace(path, segments=(replace(path.segments[0], geometry=line),))
    assert start_direction(straight) == "west"


def test_a_short_stub_does_not_set_the_direction(make_path: Callable[..., CorrelationPath]) -> None:
    # 0.4 m north out of the valve chamber, then east: a crew sets off east
    path = make_path()
    line = LineString([(5e5, 5.5e6), (5e5, 5.5e6 + 0.4), (5e5 + 70, 5.5e6 + 0.4)])
    assert start_direction(replace(path, segments=(replace(path.segments[0], geometry=line),))) == "east"


class TestMeasureOut:
    def test_both_ways_and_checks(
        self,
        make_path: Callable[..., CorrelationPath],
        make_network: Callable[..., PipeNetwork],
        make_candidate: Callable[..., Candidate],
    ) -> None:
        there, back, check, tape = measure_out(make_candidate(), make_path(), make_network(), units="metric")
        there, back, check, tape = (text.replace("\xa0", " ") for text in (there, back, check, tape))
        assert there == (
            "From hydrant H-12 follow the 150 mm ductile iron main east, towards valve V-7; "
            "the leak is at 41.2 m, search 39.4 m to 43.0 m. The sensor on hydrant H-12 sits on 1.20 m of "
            "pipe off the main; that is allowed for, so start measuring where it meets the main."
        )
        assert back == (
            "From valve V-7 follow the 110 mm polyethylene main south, towards hydrant H-12; "
            "at 40.0 m bend right, south-west, and the pipe becomes 150 mm ductile iron; "
            "at 68.3 m bend right, west; "
            "the leak is at 87.1 m, search 85.3 m to 88.9 m."
        )
        assert check == "Check: the point is 18.8 m along the main from the bend to the left."
        assert tape == "In a straight line it is 41.2 m east of hydrant H-12."

    def test_a_place_at_a_landmark_is_said_to_be_there(
        self, make_path: Callable[..., CorrelationPath], make_network: Callable[..., PipeNetwork]
    ) -> None:
        [check] = check_marks(make_path(), make_network(), 60.03, units="metric")
        assert check.replace("\xa0", " ") == "Check: the point is at the bend to the left."

    def test_a_path_given_from_the_other_end_says_the_same(
        self,
        make_path: Callable[..., CorrelationPath],
        make_network: Callable[..., PipeNetwork],
        make_candidate: Callable[..., Candidate],
    ) -> None:
        network, candidate = make_network(), make_candidate()
        one = list(measure_out(candidate, make_path(), network, units="metric"))
        assert one == list(measure_out(candidate, make_path().reversed(), network, units="metric"))

    def test_hostile_names_stay_on_one_line(
        self, make_path: Callable[..., CorrelationPath], make_network: Callable[..., PipeNetwork]
    ) -> None:
        path = replace(make_path(), sensor_b="V\n\x1b[31m")
        text = way_along(path, make_network(), 50.0, units="metric")
        assert "\n" not in text
        assert "\x1b" not in text

    @pytest.mark.parametrize("distance_m", [0.0, 20.0, 60.0, 90.0, 128.3])
    def test_units_agree(
        self,
        make_path: Callable[..., CorrelationPath],
        make_network: Callable[..., PipeNetwork],
        distance_m: float,
    ) -> None:
        network, path = make_network(), make_path()
        metric = way_along(path, network, distance_m, units="metric").replace("\xa0", " ")
        us = way_along(path, network, distance_m, units="us").replace("\xa0", " ")
        in_m = [float(n) for n in re.findall(r"(\d+\.\d+) m\b", metric)]
        in_ft = [int(f) * FOOT_M + int(i) * INCH_M for f, i in re.findall(r"(\d+)' (\d+)\"", us)]
        assert len(in_m) >= 2
        np.testing.assert_allclose(in_m, in_ft, atol=0.063)  # half a decimetre and half an inch

    def test_no_fittings_near_means_no_tape(
        self, make_path: Callable[..., CorrelationPath], make_network: Callable[..., PipeNetwork]
    ) -> None:
        assert list(tapes(make_path(), make_network(), 70.0, units="metric")) == []


@settings(deadline=None, max_examples=30)
@given(places=st.lists(st.floats(0, 100), max_size=8), target=st.floats(0, 100))
def test_legs_sum_to_the_distance(places: list[float], target: float) -> None:
    marks = [Landmark(at, "tee", names=("M",)) for at in sorted(places)]
    legs = legs_m(marks, target)
    assert sum(legs) == pytest.approx(target)
    assert all(leg >= 0 for leg in legs)
    assert len(legs) == 1 + sum(at <= target for at in places)
