"""Up to which frequency a pair can hear anything: by hand, along other ways, and never in iron."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from netcorr.network import PipeNetwork
from netcorr.path import CorrelationPath, correlation_path
from netcorr.position import LocateSettings
from netcorr.position.audible import INAUDIBLE_DB, LEAST_LOSS, highest_audible_hz
from netcorr.position.rays import Waves

Maker = Callable[..., Any]
SETTINGS = LocateSettings()
PVC = {"material": "pvc", "diameter_mm": 160.0, "year": 1990.0}
IRON = {"material": "ductile_iron", "diameter_mm": 150.0, "year": 1990.0}
LONG = {"M": [(0, 0), (400, 0)]}
FITTINGS = {"V1": (0, 0), "V2": (400, 0)}


def between(network: PipeNetwork) -> CorrelationPath:
    return correlation_path(network, "V1", fitting_b="V2")


def made(make_network: Maker, mains: dict[str, Any], **materials: dict[str, Any]) -> PipeNetwork:
    network: PipeNetwork = make_network(mains, FITTINGS, attributes=materials)
    return network


def test_half_of_the_loss_from_a_to_b_is_what_one_of_them_lacks(make_network: Maker) -> None:
    network = made(make_network, LONG, M=PVC)
    limit_hz = highest_audible_hz(network, between(network), settings=SETTINGS)
    # followed through the pipe at that frequency: a leak in the middle loses so much to either side
    waves = Waves(network, limit_hz, SETTINGS, 1000.0)
    [edge] = network.graph.edges(keys=True)
    lost_db = -20 * math.log10(waves.pipe(edge).kept)
    assert LEAST_LOSS * lost_db / 2 == pytest.approx(INAUDIBLE_DB)
    assert 100.0 < limit_hz < 1000.0


@pytest.mark.parametrize("times", [1.5, 2.0])
def test_a_longer_pipe_lets_less_through(make_network: Maker, times: float) -> None:
    network = made(make_network, LONG, M=PVC)
    longer: PipeNetwork = make_network(
        {"M": [(0, 0), (400 * times, 0)]}, {"V1": (0, 0), "V2": (400 * times, 0)}, attributes={"M": PVC}
    )
    short_hz, long_hz = (highest_audible_hz(n, between(n), settings=SETTINGS) for n in (network, longer))
    assert short_hz == pytest.approx(times * long_hz, rel=1e-3)


def test_iron_lets_all_through(make_network: Maker) -> None:
    network = made(make_network, LONG, M=IRON)
    assert highest_audible_hz(network, between(network), settings=SETTINGS) == math.inf


def test_what_goes_round_by_iron_is_heard(make_network: Maker) -> None:
    # the way by iron is longer, so the path is the plastic one; sound of high frequencies takes the other
    mains = LONG | {"R": [(0, 0), (0, 60), (400, 60), (400, 0)]}
    network = made(make_network, mains, M=PVC, R=IRON)
    path = between(network)
    assert [segment.pipe_id for segment in path.segments] == ["M"]
    assert highest_audible_hz(network, path, settings=SETTINGS) == math.inf
    plastic = made(make_network, mains, M=PVC, R=PVC)
    alone = made(make_network, LONG, M=PVC)
    round_about, direct = (highest_audible_hz(n, between(n), settings=SETTINGS) for n in (plastic, alone))
    assert round_about == pytest.approx(direct)


def test_a_map_that_says_nothing_leaves_nothing_out(make_network: Maker) -> None:
    network = made(make_network, LONG, M={"wave_speed_m_s": 1200.0})
    assert highest_audible_hz(network, between(network), settings=SETTINGS) == math.inf
