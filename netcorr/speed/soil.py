"""Soil around a pipe: how it pushes back on the outside of the wall when the wave passes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import hankel2e

from netcorr.errors import SpeedError

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]


@dataclass(frozen=True)
class Soil:
    """Elastic soil in full contact with the pipe.

    Attributes
    ----------
    p_speed_m_s : float
        Speed of compressional waves. [m/s]
    s_speed_m_s : float
        Speed of shear waves, less than `p_speed_m_s` / sqrt(4/3) so that the soil resists compression. [m/s]
    density_kg_m3 : float
        Density. [kg/m3]

    Raises
    ------
    SpeedError
        If a value is not positive or the two speeds cannot belong to one elastic body.
    """

    p_speed_m_s: float
    s_speed_m_s: float
    density_kg_m3: float

    def __post_init__(self) -> None:
        for name in ("p_speed_m_s", "s_speed_m_s", "density_kg_m3"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise SpeedError(f"soil, {name}", found=f"{value}", remedy="give a positive number")
        if self.p_speed_m_s <= self.s_speed_m_s * math.sqrt(4 / 3):
            raise SpeedError(
                "soil",
                found=f"p_speed_m_s {self.p_speed_m_s} is too low for s_speed_m_s {self.s_speed_m_s}",
                remedy="compressional waves are at least 1.155 times as fast as shear waves; check the two",
            )


#: Loose sandy soil of the buried test pipe of Muggleton, Brennan and Linford (2004), J. Sound Vib. 270, 171.
LOOSE_SOIL = Soil(p_speed_m_s=200.0, s_speed_m_s=100.0, density_kg_m3=1500.0)

#: Water-saturated soil: compressional waves as fast as in water, shear waves slow (typical, from memory).
SATURATED_SOIL = Soil(p_speed_m_s=1500.0, s_speed_m_s=180.0, density_kg_m3=2000.0)


def soil_stiffness(wavenumber_rad_m: Complex, omega_rad_s: Real, *, soil: Soil, radius_m: float) -> Complex:
    """Stress on a cylindrical hole in soil for each unit of displacement of its surface.

    Parameters
    ----------
    wavenumber_rad_m : complex ndarray, shape (n,)
        Axial wavenumber, fields vary as exp(j (omega t - k x)). [rad/m]
    omega_rad_s : ndarray, shape (n,)
        Angular frequency, positive. [rad/s]
    soil : Soil
        The soil.
    radius_m : float
        Radius of the hole, the outer radius of the pipe. [m]

    Returns
    -------
    complex ndarray, shape (n, 2, 2)
        Radial and axial stress (rows) on the pipe for radial and axial displacement (columns). [Pa/m]

    Notes
    -----
    Exact for the linear elastic full space: scalar and vector potentials with Hankel functions of the
    second kind, waves running outwards. Where the pipe wave is slower than a soil wave, that soil wave
    decays away from the pipe; where it is faster, it is radiated.

    References
    ----------
    Muggleton, Brennan and Linford (2004), Axisymmetric wave propagation in fluid-filled pipes: wavenumber
    measurements in in vacuo and buried pipes, J. Sound Vib. 270, 171-190.
    Gao, Sui, Muggleton and Yang (2016), Simplified dispersion relationships for fluid-dominated
    axisymmetric wave motion in buried fluid-filled pipes, J. Sound Vib. 375, 386-402 (compact contact).
    """
    k, b = wavenumber_rad_m, radius_m
    k_s = omega_rad_s / soil.s_speed_m_s
    alpha = _radial_wavenumber(k, omega_rad_s / soil.p_speed_m_s)
    beta = _radial_wavenumber(k, k_s)
    # Each column is scaled by its own exponential, which cancels in stress times inverse displacement.
    a0, a1 = hankel2e(0, alpha * b), hankel2e(1, alpha * b)
    b0, b1 = hankel2e(0, beta * b), hankel2e(1, beta * b)
    displacement = _matrix(-alpha * a1, 1j * k * b1, -1j * k * a0, beta * b0)
    stress = _matrix(
        2 * alpha * a1 / b - (k_s**2 - 2 * k**2) * a0,
        2j * k * (beta * b0 - b1 / b),
        2j * k * alpha * a1,
        (2 * k**2 - k_s**2) * b1,
    )
    shear_modulus = soil.density_kg_m3 * soil.s_speed_m_s**2
    return np.asarray(shear_modulus * stress @ np.linalg.inv(displacement), dtype=np.complex128)


def _radial_wavenumber(k: Complex, k_body: Real) -> Complex:
    """Root of k_body^2 - k^2 that decays outwards for a slow pipe wave and runs outwards for a fast one."""
    root = np.sqrt(k_body**2 - k**2 + 0j)
    wrong = np.where(k.real > k_body, root.imag > 0, root.real < 0)
    root = np.where(wrong, -root, root)
    # As fast as a soil wave to the last digit: a hair to the decaying side keeps the Hankel functions finite.
    return np.where(np.abs(root) < 1e-8 * k_body, -1e-8j * k_body, root)


def _matrix(m11: Complex, m12: Complex, m21: Complex, m22: Complex) -> Complex:
    return np.stack([np.stack([m11, m12], axis=-1), np.stack([m21, m22], axis=-1)], axis=-2)
