"""Positions along a path to the map and back."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from shapely import Point

from netcorr.errors import NetworkError, NoPathError, PathError
from netcorr.network import PipeNetwork
from netcorr.path import (
    CorrelationPath,
    bearing_at,
    correlation_path,
    direction_words,
    distance_along,
    drawn_length_m,
    point_at,
    points_at,
    segment_at,
    segment_ends_m,
    stretch,
)

Maker = Callable[..., PipeNetwork]
SETTINGS = settings(max_examples=25, deadline=None, phases=[Phase.explicit, Phase.generate])
CRS = ["EPSG:32633", "EPSG:4326", "EPSG:3857", "EPSG:3035", "+proj=utm +zone=33 +datum=WGS84 +units=us-ft"]
ALONG = st.floats(0, 1)


def straight(make_network: Maker, **options: object) -> CorrelationPath:
    mains = {"M1": [(0, 0), (60, 0)], "M2": [(60, 0), (60, 40)]}
    return correlation_path(
        make_network(mains, {"V1": (0, 0), "V2": (60, 40)}, **options), "V1", fitting_b="V2"
    )


def any_path(make_random_town: Maker, seed: int, crs: str = "EPSG:32633") -> CorrelationPath | None:
    try:
        return correlation_path(make_random_town(seed, crs=crs), "H00", fitting_b="H33")
    except (NoPathError, NetworkError):  # a crossing whose streets are all missing
        return None


@pytest.mark.parametrize("crs", CRS)
@settings(SETTINGS, max_examples=12)
@given(seed=st.integers(0, 10_000), part=ALONG)
def test_round_trip_is_exact_in_any_crs(make_random_town: Maker, crs: str, seed: int, part: float) -> None:
    path = any_path(make_random_town, seed, crs)
    if path is None:
        return
    from_a_m = part * path.length_m
    back = distance_along(path, point_at(path, from_a_m))
    assert back.from_a_m == pytest.approx(from_a_m, abs=1e-6)
    assert back.offset_m == pytest.approx(0, abs=1e-6)
    assert back.also_m == ()


@SETTINGS
@given(seed=st.integers(0, 10_000), part=ALONG)
def test_from_b_it_is_the_same_point(make_random_town: Maker, seed: int, part: float) -> None:
    path = any_path(make_random_town, seed)
    if path is None:
        return
    from_a_m = part * path.length_m
    one, other = point_at(path, from_a_m), point_at(path.reversed(), path.length_m - from_a_m)
    assert one.distance(other) < 1e-6


@SETTINGS
@given(seed=st.integers(0, 10_000), parts=st.tuples(ALONG, ALONG))
def test_distance_between_two_points_along_the_line_is_ground_length(
    make_random_town: Maker, seed: int, parts: tuple[float, float]
) -> None:
    """The stretch between two positions is as long on the ellipsoid (pyproj.Geod) as their difference."""
    path = any_path(make_random_town, seed)
    low, high = sorted(parts)
    if path is None or high - low < 1e-6:
        return
    line = stretch(path, low * path.length_m, high * path.length_m)
    to = pyproj.Transformer.from_crs("EPSG:32633", "EPSG:4326", always_xy=True)
    ground_m = pyproj.Geod(ellps="WGS84").line_length(*to.transform(*shapely.get_coordinates(line).T))
    assert ground_m == pytest.approx((high - low) * path.length_m, abs=2e-4)
    assert line.coords[0] == point_at(path, low * path.length_m).coords[0]
    assert line.coords[-1] == point_at(path, high * path.length_m).coords[0]


def test_same_place_whatever_the_crs(make_random_town: Maker) -> None:
    home = any_path(make_random_town, 11)
    assert home is not None
    where = np.linspace(0, home.length_m, 30)
    expected = shapely.get_coordinates(points_at(home, where))
    for crs in CRS[1:]:
        path = any_path(make_random_town, 11, crs)
        assert path is not None
        assert path.length_m == pytest.approx(home.length_m, rel=1e-6)
        there = shapely.get_coordinates(points_at(path, where * path.length_m / home.length_m))
        back = pyproj.Transformer.from_crs(crs, "EPSG:32633", always_xy=True).transform(*there.T)
        # lines that are straight on one map are bent by up to a millimetre on another
        np.testing.assert_allclose(np.column_stack(back), expected, atol=2e-3)


def test_measured_length_goes_to_the_same_fraction_of_the_drawn_line(make_network: Maker) -> None:
    path = straight(make_network, measured_m={"M1": 90.0})
    assert path.length_m == pytest.approx(90 + 40, rel=1e-3)
    assert drawn_length_m(path) == pytest.approx(100, rel=1e-3)
    assert point_at(path, 45.0).x == pytest.approx(500330, abs=1e-6)
    assert distance_along(path, Point(500330, 5400700)).from_a_m == pytest.approx(45.0, abs=1e-6)
    assert segment_at(path, 95.0) == (1, pytest.approx(5.0))


@pytest.mark.parametrize("from_a_m", [-0.01, 101.0, np.nan, np.inf])
def test_beyond_the_ends_is_refused(make_network: Maker, from_a_m: float) -> None:
    path = straight(make_network)
    for call in (point_at, segment_at, bearing_at):
        with pytest.raises(
            PathError, match=r"position .* m from V1 is off the path; give a distance from 0 to 100\.04 m"
        ):
            call(path, from_a_m)
    with pytest.raises(PathError, match="off the path"):
        points_at(path, [10.0, from_a_m])


def test_ends_are_on_the_path_to_the_last_digit(make_network: Maker) -> None:
    path = straight(make_network)
    assert point_at(path, 0.0).coords[0] == (500300, 5400700)
    assert point_at(path, path.length_m).coords[0] == (500360, 5400740)
    assert point_at(path, path.length_m + 1e-7).coords[0] == (500360, 5400740)
    assert distance_along(path, Point(500360, 5400740)).from_a_m == path.length_m


def test_point_beside_the_path_and_beyond_its_end(make_network: Maker) -> None:
    path = straight(make_network)
    beside = distance_along(path, Point(500320, 5400693))
    assert beside.from_a_m == pytest.approx(20, rel=1e-3)
    assert beside.offset_m == pytest.approx(7, rel=1e-3)
    beyond = distance_along(path, Point(500290, 5400700))
    assert (beyond.from_a_m, beyond.offset_m) == (0.0, pytest.approx(10, rel=1e-3))
    with pytest.raises(PathError, match="empty"):
        distance_along(path, Point())


@pytest.mark.parametrize("crs", CRS)
def test_offset_is_ground_metres_and_the_foot_is_square_in_any_crs(make_network: Maker, crs: str) -> None:
    path = straight(make_network, crs=crs)
    to = pyproj.Transformer.from_crs("EPSG:32633", crs, always_xy=True)
    found = distance_along(path, Point(to.transform(500320, 5400693)))
    assert found.offset_m == pytest.approx(7 / 0.9996, abs=2e-3)
    assert found.from_a_m == pytest.approx(20 / 0.9996, abs=2e-3)


def test_path_that_crosses_itself_names_both_distances(make_network: Maker) -> None:
    eight = {"M1": [(0, 0), (50, 50), (50, 0), (0, 50)]}
    path = correlation_path(make_network(eight, {"V1": (0, 0), "V2": (0, 50)}), "V1", fitting_b="V2")
    first = path.length_m / 2 - (25 + np.sqrt(2) * 25) / 0.9996
    found = distance_along(path, Point(500325, 5400725))
    both = sorted((found.from_a_m, *found.also_m))
    assert both == pytest.approx([first, path.length_m - first], abs=1e-3)
    for where in both:
        assert point_at(path, where).distance(Point(500325, 5400725)) < 1e-6
    for where in np.linspace(0, path.length_m, 41):
        back = distance_along(path, point_at(path, where))
        assert min(abs(np.array([back.from_a_m, *back.also_m]) - where)) < 1e-6


def test_path_that_doubles_back_on_itself_keeps_every_position(make_network: Maker) -> None:
    there_and_back = {"M1": [(0, 0), (50, 0), (20, 0.0)], "M2": [(20, 0), (20, 40)]}
    network = make_network(there_and_back, {"V1": (0, 0), "V2": (20, 40)})
    path = correlation_path(network, "V1", fitting_b="V2")
    for where in np.linspace(0, path.length_m, 23):
        back = distance_along(path, point_at(path, where))
        assert min(abs(np.array([back.from_a_m, *back.also_m]) - where)) < 1e-6


def test_segments_and_their_ends(make_network: Maker) -> None:
    path = straight(make_network)
    ends = segment_ends_m(path)
    assert ends.tolist() == pytest.approx([0, 60.024, 100.04], abs=1e-3)
    assert segment_at(path, 0.0) == (0, 0.0)
    assert segment_at(path, ends[1]) == (1, 0.0)
    assert segment_at(path, ends[2]) == (1, pytest.approx(path.segments[1].length_m))
    assert segment_at(path, 30.0) == (0, 30.0)


@SETTINGS
@given(seed=st.integers(0, 10_000), part=ALONG)
def test_point_lies_on_the_line_of_its_segment(make_random_town: Maker, seed: int, part: float) -> None:
    path = any_path(make_random_town, seed)
    if path is None:
        return
    index, into_m = segment_at(path, part * path.length_m)
    assert 0 <= into_m <= path.segments[index].length_m
    assert path.segments[index].geometry.distance(point_at(path, part * path.length_m)) < 1e-6


def test_stretch_keeps_the_bends_between_and_only_these(make_network: Maker) -> None:
    path = straight(make_network)
    assert len(stretch(path, 10, 40).coords) == 2
    bend = stretch(path, 10, 90)
    assert len(bend.coords) == 3
    assert bend.coords[1] == (500360, 5400700)
    assert stretch(path, 0, path.length_m).length == pytest.approx(100)
    assert len(stretch(path, 0, segment_ends_m(path)[1]).coords) == 2


@pytest.mark.parametrize(("low", "high"), [(40, 40), (50, 40), (np.nan, 40)])
def test_stretch_out_of_order_is_refused(make_network: Maker, low: float, high: float) -> None:
    with pytest.raises(PathError, match=r"a stretch from .*; give the distance nearer to A first"):
        stretch(straight(make_network), low, high)


@pytest.mark.parametrize("crs", CRS)
def test_bearing_is_the_geodesic_one(make_network: Maker, crs: str) -> None:
    path = straight(make_network, crs=crs)
    lon, lat = pyproj.Transformer.from_crs("EPSG:32633", "EPSG:4326", always_xy=True).transform(
        [500300, 500360, 500360], [5400700, 5400700, 5400740]
    )
    expected = pyproj.Geod(ellps="WGS84").inv(lon[:-1], lat[:-1], lon[1:], lat[1:])[0]
    ends = segment_ends_m(path)
    assert bearing_at(path, 30.0) == pytest.approx(expected[0] % 360, abs=1e-4)
    for where in (ends[1], 80.0, path.length_m):
        turn = (bearing_at(path, float(where)) - expected[1] + 180) % 360 - 180
        assert turn == pytest.approx(0, abs=1e-4)


@given(bearing=st.floats(-720, 720))
def test_words_are_the_nearest_wind(bearing: float) -> None:
    winds = {"north": 0, "north-east": 45, "east": 90, "south-east": 135, "south": 180, "south-west": 225}
    winds |= {"west": 270, "north-west": 315}
    off = {word: abs((bearing - angle + 180) % 360 - 180) for word, angle in winds.items()}
    assert off[direction_words(bearing)] == pytest.approx(min(off.values()), abs=1e-9)
