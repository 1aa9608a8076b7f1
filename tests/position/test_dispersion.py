"""Phase along a path: none at the middle of one pipe, opposite at its ends, none to speak of in iron."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from netcorr.path.correlation_path import CorrelationPath
from netcorr.position import LocateSettings, path_times
from netcorr.position.dispersion import FREQUENCY_HZ, path_dispersion
from netcorr.speed import pipe_wall
from netcorr.speed.dispersion import REFERENCE_HZ, relative_slowness

Maker = Callable[..., Any]
SETTINGS = LocateSettings()
PVC = {"material": "pvc", "diameter_mm": 160.0}


def made_of(path: CorrelationPath, *materials: tuple[str, float]) -> CorrelationPath:
    """The path with pipes of these materials and sizes."""
    segments = [
        replace(segment, material=material, diameter_mm=size_mm)
        for segment, (material, size_mm) in zip(path.segments, materials, strict=True)
    ]
    return replace(path, segments=tuple(segments))


def test_phase_of_one_plastic_pipe(make_path: Maker, make_speed: Maker) -> None:
    path = made_of(make_path([100.0]), ("pvc", 160.0))
    found = path_dispersion(path, [make_speed(480.0)], settings=SETTINGS)
    assert found is not None
    # from end to end of the path, as a source there has it: 2 pi f (slowness - nominal slowness) 100 m
    assert found.delay_s[[0, -1]] == pytest.approx([-100 / 480, 100 / 480])
    np.testing.assert_allclose(found.phase_rad[0], -found.phase_rad[-1], atol=1e-9)
    ratio = relative_slowness(FREQUENCY_HZ, pipe_wall("pvc", 160.0)) - 1
    np.testing.assert_allclose(found.phase_rad[-1], 2 * np.pi * FREQUENCY_HZ * ratio * 100 / 480, rtol=1e-9)
    assert found.at(0.0, np.array([50.0, 200.0])) == pytest.approx([0.0, 0.0], abs=1e-9)
    # slower than nominal below the reference frequency, so later; faster above
    assert found.at(0.2, np.array([50.0]))[0] > 0.1
    assert found.at(0.2, np.array([200.0]))[0] < -0.1


def test_iron_of_common_size_has_none(make_path: Maker, make_speed: Maker) -> None:
    path = made_of(make_path([80.0]), ("ductile_iron", 100.0))
    assert path_dispersion(path, [make_speed(1250.0)], settings=SETTINGS) is None


def test_plastic_between_iron(make_path: Maker, make_speed: Maker) -> None:
    path = made_of(make_path([40.0, 60.0, 40.0]), ("grey_iron", 150.0), ("pvc", 160.0), ("grey_iron", 150.0))
    speeds = [make_speed(1250.0), make_speed(450.0), make_speed(1250.0)]
    found = path_dispersion(path, speeds, settings=SETTINGS)
    assert found is not None
    times = path_times(path, speeds, settings=SETTINGS, clock_sd_s=0.0)
    # in the iron on either side the plastic adds the same whole phase wherever the leak is
    phases = [
        found.at(float(np.interp(at_m, times.position_m, times.delay_s)), np.array([200.0]))[0]
        for at_m in (5.0, 30.0, 110.0, 135.0)
    ]
    assert phases[0] == pytest.approx(phases[1], abs=0.1)
    assert phases[2] == pytest.approx(phases[3], abs=0.1)
    assert phases[0] == pytest.approx(-phases[3], abs=0.1)
    assert times.dispersion is not None


def test_a_lead_adds_its_phase(make_path: Maker, make_speed: Maker) -> None:
    plain, led = (
        path_dispersion(
            made_of(make_path([100.0], lead_b_m=lead_m), ("pvc", 160.0)),
            [make_speed(480.0)],
            settings=SETTINGS,
        )
        for lead_m in (0.0, 3.0)
    )
    assert plain is not None
    assert led is not None
    assert led.delay_s[-1] - plain.delay_s[-1] == pytest.approx(3 / 480)
    np.testing.assert_allclose(led.phase_rad[-1], 1.03 * plain.phase_rad[-1], rtol=1e-9)


def test_a_pipe_without_a_wall_has_none(make_path: Maker, make_speed: Maker) -> None:
    path = make_path([100.0])
    unknown = replace(path, segments=(replace(path.segments[0], material=None),))
    assert path_dispersion(unknown, [make_speed(480.0)], settings=SETTINGS) is None


@pytest.mark.parametrize(("material", "size_mm"), [("pvc", 160.0), ("pe100", 110.0), ("grey_iron", 600.0)])
def test_slowness_is_one_at_the_reference_and_falls_or_rises(material: str, size_mm: float) -> None:
    wall = pipe_wall(material, size_mm)
    at = relative_slowness(np.array([25.0, REFERENCE_HZ, 400.0]), wall)
    assert at[1] == pytest.approx(1.0, abs=1e-12)
    if material == "grey_iron":
        # the wall's inertia slows high frequencies; little loss, little change below
        assert at[2] > 1
        assert at[0] == pytest.approx(1.0, abs=0.005)
    else:
        # the power law of a constant loss factor, 0.05 or 0.06: two octaves are f^(loss/pi), a few percent
        assert at[0] == pytest.approx(4 ** (wall.loss_factor / np.pi), abs=0.01)
        assert at[0] > 1 > at[2]


def test_water_of_another_temperature_is_another_phase(make_path: Maker, make_speed: Maker) -> None:
    path = made_of(make_path([100.0]), ("pvc", 160.0))
    cold, warm, again = (
        path_dispersion(path, [make_speed(480.0)], settings=LocateSettings(temperature_c=celsius))
        for celsius in (5.0, 25.0, 5.0)
    )
    assert cold is not None
    assert warm is not None
    assert again is not None
    assert (cold.phase_rad == again.phase_rad).all()
    assert np.abs(cold.phase_rad - warm.phase_rad).max() > 1e-6
