"""Values that cannot be are refused, by name, and places are found on mains that were cut."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from netcorr.errors import SimulationError
from netcorr.network.pipe_network import PipeNetwork
from netcorr.simulation.setup import (
    Burst,
    Conditions,
    Place,
    SensorSetup,
    Spectrum,
    TrueSpeeds,
    place_on_pipe,
)

NetworkMaker = Callable[..., PipeNetwork]

CUT_MAIN = [
    # main 'long' of 30 + 50 + 20 m, its middle piece stored the other way round in the graph
    (0, 1, 30.0, {"pipe_id": "long"}),
    (2, 1, 50.0, {"pipe_id": "long", "from_node": 1, "to_node": 2}),
    (2, 3, 20.0, {"pipe_id": "long"}),
    (1, 4, 15.0, {"pipe_id": "side"}),
]


@pytest.mark.parametrize(
    ("into_m", "ends", "offset_m"),
    [
        (0.0, {0, 1}, 0.0),
        (12.0, {0, 1}, 12.0),
        (31.0, {1, 2}, 1.0),
        (79.0, {1, 2}, 49.0),
        (100.0, {2, 3}, 20.0),
    ],
)
def test_place_on_a_main_that_was_cut(
    network_of: NetworkMaker, into_m: float, ends: set[int], offset_m: float
) -> None:
    place = place_on_pipe(network_of(CUT_MAIN, {"A": 0}), "long", into_m=into_m)
    assert set(place.edge[:2]) == ends
    assert place.offset_m == pytest.approx(offset_m)


@pytest.mark.parametrize("into_m", [-0.1, 100.5])
def test_place_off_the_main_says_how_long_it_is(network_of: NetworkMaker, into_m: float) -> None:
    with pytest.raises(SimulationError, match=r"pipe long: no point .* it is 100\.0 m long"):
        place_on_pipe(network_of(CUT_MAIN, {"A": 0}), "long", into_m=into_m)


def test_place_on_an_unknown_main(network_of: NetworkMaker) -> None:
    with pytest.raises(SimulationError, match="pipe other: no main has this id"):
        place_on_pipe(network_of(CUT_MAIN, {"A": 0}), "other", into_m=1.0)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("lead_m", -1.0),
        ("lead_m", float("nan")),
        ("lead_diameter_mm", 0.0),
        ("lead_reflection", 1.1),
        ("gain", 0.0),
        ("resonance_hz", -5.0),
        ("resonance_q", 0.0),
        ("polarity", 0),
        ("sample_rate_hz", 4000.5),
        ("sample_rate_hz", 0.0),
        ("start_delay_s", -0.1),
    ],
)
def test_a_sensor_that_cannot_be_is_refused_by_name(field: str, value: float) -> None:
    with pytest.raises(SimulationError, match=f"sensor K1: {field}"):
        SensorSetup("K1", "H1", **{field: value})


def test_all_that_is_wrong_with_a_sensor_is_said_at_once() -> None:
    with pytest.raises(SimulationError, match=r"lead_m -1.*gain 0"):
        SensorSetup("K1", "H1", lead_m=-1, gain=0)


@pytest.mark.parametrize(
    "wrong",
    [
        {"band_hz": (500.0, 50.0)},
        {"duration_s": 0.0},
        {"start": datetime(2026, 3, 1, 2)},
    ],
)
def test_conditions_that_cannot_be(wrong: dict[str, Any]) -> None:
    with pytest.raises(SimulationError, match="conditions"):
        Conditions(**wrong)


def test_rounds_follow_the_schedule() -> None:
    conditions = Conditions(start=datetime(2026, 1, 1, tzinfo=UTC), interval_s=600)
    assert conditions.start_of(1) == datetime(2026, 1, 1, tzinfo=UTC)
    assert conditions.start_of(3) - conditions.start_of(1) == timedelta(minutes=20)


def test_factors_of_material_and_pipe_multiply() -> None:
    speeds = TrueSpeeds({"pvc": 0.9}, {"P1": 1.1})
    assert speeds.factor(material="pvc", pipe_id="P1") == pytest.approx(0.99)
    assert speeds.factor(material="pvc", pipe_id="P2") == 0.9
    assert speeds.factor(material=None, pipe_id="P1") == 1.1
    with pytest.raises(SimulationError, match="true speed of pvc: factor 1250"):
        TrueSpeeds({"pvc": 1250.0})


def test_other_values_that_cannot_be() -> None:
    with pytest.raises(SimulationError, match="offset -1"):
        Place((0, 1, 0), -1.0)
    with pytest.raises(SimulationError, match="band 100"):
        Spectrum(low_hz=100.0, high_hz=50.0)
    with pytest.raises(SimulationError, match="burst of usage"):
        Burst(Place((0, 1, 0), 1.0), at_s=1.0, length_s=0.0, level_db=10.0)
