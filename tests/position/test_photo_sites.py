"""Which fitting a photo shows: sure, far, between two, without a place; distances by the geodesic."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import geopandas as gpd
import networkx as nx
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Point

from netcorr.errors import PositionError
from netcorr.network.pipe_network import LOG_COLUMNS, PipeNetwork
from netcorr.position.photo_sites import find_photo_sites
from netcorr.recordings.photos import Photo

LON, LAT = 9.0, 49.65
GEOD = pyproj.Geod(ellps="WGS84")
KINDS = ("valve", "hydrant")


def away(north_m: float, east_m: float = 0.0) -> tuple[float, float]:
    """Longitude and latitude a way off, by the geodesic."""
    lon, lat, _ = GEOD.fwd(LON, LAT, 0, north_m)
    lon, lat, _ = GEOD.fwd(lon, lat, 90, east_m)
    return lon, lat


def network_of(rows: list[tuple[str, str, float, int]], crs: int = 25832) -> PipeNetwork:
    """Network with fittings (id, kind, metres north, node) and no pipes, which are not looked at."""
    places = gpd.GeoSeries([Point(away(north)) for _, _, north, _ in rows], crs=4326).to_crs(crs)
    fittings = gpd.GeoDataFrame(
        {
            "kind": [kind for _, kind, _, _ in rows],
            "is_open": True,
            "node": [node for *_, node in rows],
            "pipe_id": None,
            "offset_m": 0.0,
        },
        index=[name for name, *_ in rows],
        geometry=places.to_numpy(),
        crs=crs,
    )
    log = gpd.GeoDataFrame({column: [] for column in LOG_COLUMNS}, geometry=[], crs=crs)
    return PipeNetwork("town.gpkg", nx.MultiGraph(), fittings, log, pyproj.CRS.from_epsg(crs))


STREET = [
    ("V1", "valve", 0.0, 1),
    ("H2", "hydrant", 60.0, 2),
    ("M3", "meter", 61.0, 3),
    ("V4", "valve", 5, -1),
]


def photo(
    name: str, north_m: float, *, hour: int = 22, accuracy_m: float | None = None, east_m: float = 0.0
) -> Photo:
    taken = datetime(2026, 2, 16, hour, tzinfo=UTC)
    return Photo(Path(name), lon_lat=away(north_m, east_m), accuracy_m=accuracy_m, taken=taken)


@pytest.mark.parametrize("crs", [25832, 3857, 4326, 31467])
def test_the_nearest_fitting_with_its_ground_distance_in_any_crs(crs: int) -> None:
    (site,) = find_photo_sites([photo("a.jpg", 3.0, east_m=4.0)], network_of(STREET, crs), kinds=KINDS)
    assert (site.fitting, site.is_sure, site.doubts) == ("V1", True, ())
    slack_m = 3.5 if crs == 31467 else 0.01  # the shift of that datum without its grid is good to 3 m
    assert site.near[0].distance_m == pytest.approx(5.0, abs=slack_m)
    assert site.near[1].fitting == "H2"  # neither the meter nor the valve on no main


def test_a_photo_far_from_every_fitting_is_in_doubt() -> None:
    (site,) = find_photo_sites([photo("a.jpg", -40.0)], network_of(STREET), kinds=KINDS)
    assert site.fitting is None
    assert site.near[0].fitting == "V1"
    assert site.doubts == ("the nearest fitting, V1, is 40 m away",)
    (site,) = find_photo_sites([photo("a.jpg", -40.0)], network_of(STREET), kinds=KINDS, far_m=50)
    assert site.fitting == "V1"


def test_two_fittings_nearly_as_near_are_in_doubt() -> None:
    rows = [("V1", "valve", 0.0, 1), ("V2", "valve", 8.0, 2)]
    (site,) = find_photo_sites([photo("a.jpg", 1.0)], network_of(rows), kinds=KINDS)
    assert site.fitting is None
    assert site.doubts == ("V1 (1.0 m) or V2 (7.0 m): its place is good to 5 m",)


def test_a_good_receiver_settles_it() -> None:
    rows = [("V1", "valve", 0.0, 1), ("V2", "valve", 8.0, 2)]
    (site,) = find_photo_sites([photo("a.jpg", 1.0, accuracy_m=1.0)], network_of(rows), kinds=KINDS)
    assert site.fitting == "V1"
    (site,) = find_photo_sites([photo("a.jpg", 1.0)], network_of(rows), kinds=KINDS, accuracy_m=1.0)
    assert site.fitting == "V1"


def test_all_photos_of_a_fitting_make_one_site() -> None:
    taken = [photo("late.jpg", 4.0, hour=23), photo("early.jpg", 2.0, hour=21), photo("other.jpg", 58.0)]
    v1, h2 = find_photo_sites(taken, network_of(STREET), kinds=KINDS)
    assert [one.path.name for one in v1.photos] == ["early.jpg", "late.jpg"]
    assert v1.near[0].distance_m == pytest.approx(2.0, abs=0.01)
    assert (h2.fitting, len(h2.photos)) == ("H2", 1)


def test_photos_in_doubt_stay_apart_and_come_last() -> None:
    taken = [photo("far1.jpg", -40.0), photo("far2.jpg", -41.0), photo("near.jpg", 0.0)]
    sites = find_photo_sites(taken, network_of(STREET), kinds=KINDS)
    assert [site.photos[0].path.name for site in sites] == ["near.jpg", "far1.jpg", "far2.jpg"]


def test_what_the_photo_lacks_is_passed_on() -> None:
    lost = Photo(Path("lost.jpg"), problems=("no place in the photo",))
    zoneless = Photo(Path("z.jpg"), lon_lat=away(0.0), problems=("its clock states no zone",))
    first, second = find_photo_sites([lost, zoneless], network_of(STREET), kinds=KINDS)
    assert (first.fitting, first.doubts) == ("V1", ("its clock states no zone",))
    assert (second.fitting, second.near, second.doubts) == (None, (), ("no place in the photo",))


def test_a_place_that_the_map_does_not_reach() -> None:
    there = Photo(Path("a.jpg"), lon_lat=(-171.0, -89.9999))
    (site,) = find_photo_sites([there], network_of(STREET), kinds=KINDS)
    assert site.fitting is None
    assert site.doubts


def test_a_map_without_such_fittings_is_refused() -> None:
    with pytest.raises(PositionError, match=r"town\.gpkg: no fitting of kind hydrant on a main"):
        find_photo_sites([photo("a.jpg", 0.0)], network_of(STREET[:1]), kinds=("hydrant",))


@settings(deadline=None, max_examples=40)
@given(north_m=st.floats(-100, 160), accuracy_m=st.floats(0.5, 20))
def test_sure_means_near_and_clearly_nearer(north_m: float, accuracy_m: float) -> None:
    (site,) = find_photo_sites(
        [photo("a.jpg", north_m, accuracy_m=accuracy_m)], network_of(STREET), kinds=KINDS
    )
    first_m, second_m = (one.distance_m for one in site.near)
    assert first_m <= second_m
    assert site.is_sure == (first_m <= 10 and second_m - first_m >= 2 * accuracy_m)
    assert site.is_sure == (not site.doubts)
