"""Where the loggers stood: named fittings, coordinates, clocks, and rows that contradict each other."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pyproj import Transformer

from netcorr.errors import NetworkError, PositionError
from netcorr.network import PipeNetwork
from netcorr.position import LocateSettings
from netcorr.position.sites import NEAREST_FITTING_M, find_sites
from netcorr.recordings import Deployment, Recording, RecordingQuality, Round

Maker = Callable[..., Any]
SETTINGS = LocateSettings()
START = datetime(2026, 3, 1, 2, tzinfo=UTC)
CORNER = (350_000.0, 5_205_000.0)


@pytest.fixture(scope="module")
def network(make_network: Maker) -> PipeNetwork:
    made: PipeNetwork = make_network(
        {"M1": [(0, 0), (100, 0)]}, {"V1": (0, 0), "V2": (100, 0), "H1": (50, 1), "H9": (50, 300)}
    )
    return made


def lon_lat(east_m: float, north_m: float) -> tuple[float, float]:
    to_degrees = Transformer.from_crs("EPSG:32628", "EPSG:4326", always_xy=True)
    lon, lat = to_degrees.transform(CORNER[0] + east_m, CORNER[1] + north_m)
    return float(lon), float(lat)


def recording(row: int, logger: str, **fields: Any) -> Recording:
    deployment = Deployment(table="night.csv", row=row, logger=logger, recording=Path(f"{row}.wav"), **fields)
    samples = np.ones(40, dtype=np.float32)
    return Recording(deployment, samples, 4000.0, START, "table", RecordingQuality(1.0, 1.0))


def round_of(*recordings: Recording, number: int = 1) -> Round:
    samples = np.stack([one.samples for one in recordings])
    return Round(number, START, 4000.0, recordings, samples)


def test_sites_in_the_order_of_the_table(network: PipeNetwork) -> None:
    rounds = [
        round_of(
            recording(2, "L7", fitting="V2", clock_sd_s=1e-4),
            recording(3, "L1", fitting="V1", lead_m=0.8, clock_sd_s=3e-4),
        ),
        round_of(
            recording(4, "L1", fitting="V1", lead_m=0.8, clock_sd_s=3e-4),
            recording(5, "L2", fitting="H1", clock_sd_s=1e-4),
            number=2,
        ),
    ]
    sites = find_sites(network, rounds, settings=SETTINGS)
    assert [(site.logger, site.fitting, site.lead_m) for site in sites] == [
        ("L7", "V2", 0.0),
        ("L1", "V1", 0.8),
        ("L2", "H1", 0.0),
    ]
    assert [site.clock_sd_s for site in sites] == pytest.approx([1e-4, 3e-4, 1e-4])
    assert all(site.assumptions == () for site in sites)


def test_place_goes_to_the_nearest_fitting_and_says_so(network: PipeNetwork) -> None:
    rounds = [round_of(recording(2, "L1", lon_lat=lon_lat(53, -3), clock_sd_s=1e-4))]
    (site,) = find_sites(network, rounds, settings=SETTINGS)
    assert site.fitting == "H1"
    assert site.assumptions == ("L1 was taken to be at H1, 5.0 m from its place",)  # 3 m east, 4 m south


def test_place_far_from_any_fitting_is_refused(network: PipeNetwork) -> None:
    near, far = (lon_lat(50, 1 - NEAREST_FITTING_M + off) for off in (0.2, -2.0))
    (site,) = find_sites(network, [round_of(recording(2, "L1", lon_lat=near))], settings=SETTINGS)
    assert site.fitting == "H1"
    with pytest.raises(
        PositionError, match=r"night.csv, row 2 \(logger L1\): the nearest fitting, H1, is 12 m"
    ):
        find_sites(network, [round_of(recording(2, "L1", lon_lat=far))], settings=SETTINGS)


def test_latitude_and_longitude_the_wrong_way_round_are_refused(network: PipeNetwork) -> None:
    lon, lat = lon_lat(50, 1)
    with pytest.raises(PositionError, match="row 2"):
        find_sites(network, [round_of(recording(2, "L1", lon_lat=(lat, lon)))], settings=SETTINGS)


def test_unknown_fitting_is_refused_with_similar_ones(network: PipeNetwork) -> None:
    with pytest.raises(NetworkError, match=r"fitting VV1: no fitting has this id.*V1"):
        find_sites(network, [round_of(recording(2, "L1", fitting="VV1"))], settings=SETTINGS)


def test_fitting_away_from_the_mains_is_refused(network: PipeNetwork) -> None:
    with pytest.raises(NetworkError, match=r"fitting H9: the nearest main is \d+"):
        find_sites(network, [round_of(recording(2, "L1", fitting="H9"))], settings=SETTINGS)


def test_clock_that_the_table_does_not_state_is_assumed(network: PipeNetwork) -> None:
    rounds = [round_of(recording(2, "L1", fitting="V1"))]
    (site,) = find_sites(network, rounds, settings=LocateSettings(clock_sd_s=5e-4))
    assert site.clock_sd_s == pytest.approx(5e-4)
    assert site.assumptions == ("clock_sd_ms is not in the table: 0.5 ms assumed for each clock",)


@pytest.mark.parametrize("order", [1, -1])
def test_the_worst_that_is_said_of_a_clock_holds(network: PipeNetwork, order: int) -> None:
    rows = [
        recording(2, "L1", fitting="V1", clock_sd_s=1e-5),
        recording(3, "L1", fitting="V1", clock_sd_s=2e-3),
        recording(4, "L1", fitting="V1"),
    ][::order]
    rounds = [round_of(row, number=n) for n, row in enumerate(rows, start=1)]
    (site,) = find_sites(network, rounds, settings=SETTINGS)
    assert site.clock_sd_s == pytest.approx(2e-3)
    assert len(site.assumptions) == 1


@pytest.mark.parametrize(
    ("then", "text"),
    [
        ({"fitting": "V2"}, "at fitting V2 with a lead of 0 m, but row 2 has it at V1 with 0 m"),
        ({"fitting": "V1", "lead_m": 1.2}, "at fitting V1 with a lead of 1.2 m, but row 2 has it at V1"),
        ({"lon_lat": lon_lat(50, 1)}, "at fitting H1"),
    ],
)
def test_logger_that_moved_is_refused(network: PipeNetwork, then: dict[str, Any], text: str) -> None:
    rounds = [
        round_of(recording(2, "L1", fitting="V1")),
        round_of(recording(3, "L1", **then), number=2),
    ]
    with pytest.raises(PositionError, match=rf"night.csv, row 3 \(logger L1\): {text}"):
        find_sites(network, rounds, settings=SETTINGS)


def test_two_loggers_at_one_fitting_are_refused(network: PipeNetwork) -> None:
    rounds = [round_of(recording(2, "L1", fitting="H1"), recording(3, "L2", lon_lat=lon_lat(50, 1)))]
    with pytest.raises(
        PositionError, match=r"row 3 \(logger L2\): at fitting H1, where logger L1 stands too"
    ):
        find_sites(network, rounds, settings=SETTINGS)


def test_no_rounds_have_no_sites(network: PipeNetwork) -> None:
    assert find_sites(network, [], settings=SETTINGS) == ()
