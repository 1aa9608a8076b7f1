"""Ground metres, whatever the map."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.network.ground import GroundPlane, bearings_deg, ground_metric

GEOD = pyproj.Geod(ellps="WGS84")
CRS = {
    "degrees": "EPSG:4326",
    "web": "EPSG:3857",
    "utm": "EPSG:32633",
    "us feet": "+proj=utm +zone=33 +datum=WGS84 +units=us-ft",
    "equal area": "+proj=laea +lat_0=52 +lon_0=10 +datum=WGS84",
    "plate carree": "+proj=eqc +datum=WGS84",
    "with height": "EPSG:4979",
}


def on_map(crs: str, lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
    to = pyproj.Transformer.from_crs("EPSG:4326", pyproj.CRS(crs).to_2d(), always_xy=True)
    return np.column_stack(to.transform(lon, lat))


@pytest.mark.parametrize("crs", CRS.values(), ids=CRS)
@settings(max_examples=15, deadline=None)
@given(lon=st.floats(12.5, 17.5), lat=st.floats(35, 65), azimuth=st.floats(0, 360))
def test_distances_in_the_plane_are_ground_metres(crs: str, lon: float, lat: float, azimuth: float) -> None:
    """Within the scale tolerance of 0.1 %, against pyproj.Geod."""
    far_lon, far_lat, _ = GEOD.fwd(lon, lat, azimuth, 5000.0)
    near_lon, near_lat, _ = GEOD.fwd(far_lon, far_lat, azimuth + 70, 12.0)
    xy = on_map(crs, np.array([lon, far_lon, near_lon]), np.array([lat, far_lat, near_lat]))
    plane = GroundPlane.about(xy, pyproj.CRS(crs)).metres(xy)
    steps = np.hypot(*np.diff(plane, axis=0).T)
    assert steps == pytest.approx([5000.0, 12.0], rel=1e-3)
    # and directions keep their angles: 70 degrees to the right at the bend (to the drift of the azimuth)
    (a, b), (c, d) = np.diff(plane, axis=0)
    turn = np.degrees(np.arctan2(c * b - d * a, a * c + b * d))
    assert turn == pytest.approx(70, abs=0.12)


def test_own_plane_is_kept_where_it_keeps_angles_and_scale() -> None:
    lon, lat = np.array([15.0, 15.02]), np.array([48.0, 48.01])
    planes = {name: GroundPlane.about(on_map(crs, lon, lat), pyproj.CRS(crs)) for name, crs in CRS.items()}
    assert {name for name, plane in planes.items() if plane.projection is None} == {"utm", "us feet"}


@pytest.mark.parametrize("crs", CRS.values(), ids=CRS)
@settings(max_examples=15, deadline=None)
@given(lon=st.floats(12.5, 17.5), lat=st.floats(35, 65), azimuth=st.floats(0, 360))
def test_metric_turns_small_steps_into_metres(crs: str, lon: float, lat: float, azimuth: float) -> None:
    far = GEOD.fwd(lon, lat, azimuth, 30.0)
    xy = on_map(crs, np.array([lon, far[0]]), np.array([lat, far[1]]))
    step = ground_metric(xy[0, 0], xy[0, 1], pyproj.CRS(crs)) @ (xy[1] - xy[0])
    assert np.hypot(*step) == pytest.approx(30.0, rel=1e-4)


@pytest.mark.parametrize("crs", CRS.values(), ids=CRS)
@settings(max_examples=15, deadline=None)
@given(lon=st.floats(12.5, 17.5), lat=st.floats(35, 65), azimuth=st.floats(0, 359.9))
def test_bearings_are_true_north(crs: str, lon: float, lat: float, azimuth: float) -> None:
    far = GEOD.fwd(lon, lat, azimuth, 300.0)
    (x1, y1), (x2, y2) = on_map(crs, np.array([lon, far[0]]), np.array([lat, far[1]]))
    found = float(bearings_deg(x1, y1, x2, y2, pyproj.CRS(crs))[0])
    assert (found - azimuth + 180) % 360 - 180 == pytest.approx(0, abs=1e-5)
    assert 0 <= found < 360


def test_grads_and_another_meridian() -> None:
    """NTF (Paris): angles in grads from the Paris meridian; the distance is that of the ellipsoid."""
    crs = pyproj.CRS("EPSG:4807")
    x, y = np.array([0.5, 0.5]), np.array([54.0, 54.001])  # grads
    plane = GroundPlane.about(np.column_stack([x, y]), crs).metres(np.column_stack([x, y]))
    geod = crs.get_geod()
    assert geod is not None
    expected = geod.inv(0.45, 48.6, 0.45, 48.6009)[2]
    assert np.hypot(*np.diff(plane, axis=0)[0]) == pytest.approx(expected, rel=1e-6)
