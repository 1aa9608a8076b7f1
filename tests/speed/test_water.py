"""Water against IAPWS-95 and against the published polynomials.

IAPWS-95: release R6-95(2018), computed by the library `iapws` in the test itself. Marczak values: his
polynomial (J. Acoust. Soc. Am. 102, 1997, 2776) evaluated independently; Bilaniuk and Wong (1993), with the
erratum of 1996, is a second, independent fit to measurements.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from iapws import IAPWS95

from netcorr.errors import SpeedError
from netcorr.speed import Water, water_at

TEMPERATURES = [0.5, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0]


@pytest.mark.parametrize("temperature_c", TEMPERATURES)
def test_speed_density_and_bulk_modulus_agree_with_iapws95(temperature_c: float) -> None:
    reference = IAPWS95(T=temperature_c + 273.15, P=0.101325)
    water = water_at(temperature_c)
    assert water.speed_m_s == pytest.approx(reference.w, abs=0.04)
    assert water.density_kg_m3 == pytest.approx(reference.rho, abs=0.01)
    assert water.bulk_modulus_pa == pytest.approx(reference.rho * reference.w**2, rel=1e-4)


@pytest.mark.parametrize(
    ("temperature_c", "speed_m_s"),
    [
        (0, 1402.385),
        (5, 1426.170),
        (10, 1447.289),
        (15, 1465.960),
        (20, 1482.380),
        (30, 1509.167),
        (40, 1528.894),
    ],
)
def test_speed_is_marczaks(temperature_c: float, speed_m_s: float) -> None:
    assert water_at(temperature_c).speed_m_s == pytest.approx(speed_m_s, abs=0.001)


@pytest.mark.parametrize(
    ("temperature_c", "speed_m_s"),
    [(0, 1402.387), (10, 1447.279), (20, 1482.358), (30, 1509.144), (40, 1528.880)],
)
def test_speed_agrees_with_bilaniuk_and_wong(temperature_c: float, speed_m_s: float) -> None:
    assert water_at(temperature_c).speed_m_s == pytest.approx(speed_m_s, abs=0.03)


def test_pressure_that_is_left_out_is_small() -> None:
    """The docstring says 0.5 MPa adds 0.8 m/s; IAPWS-95 agrees."""
    at_mains_pressure = IAPWS95(T=283.15, P=0.101325 + 0.5).w
    assert at_mains_pressure - water_at(10.0).speed_m_s == pytest.approx(0.8, abs=0.1)


def test_from_5_to_20_degrees_the_speed_rises_by_four_percent() -> None:
    assert water_at(20.0).speed_m_s / water_at(5.0).speed_m_s == pytest.approx(1482.344 / 1426.167, abs=1e-4)


@settings(max_examples=40, deadline=None)
@given(st.floats(0.0, 39.9))
def test_speed_rises_with_temperature(temperature_c: float) -> None:
    assert water_at(temperature_c + 0.1).speed_m_s > water_at(temperature_c).speed_m_s


def test_density_is_greatest_at_4_degrees() -> None:
    densities = {t / 10: water_at(t / 10).density_kg_m3 for t in range(401)}
    assert max(densities, key=densities.__getitem__) == pytest.approx(4.0, abs=0.1)


@pytest.mark.parametrize("temperature_c", [-0.1, 40.1, 283.15, float("nan"), float("inf")])
def test_temperature_out_of_range_is_refused(temperature_c: float) -> None:
    with pytest.raises(SpeedError, match=r"water temperature: .* deg C; .*from 0 to 40"):
        water_at(temperature_c)


@pytest.mark.parametrize(
    ("speed", "density"), [(0.0, 1000.0), (1450.0, 1.0), (float("nan"), 1000.0), (1e5, 1000.0)]
)
def test_water_that_is_no_liquid_is_refused(speed: float, density: float) -> None:
    with pytest.raises(SpeedError, match="water, "):
        Water(speed_m_s=speed, density_kg_m3=density)
