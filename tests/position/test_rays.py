"""Rays through a small map whose joints can be worked by hand."""

from __future__ import annotations

import math

import geopandas as gpd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Point

from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import build_network
from netcorr.position.rays import TIME_STEP_S, Waves, trace_rays
from netcorr.position.settings import LocateSettings

CRS = "EPSG:32628"
X, Y = 350_000.0, 5_205_000.0
SPEED_M_S = 1000.0


def tee(*, west_m=100.0, east_m=150.0, north_m=50.0, sizes_mm=(100.0, 100.0, 100.0)):
    """Three mains at a tee, hydrants at their ends: W, E and N."""
    ends = {"W": (-west_m, 0.0), "E": (east_m, 0.0), "N": (0.0, north_m)}
    rows = [
        {
            "asset_id": f"M{name}",
            "material": "ductile_iron",
            "material_text": "DI",
            "diameter_mm": size_mm,
            "wall_mm": math.nan,
            "year": 1985.0,
            "wave_speed_m_s": SPEED_M_S,
            "length_m": math.nan,
            "in_service": True,
            "geometry": LineString([(X, Y), (X + dx, Y + dy)]),
        }
        for (name, (dx, dy)), size_mm in zip(ends.items(), sizes_mm, strict=True)
    ]
    points = [
        {"asset_id": name, "kind": "hydrant", "is_open": True, "geometry": Point(X + dx, Y + dy)}
        for name, (dx, dy) in ends.items()
    ]
    mains, fittings = (gpd.GeoDataFrame(one, geometry="geometry", crs=CRS) for one in (rows, points))
    return build_network(NetworkLayers("tee", mains, fittings))


def waves_of(network, *, frequency_hz=300.0, speed_m_s=None):
    return Waves(network, frequency_hz, LocateSettings(), SPEED_M_S, speed_m_s or {})


def into(rays, network, start, end):
    """Rays that run from the node of one hydrant towards the tee, or from the tee to it."""
    return next(
        (found for (u, v, _), found in rays.items() if (u, v) == (start, end)),
        [],
    )


def test_a_tee_of_equal_pipes_lets_two_thirds_through_and_throws_a_third_back():
    # Wylie & Streeter (1993): 2/3 of the pressure goes on into each of two equal pipes
    network = tee()
    west, east, north = (network.node_of(name) for name in "WEN")
    waves = waves_of(network)
    joint = next(v for u, v, _ in waves.around(west))
    rays = trace_rays(waves, west, least=0.1, latest_s=0.5)
    [(start_s, pressure)] = into(rays, network, west, joint)[:1]
    assert (start_s, pressure) == (0.0, 1.0)
    edge = next(waves.around(west))
    kept = waves.pipe(edge).kept
    for end in (east, north):
        time_s, pressure = into(rays, network, joint, end)[0]
        assert time_s == pytest.approx(waves.pipe(edge).travel_s, abs=TIME_STEP_S)
        assert pressure == pytest.approx(2 / 3 * kept)
    time_s, pressure = into(rays, network, joint, west)[0]
    assert pressure == pytest.approx(-1 / 3 * kept)
    assert time_s == pytest.approx(0.1, rel=0.01)


def test_a_dead_end_throws_everything_back():
    network = tee()
    west, north = (network.node_of(name) for name in "WN")
    waves = waves_of(network)
    joint = next(v for _, v, _ in waves.around(west))
    rays = trace_rays(waves, west, least=0.2, latest_s=0.5)
    out_s, out = into(rays, network, joint, north)[0]
    back_s, back = into(rays, network, north, joint)[0]
    assert back_s - out_s == pytest.approx(0.05, rel=0.01)
    [edge] = waves.around(north)
    assert back == pytest.approx(out * waves.pipe(edge).kept)


@given(size_mm=st.sampled_from([80.0, 150.0, 300.0]), other_mm=st.sampled_from([80.0, 150.0, 300.0]))
def test_the_way_there_is_the_way_back(size_mm, other_mm):
    # reciprocity: a source at one place is heard at the other as the other way round; between pipes of
    # unlike size pressures differ by the ratio of their admittances
    network = tee(sizes_mm=(size_mm, other_mm, 100.0))
    west, east = (network.node_of(name) for name in "WE")
    waves = waves_of(network)
    joint = next(v for _, v, _ in waves.around(west))
    there = into(trace_rays(waves, west, least=0.01, latest_s=0.5), network, joint, east)[0]
    back = into(trace_rays(waves, east, least=0.01, latest_s=0.5), network, joint, west)[0]
    from_west, from_east = next(waves.around(west)), next(waves.around(east))
    ratio = waves.pipe(from_west).admittance / waves.pipe(from_east).admittance
    kept = waves.pipe(from_west).kept / waves.pipe(from_east).kept
    assert there[1] / back[1] == pytest.approx(ratio * kept)


def test_rays_that_are_weak_or_late_are_not_followed():
    network = tee()
    west = network.node_of("W")
    every = trace_rays(waves_of(network), west, least=0.05, latest_s=1.0)
    loud = trace_rays(waves_of(network), west, least=0.5, latest_s=1.0)
    early = trace_rays(waves_of(network), west, least=0.05, latest_s=0.12)

    def count(rays):
        return sum(map(len, rays.values()))

    assert count(loud) < count(every)
    assert count(early) < count(every)
    assert all(abs(pressure) >= 0.5 for found in loud.values() for _, pressure in found)


@given(least_share=st.floats(0.05, 0.9))
def test_what_is_much_weaker_than_what_came_before_is_not_followed(least_share):
    network = tee()
    west = network.node_of("W")
    every = trace_rays(waves_of(network), west, least=0.001, latest_s=1.0)
    clear = trace_rays(waves_of(network), west, least=0.001, latest_s=1.0, least_share=least_share)
    assert clear.keys() == every.keys()  # every pipe keeps what comes first, however weak
    for found in clear.values():
        loudest = 0.0
        for _, pressure in found:
            assert abs(pressure) >= least_share * loudest
            loudest = max(loudest, abs(pressure))
    assert sum(map(len, clear.values())) <= sum(map(len, every.values()))


def test_the_earliest_are_followed_when_there_are_too_many():
    network = tee()
    west = network.node_of("W")
    every = trace_rays(waves_of(network), west, least=0.001, latest_s=1.0)
    few = trace_rays(waves_of(network), west, least=0.001, latest_s=1.0, most=5)
    times = sorted(at_s for found in every.values() for at_s, _ in found)
    assert sum(map(len, few.values())) == 5
    assert max(at_s for found in few.values() for at_s, _ in found) <= times[5]


def test_a_known_speed_goes_before_the_map():
    network = tee()
    west = network.node_of("W")
    edge = next(waves_of(network).around(west))
    back = (edge[1], edge[0], edge[2])
    known = waves_of(network, speed_m_s={back: 500.0})
    assert known.pipe(edge).travel_s == pytest.approx(2 * waves_of(network).pipe(edge).travel_s)


def test_higher_frequencies_lose_more():
    network = tee()
    edge = next(waves_of(network).around(network.node_of("W")))
    low, high = (waves_of(network, frequency_hz=one).pipe(edge).kept for one in (100.0, 1000.0))
    assert high < low < 1
