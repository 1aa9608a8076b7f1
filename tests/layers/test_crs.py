"""Ground lengths do not depend on the CRS; a CRS that cannot be true is noticed."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, MultiLineString, Point

from netcorr.errors import LayerError
from netcorr.layers.crs import (
    geodesic_distances_m,
    geodesic_lengths_m,
    looks_like_degrees,
    outside_area_deg,
    parse_crs,
    shift_note,
)

WGS84 = pyproj.Geod(ellps="WGS84")
#: A local grid: oblique Mercator with its own origin, turned by 33 degrees.
LOCAL = "+proj=omerc +lat_0=50 +lonc=14.9 +alpha=33 +k=1.0001 +x_0=1000 +y_0=2000 +ellps=WGS84 +units=m"
#: State plane in US survey feet on the ellipsoid of WGS 84, so that no datum shift blurs the comparison.
US_FEET = (
    "+proj=lcc +lat_0=47.5 +lon_0=14.5 +lat_1=48.2 +lat_2=51.9 +x_0=1500000 +y_0=1000000 +ellps=WGS84"
    " +units=us-ft"
)


def lines_in_degrees(seed: int, n: int = 40) -> list[LineString]:
    rng = np.random.default_rng(seed)
    start = np.c_[rng.uniform(14.0, 15.5, n), rng.uniform(49.0, 51.0, n)]
    steps = rng.normal(0, 1e-3, (n, 4, 2)).cumsum(axis=1)
    return list(shapely.linestrings(start[:, None] + steps))


def moved(lines: list[LineString], crs: str) -> gpd.GeoSeries:
    return gpd.GeoSeries(lines, crs="EPSG:4326").to_crs(crs)


def test_length_equals_that_of_pyproj_geod() -> None:
    # Outside: pyproj.Geod.geometry_length, the reference implementation of Karney (2013).
    lines = lines_in_degrees(1)
    expected = [WGS84.geometry_length(line) for line in lines]
    np.testing.assert_allclose(geodesic_lengths_m(lines, "EPSG:4326"), expected, rtol=1e-10)


@pytest.mark.parametrize(
    "crs", ["EPSG:32633", "EPSG:32634", "EPSG:3857", "EPSG:3035", LOCAL, US_FEET, "EPSG:32633+5773"]
)
def test_same_ground_length_in_every_crs(crs: str) -> None:
    lines = lines_in_degrees(2)
    there = np.asarray(moved(lines, crs.removesuffix("+5773")))
    np.testing.assert_allclose(
        geodesic_lengths_m(there, crs), geodesic_lengths_m(lines, "EPSG:4326"), rtol=1e-6
    )


@pytest.mark.parametrize("crs", ["EPSG:3089", "EPSG:2246"])
def test_state_planes_in_us_survey_feet(crs: str) -> None:
    """Kentucky on NAD83: its ellipsoid (GRS 80) and that of WGS 84 differ by 1e-11 of a length."""
    rng = np.random.default_rng(3)
    start = np.c_[rng.uniform(-85.5, -84.5, 20), rng.uniform(37.6, 38.4, 20)]
    lines = shapely.linestrings(start[:, None] + rng.normal(0, 1e-3, (20, 3, 2)).cumsum(axis=1))
    in_feet = gpd.GeoSeries(lines, crs="EPSG:4269").to_crs(crs)
    expected = [pyproj.Geod(ellps="GRS80").geometry_length(line) for line in lines]
    np.testing.assert_allclose(geodesic_lengths_m(in_feet, crs), expected, rtol=1e-6)
    planar_m = in_feet.length * 1200 / 3937
    assert np.abs(planar_m / expected - 1).max() > 1e-6  # a plane length would have failed this


def test_old_national_grid_in_grads_from_paris() -> None:
    # EPSG:4807 counts grads from Paris; 1 grad of latitude on its ellipsoid (Clarke 1880 IGN), by pyproj.Geod
    paris = pyproj.Geod(ellps="clrk80ign")
    expected = paris.inv(2.33722917, 52 * 0.9, 2.33722917, 53 * 0.9)[2]
    line = LineString([(0.0, 52.0), (0.0, 53.0)])
    assert geodesic_lengths_m([line], "EPSG:4807")[0] == pytest.approx(expected, rel=1e-12)


def test_web_mercator_is_too_long_on_the_map_and_right_on_the_ground() -> None:
    line = moved([LineString([(14.0, 60.0), (14.0, 60.001)])], "EPSG:3857").iloc[0]
    ground_m = geodesic_lengths_m([line], "EPSG:3857")[0]
    assert line.length / ground_m == pytest.approx(1.99, abs=0.02)  # 1 / cos(60 deg), on the sphere
    assert ground_m == pytest.approx(WGS84.inv(14.0, 60.0, 14.0, 60.001)[2], rel=1e-9)


def test_slope_counts_and_zero_height_does_not() -> None:
    level = [(500_000.0, 5_540_000.0), (500_300.0, 5_540_000.0)]
    plain, zero, steep = (
        geodesic_lengths_m([line], "EPSG:32633")[0]
        for line in (
            LineString(level),
            LineString([(*xy, 0.0) for xy in level]),
            LineString([(*level[0], 250.0), (*level[1], 290.0)]),
        )
    )
    assert plain == zero == pytest.approx(300 / 0.9996, rel=1e-6)
    assert steep == pytest.approx(np.hypot(plain, 40.0), rel=1e-12)


def test_height_is_in_the_unit_of_the_map_or_of_its_own_axis() -> None:
    feet = 1200 / 3937
    x, y = 4_900_000.0, 3_800_000.0
    line = LineString([(x, y, 0.0), (x + 100, y, 100.0)])
    flat_m = geodesic_lengths_m([shapely.force_2d(line)], "EPSG:3089")[0]
    assert geodesic_lengths_m([line], "EPSG:3089")[0] == pytest.approx(np.hypot(flat_m, 100 * feet))
    # NAVD88 height in metres (EPSG:5703) beside the same map in feet
    assert geodesic_lengths_m([line], "EPSG:3089+5703")[0] == pytest.approx(np.hypot(flat_m, 100.0))


def test_parts_empty_and_missing_lines() -> None:
    one, two = LineString([(14, 50), (14, 50.001)]), LineString([(15, 50), (15, 50.002)])
    lengths_m = geodesic_lengths_m([MultiLineString([one, two]), LineString(), None, one], "EPSG:4326")
    assert lengths_m[0] == pytest.approx(geodesic_lengths_m([one, two], "EPSG:4326").sum())
    assert lengths_m[1] == 0
    assert np.isnan(lengths_m[2])
    assert geodesic_lengths_m([], "EPSG:4326").shape == (0,)


def test_only_lines_have_a_length() -> None:
    with pytest.raises(LayerError, match="lines: point among them; only lines have a length along them"):
        geodesic_lengths_m([Point(0, 0)], "EPSG:4326")


def test_coordinate_that_cannot_be_there() -> None:
    with pytest.raises(LayerError, match=r"\(5000, 120\) cannot lie in WGS 84; correct the coordinates"):
        geodesic_lengths_m([LineString([(0, 0), (5000, 120)])], "EPSG:4326")


def test_distances_equal_lengths_and_broadcast() -> None:
    x, y = np.array([500_000.0, 500_100.0]), np.array([5_540_000.0, 5_540_050.0])
    lines = [LineString([(499_000.0, 5_540_500.0), (a, b)]) for a, b in zip(x, y, strict=True)]
    there = geodesic_distances_m(499_000.0, 5_540_500.0, x, y, "EPSG:32633")
    np.testing.assert_allclose(there, geodesic_lengths_m(lines, "EPSG:32633"), rtol=1e-12)
    assert geodesic_distances_m(1.0, 2.0, 1.0, 2.0, "EPSG:4326").shape == ()


coordinates = st.lists(
    st.tuples(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5)), min_size=2, max_size=12, unique=True
)


@settings(max_examples=40, deadline=None)
@given(coordinates, st.floats(-170, 170), st.floats(-75, 75))
def test_reversal_and_cutting_never_change_a_length(
    points: list[tuple[float, float]], lon: float, lat: float
) -> None:
    line = LineString([(lon + a, lat + b) for a, b in points])
    whole_m = geodesic_lengths_m([line], "EPSG:4326")[0]
    assert geodesic_lengths_m([line.reverse()], "EPSG:4326")[0] == pytest.approx(whole_m, rel=1e-12)
    cut = [LineString(line.coords[k : k + 2]) for k in range(len(line.coords) - 1)]
    assert geodesic_lengths_m(cut, "EPSG:4326").sum() == pytest.approx(whole_m, rel=1e-12)


def test_parse_crs_refuses_what_is_no_place_on_earth() -> None:
    assert parse_crs(32633, "x").to_epsg() == 32633
    for value, message in (
        (None, "layer mains: no CRS; give the CRS it was drawn in with --crs, for example --crs EPSG:32633"),
        ("EPSG:999999", "CRS 'EPSG:999999' is not known; give a code"),
        ('LOCAL_CS["site grid",UNIT["metre",1]]', "CRS 'site grid' has no tie to the earth"),
        ("EPSG:4978", "CRS 'WGS 84' has no tie to the earth"),
    ):
        with pytest.raises(LayerError) as caught:
            parse_crs(value, "layer mains")
        assert message in str(caught.value)


def test_degrees_in_a_metric_crs() -> None:
    metric, degrees = pyproj.CRS("EPSG:32633"), pyproj.CRS("EPSG:4326")
    assert looks_like_degrees((14, 50, 14.1, 50.1), metric)
    assert not looks_like_degrees((14, 50, 14.1, 50.1), degrees)
    assert not looks_like_degrees((500_000, 50, 500_100, 60), metric)
    assert not looks_like_degrees((0, 0, 120, 80), pyproj.CRS(LOCAL))  # a site grid may start at 0


def test_outside_the_area_of_use() -> None:
    utm = pyproj.CRS("EPSG:32633")  # area of use: 12 to 18 degrees east, 0 to 84 degrees north
    x, y = pyproj.Transformer.from_crs(4326, 32633, always_xy=True).transform([15, 20, 15], [50, 50, -10])
    np.testing.assert_allclose(outside_area_deg(x, y, utm), [0, 2, 10], atol=1e-6)
    assert np.isinf(outside_area_deg([512_345.0], [5_400_000.0], pyproj.CRS("EPSG:4326"))).all()
    assert outside_area_deg([0.0], [0.0], pyproj.CRS(LOCAL)) == 0


def test_area_across_the_antimeridian() -> None:
    fiji = pyproj.CRS("EPSG:3460")  # area of use from 176.81 east to 178.15 west
    to_fiji = pyproj.Transformer.from_crs(fiji.geodetic_crs, fiji, always_xy=True)
    x, y = to_fiji.transform([179.9, -179.9, 170.0], [-17, -17, -17])
    np.testing.assert_allclose(outside_area_deg(x, y, fiji), [0, 0, 6.81], atol=1e-6)


def test_paris_meridian_is_counted() -> None:
    lambert = pyproj.CRS("EPSG:27572")
    assert outside_area_deg([600_000.0], [2_200_000.0], lambert) == 0  # in the middle of France


def test_a_coarse_shift_is_said() -> None:
    said = shift_note(pyproj.CRS("EPSG:4267"), pyproj.CRS("EPSG:4326"))  # NAD27 needs a grid to be good
    assert said is not None
    assert "the datum shift from NAD27 to WGS 84 has an accuracy that is" in said
    assert shift_note(pyproj.CRS("EPSG:32633"), pyproj.CRS("EPSG:32634")) is None


def test_the_accuracy_of_a_shift_is_that_of_the_place() -> None:
    """EPSG: without the grid, NAD27 to WGS 84 is good to 10 m in the eastern states and 20 m in general."""
    nad27, wgs84 = pyproj.CRS("EPSG:4267"), pyproj.CRS("EPSG:4326")
    kentucky, anywhere = shift_note(nad27, wgs84, bounds=(-85, 37, -84, 38)), shift_note(nad27, wgs84)
    assert kentucky is not None
    assert anywhere is not None
    if "us_noaa_conus.tif" in kentucky:  # the grid is not installed
        assert (
            "about 10 m because the grid file of the best shift (us_noaa_conus.tif), good to 1.5 m,"
            in kentucky
        )
        assert "about 20 m because the grid file" in anywhere
    assert shift_note(nad27, wgs84, bounds=(np.nan,) * 4) == anywhere


def test_a_shift_that_is_all_there_and_still_coarse() -> None:
    said = shift_note(pyproj.CRS("EPSG:3003"), pyproj.CRS("EPSG:32632"))  # Monte Mario by parameters
    assert said == (
        "the datum shift from Monte Mario / Italy zone 1 to WGS 84 / UTM zone 32N has an accuracy that is "
        "about 4 m"
    )
