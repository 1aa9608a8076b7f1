"""Areas are measured on the ground, whatever the CRS of the map."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point

from netcorr.errors import ExportError
from netcorr.export.ground_area import LEAST_WIDENING_M, widened_area

UTM = pyproj.CRS.from_epsg(32632)
#: Centre of the line in degrees, and the CRSs that cover it; Kentucky's is in US survey feet.
CRS_CODES = [4326, 32632, 3857, 3035]


def ground_line(
    crs: pyproj.CRS, *, lon: float, lat: float, bearing_deg: float, length_m: float
) -> LineString:
    """Straight line on the ground from a place, made with pyproj.Geod."""
    geod = pyproj.Geod(ellps="WGS84")
    end_lon, end_lat, _ = geod.fwd(lon, lat, bearing_deg, length_m)
    to_map = pyproj.Transformer.from_crs(4326, crs, always_xy=True)
    return LineString([to_map.transform(lon, lat), to_map.transform(end_lon, end_lat)])


@settings(max_examples=30, deadline=None)
@given(
    code=st.sampled_from(CRS_CODES),
    bearing_deg=st.floats(0, 360),
    length_m=st.floats(0.5, 300),
    widen_m=st.floats(0.3, 5),
    lat=st.floats(38, 68),
)
def test_a_strip_has_the_area_of_a_strip(
    code: int, bearing_deg: float, length_m: float, widen_m: float, lat: float
) -> None:
    crs = pyproj.CRS.from_epsg(code)
    line = ground_line(crs, lon=9.3, lat=lat, bearing_deg=bearing_deg, length_m=length_m)
    area = widened_area([line], crs, widen_m=widen_m)
    # rectangle and two half discs; 8 segments a quarter lose 0.6 % of the discs
    exact = 2 * widen_m * length_m + np.pi * widen_m**2
    assert area.area_m2 == pytest.approx(exact, rel=0.008)


@pytest.mark.parametrize("code", CRS_CODES)
def test_edge_lies_at_the_distance_on_the_ground(code: int) -> None:
    crs = pyproj.CRS.from_epsg(code)
    line = ground_line(crs, lon=9.3, lat=60.0, bearing_deg=30, length_m=80)
    polygon = widened_area([line], crs, widen_m=2.0).polygon
    to_degrees = pyproj.Transformer.from_crs(crs, 4326, always_xy=True)
    edge = np.array(to_degrees.transform(*shapely.get_coordinates(polygon).T))
    along = shapely.get_coordinates(
        shapely.line_interpolate_point(line, np.linspace(0, 1, 4001), normalized=True)
    )
    lon, lat = to_degrees.transform(*along.T)
    geod = pyproj.Geod(ellps="WGS84")
    for x, y in edge.T:
        distance = geod.inv(np.full_like(lon, x), np.full_like(lat, y), lon, lat)[2].min()
        assert distance == pytest.approx(2.0, abs=0.01)


def test_exteriors_turn_counter_clockwise_in_any_crs() -> None:
    for code in CRS_CODES:
        crs = pyproj.CRS.from_epsg(code)
        ring = ground_line(crs, lon=9.3, lat=50, bearing_deg=10, length_m=50)
        polygon = widened_area([ring, Point(ring.coords[0])], crs, widen_m=1.0).polygon
        assert polygon.is_valid
        assert polygon.geom_type == "MultiPolygon"
        assert all(part.exterior.is_ccw for part in polygon.geoms)


def test_pieces_far_apart_are_parts_and_rings_keep_their_hole() -> None:
    block = LineString([(500000, 5e6), (500060, 5e6), (500060, 5000060), (500000, 5000060), (500000, 5e6)])
    far = LineString([(501000, 5e6), (501010, 5e6)])
    area = widened_area([block, far], UTM, widen_m=1.0)
    assert len(area.polygon.geoms) == 2
    assert sorted(len(part.interiors) for part in area.polygon.geoms) == [0, 1]
    assert all(not ring.is_ccw for part in area.polygon.geoms for ring in part.interiors)


@settings(max_examples=20, deadline=None)
@given(small=st.floats(0.3, 3), more=st.floats(0.1, 5))
def test_wider_holds_the_narrower(small: float, more: float) -> None:
    line = LineString([(500000, 5e6), (500030, 5e6), (500030, 5000020)])
    narrow, wide = (widened_area([line], UTM, widen_m=w) for w in (small, small + more))
    assert wide.polygon.contains(narrow.polygon)
    assert wide.area_m2 > narrow.area_m2


@pytest.mark.parametrize("widen_m", [0.0, -1.0, 0.1])
def test_never_without_width(widen_m: float) -> None:
    line = LineString([(500000, 5e6), (500030, 5e6)])
    area = widened_area([line], UTM, widen_m=widen_m)
    assert area.area_m2 == pytest.approx(2 * LEAST_WIDENING_M * 30 / 0.9996, rel=0.02)


def test_heights_are_left_out() -> None:
    flat = LineString([(500000, 5e6), (500030, 5e6)])
    steep = LineString([(500000, 5e6, 0), (500030, 5e6, 90)])
    assert widened_area([steep], UTM, widen_m=1).area_m2 == widened_area([flat], UTM, widen_m=1).area_m2
    assert not widened_area([steep], UTM, widen_m=1).polygon.has_z


def test_place_off_the_earth() -> None:
    with pytest.raises(ExportError, match="check the CRS"):
        widened_area([LineString([(1e30, 1e30), (2e30, 1e30)])], UTM, widen_m=1.0)
