"""Short distances on the ellipsoid, against the full solution."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.layers import geodesics
from netcorr.layers.geodesics import SHORT_RAD, geodesics_m


def pairs(
    geod: pyproj.Geod, *, seed: int, lat_deg: float, longest_m: float, n: int = 2000
) -> tuple[np.ndarray, ...]:
    """Points in radians, in any direction from each other."""
    rng = np.random.default_rng(seed)
    lat = np.clip(lat_deg + rng.uniform(-0.5, 0.5, n), -90, 90)
    lon = rng.uniform(-180, 180, n)
    there = geod.fwd(lon, lat, rng.uniform(0, 360, n), rng.uniform(0, longest_m, n))
    return tuple(np.radians(v) for v in (lon, lat, there[0], there[1]))


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    lat_deg=st.floats(-90, 90),
    longest_m=st.sampled_from([0.5, 30.0, 900.0, 5e3, 2e6]),
    ellipsoid=st.sampled_from(["GRS80", "bessel", "clrk80ign", "airy", "sphere"]),
)
def test_as_karney_has_it_to_ten_nanometres(
    seed: int, lat_deg: float, longest_m: float, ellipsoid: str
) -> None:
    # Outside: pyproj.Geod.inv, the reference implementation of Karney (2013); itself some nanometres off.
    geod = pyproj.Geod(ellps=ellipsoid)
    points = pairs(geod, seed=seed, lat_deg=lat_deg, longest_m=longest_m, n=200)
    expected = geod.inv(*points, radians=True)[2]
    np.testing.assert_allclose(geodesics_m(*points, geod), expected, rtol=1e-15, atol=1e-8)


def test_the_series_is_used_and_holds_to_its_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the full solution at hand, a kilometre is still right; two would be asked of it."""
    geod = pyproj.Geod(ellps="GRS80")
    points = pairs(geod, seed=1, lat_deg=60.0, longest_m=SHORT_RAD * 6_335_000)
    expected = geod.inv(*points, radians=True)[2]
    monkeypatch.setattr(pyproj.Geod, "inv", None)
    np.testing.assert_allclose(geodesics_m(*points, geod), expected, rtol=0, atol=1e-8)
    with pytest.raises(TypeError):
        geodesics_m(np.zeros(1), np.zeros(1), np.zeros(1), np.array([2 * SHORT_RAD]), geod)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_there_is_as_far_as_back(seed: int) -> None:
    geod = pyproj.Geod(ellps="GRS80")
    lon1, lat1, lon2, lat2 = pairs(geod, seed=seed, lat_deg=45.0, longest_m=500.0, n=50)
    assert (geodesics_m(lon1, lat1, lon2, lat2, geod) == geodesics_m(lon2, lat2, lon1, lat1, geod)).all()


def test_across_the_date_line() -> None:
    geod = pyproj.Geod(ellps="WGS84")
    lon1, lat, lon2 = np.radians([179.999]), np.radians([-17.0]), np.radians([-179.999])
    expected = geod.inv(179.999, -17.0, -179.999, -17.0)[2]
    assert geodesics_m(lon1, lat, lon2, lat, geod)[0] == pytest.approx(expected, abs=1e-8)


def test_the_same_however_many_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    geod = pyproj.Geod(ellps="GRS80")
    points = pairs(geod, seed=4, lat_deg=50.0, longest_m=2000.0, n=100)
    whole = geodesics_m(*points, geod)
    monkeypatch.setattr(geodesics, "_BLOCK", 7)
    assert (geodesics_m(*points, geod) == whole).all()
    assert len(geodesics_m(*(np.zeros(0),) * 4, geod)) == 0
