"""Reaction of soil on a pipe: limits known in closed form, and laws of waves that run outwards.

Closed forms: the cylindrical cavity in an elastic body, radial stress 2 G w / r at rest (Lame); the impedance
of a plane wave, density times speed, when the radius is many wavelengths (textbook elastodynamics).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from netcorr.errors import SpeedError
from netcorr.speed import LOOSE_SOIL, SATURATED_SOIL, Soil
from netcorr.speed.soil import soil_stiffness


def stiffness(k: complex, omega: float, soil: Soil, radius_m: float) -> NDArray[np.complex128]:
    return soil_stiffness(np.array([k], complex), np.array([omega]), soil=soil, radius_m=radius_m)[0]


@pytest.mark.parametrize("soil", [LOOSE_SOIL, SATURATED_SOIL])
def test_slow_long_wave_meets_the_static_stiffness_of_a_cavity(soil: Soil) -> None:
    radius = 0.1
    shear_modulus = soil.density_kg_m3 * soil.s_speed_m_s**2
    # Slower than both soil waves and long beside the radius: nothing is radiated.
    found = stiffness(1e-3 + 0j, 1e-3 * soil.s_speed_m_s * 0.01, soil, radius)
    assert found[0, 0].real == pytest.approx(-2 * shear_modulus / radius, rel=1e-3)
    assert abs(found[0, 0].imag) < 1e-3 * abs(found[0, 0].real)


@pytest.mark.parametrize("soil", [LOOSE_SOIL, SATURATED_SOIL])
def test_fast_short_wave_meets_the_impedance_of_a_plane_wave(soil: Soil) -> None:
    radius, omega = 50.0, 2 * np.pi * 5000.0
    found = stiffness(1e-6 + 0j, omega, soil, radius)
    assert found[0, 0] == pytest.approx(-1j * omega * soil.density_kg_m3 * soil.p_speed_m_s, rel=0.01)
    assert found[1, 1] == pytest.approx(-1j * omega * soil.density_kg_m3 * soil.s_speed_m_s, rel=0.01)


@settings(max_examples=40, deadline=None)
@given(
    frequency_hz=st.floats(5.0, 2000.0),
    pipe_speed_m_s=st.floats(150.0, 1400.0),
    s_speed_m_s=st.floats(50.0, 400.0),
    ratio=st.floats(1.3, 10.0),
    radius_m=st.floats(0.03, 0.6),
)
def test_soil_takes_energy_and_never_gives_it(
    frequency_hz: float, pipe_speed_m_s: float, s_speed_m_s: float, ratio: float, radius_m: float
) -> None:
    """Mean power from pipe to soil is not negative for any motion of the wall: the reaction is passive."""
    soil = Soil(p_speed_m_s=ratio * s_speed_m_s, s_speed_m_s=s_speed_m_s, density_kg_m3=1800.0)
    omega = 2 * np.pi * frequency_hz
    found = stiffness(omega / pipe_speed_m_s + 0j, omega, soil, radius_m)
    # Force on the soil is -S u, its velocity j omega u: mean power omega u^H (S^H - S) u / (4 j) is passive.
    drain = (found.conj().T - found) / 2j
    assert np.linalg.eigvalsh(drain).min() >= -1e-7 * np.abs(found).max()


@settings(max_examples=20, deadline=None)
@given(frequency_hz=st.floats(5.0, 2000.0), pipe_speed_m_s=st.floats(60.0, 1400.0))
def test_reaction_is_reciprocal(frequency_hz: float, pipe_speed_m_s: float) -> None:
    """Radial stress for axial motion is minus axial stress for radial motion (waves turned round)."""
    omega = 2 * np.pi * frequency_hz
    found = stiffness(omega / pipe_speed_m_s + 0j, omega, LOOSE_SOIL, 0.09)
    assert found[0, 1] == pytest.approx(-found[1, 0], rel=1e-6, abs=1e-6 * np.abs(found).max())


def test_each_frequency_is_solved_by_itself() -> None:
    omega = 2 * np.pi * np.array([20.0, 200.0, 900.0])
    k = omega / 400.0 * (1 - 0.02j)
    together = soil_stiffness(k, omega, soil=LOOSE_SOIL, radius_m=0.09)
    alone = [stiffness(complex(one), float(w), LOOSE_SOIL, 0.09) for one, w in zip(k, omega, strict=True)]
    assert together == pytest.approx(np.array(alone), rel=1e-12)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ((200.0, 190.0, 1500.0), "too low for s_speed"),
        ((0.0, 100.0, 1500.0), "p_speed_m_s"),
        ((200.0, -1.0, 1500.0), "s_speed_m_s"),
        ((200.0, 100.0, float("nan")), "density_kg_m3"),
    ],
)
def test_impossible_soil_is_refused(values: tuple[float, float, float], message: str) -> None:
    with pytest.raises(SpeedError, match=message):
        Soil(p_speed_m_s=values[0], s_speed_m_s=values[1], density_kg_m3=values[2])
