"""Water, wall and soil in one cross-section: where the wavenumber comes from."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import ive

from netcorr.errors import SpeedError
from netcorr.speed.soil import Complex, Real, Soil, soil_stiffness
from netcorr.speed.water import Water
from netcorr.units import NEPER_DB

#: The section model is used up to this share of the ring frequency of the empty wall, ...
_RING_SHARE = 0.35
#: ... and as long as the wave loses less than this over one wavelength [dB]; beyond it there is no wave.
_MAX_LOSS_DB_PER_WAVELENGTH = 20.0
_SEARCH_POINTS = 48
#: Between neighbours of the search grid k / omega changes by less than this share, or it is another wave.
_MAX_JUMP = 0.2
_MAX_STEPS = 60
_TOLERANCE = 1e-11


@dataclass(frozen=True)
class PipeWall:
    """Dimensions and material of the pipe, as the wave feels them.

    Attributes
    ----------
    inside_diameter_m : float
        Bore. [m]
    thickness_m : float
        Wall thickness. [m]
    youngs_modulus_pa : float
        Dynamic Young's modulus. [Pa]
    poisson_ratio : float
        Poisson's ratio, 0 to less than 0.5.
    density_kg_m3 : float
        Density of the wall. [kg/m3]
    loss_factor : float
        Structural loss factor of the wall, 0 to 1.

    Raises
    ------
    SpeedError
        If a value is outside what a pipe can have.
    """

    inside_diameter_m: float
    thickness_m: float
    youngs_modulus_pa: float
    poisson_ratio: float
    density_kg_m3: float
    loss_factor: float = 0.0

    def __post_init__(self) -> None:
        for name, low, high in (
            ("inside_diameter_m", 0.002, 10.0),
            ("thickness_m", 1e-4, 2.0),
            ("youngs_modulus_pa", 1e7, 1e13),
            ("poisson_ratio", 0.0, 0.499),
            ("density_kg_m3", 100.0, 3e4),
            ("loss_factor", 0.0, 1.0),
        ):
            value = getattr(self, name)
            if not (math.isfinite(value) and low <= value <= high):
                raise SpeedError(
                    f"pipe wall, {name}", found=f"{value}", remedy=f"give a number from {low:g} to {high:g}"
                )

    @property
    def ring_frequency_hz(self) -> float:
        """Frequency at which the empty wall breathes by itself. [Hz]"""
        plate_speed = math.sqrt(self.youngs_modulus_pa / (self.density_kg_m3 * (1 - self.poisson_ratio**2)))
        return plate_speed / (math.pi * (self.inside_diameter_m + self.thickness_m))


class Section:
    """Water, wall and soil in one cross-section; the fixed point k = step(k) is the dispersion relation."""

    def __init__(self, pipe: PipeWall, soil: Soil | None, water: Water) -> None:
        self.soil, self.water, self.ring_frequency_hz = soil, water, pipe.ring_frequency_hz
        h, nu, rho = pipe.thickness_m, pipe.poisson_ratio, pipe.density_kg_m3
        a = pipe.inside_diameter_m / 2
        b, middle = a + h, a + h / 2
        modulus = pipe.youngs_modulus_pa * (1 + 1j * pipe.loss_factor)
        mu = modulus / (2 * (1 + nu))
        lam = modulus * nu / ((1 + nu) * (1 - 2 * nu))
        area = (b**2 - a**2) / 2  # of the section, by radian
        # Unknowns A, B (u_r = A r + B / r) and U (axial); energies integrated over the section, by radian.
        self._stiffness: Complex = np.diag([4 * (lam + mu) * area, 2 * mu * (a**-2 - b**-2), 0j])
        self._poisson = 2 * lam * area
        self._axial = (lam + 2 * mu) * area
        self._mass = rho * np.array(
            [[(b**4 - a**4) / 4, area, 0], [area, math.log(b / a), 0], [0, 0, area]], dtype=float
        )
        bend = np.array([middle, 1 / middle, 0])
        self._bending = middle * modulus * h**3 / (12 * (1 - nu**2)) * np.outer(bend, bend)
        self._inside = np.array([a, 1 / a, 0])
        self._outside = np.array([[b, 1 / b, 0], [0, 0, 1]])
        self.inner_radius_m, self.outer_radius_m = a, b
        # Static thick cylinder, free to move along its axis (Lame): pressure for each metre of inner radius.
        bore = 2 * a
        self._static = modulus / (a * (bore**2 / (2 * h * (bore + h)) + 1 + nu))

    @cached_property
    def _table(self) -> tuple[Real, Complex]:
        """Frequencies and k / omega on a fixed grid, as far up as the wave is found, smooth and alive."""
        top = _RING_SHARE * self.ring_frequency_hz
        grid = np.geomspace(top / 1000, top, _SEARCH_POINTS)
        omega = 2 * np.pi * grid
        first = np.sqrt(1 + self._compliance(1 / self._static)) / self.water.speed_m_s
        k, converged = self._iterate((omega * first).astype(np.complex128), omega)
        slowness = k / omega
        steady = np.abs(np.diff(slowness, prepend=slowness[:1])) < _MAX_JUMP * np.abs(slowness)
        alive = -2 * np.pi * NEPER_DB * k.imag < _MAX_LOSS_DB_PER_WAVELENGTH * k.real
        good = converged & steady & alive
        count = int(np.argmin(good)) if not np.all(good) else _SEARCH_POINTS
        if count == 0:
            raise SpeedError(
                "pipe wavenumber",
                found="no fluid-dominated wave at any frequency",
                remedy="check bore, wall, material and soil of this pipe",
            )
        return grid[:count], slowness[:count]

    @property
    def highest_frequency_hz(self) -> float:
        """Highest frequency at which the wave was looked for and found. [Hz]"""
        return float(self._table[0][-1])

    def solve(self, frequency_hz: Real) -> Complex:
        """Wavenumber at each frequency up to `highest_frequency_hz`, 0 at 0 Hz."""
        k = np.zeros(frequency_hz.shape, dtype=np.complex128)
        moving = frequency_hz > 0
        omega = 2 * np.pi * frequency_hz[moving]
        # Between two points of the table the root lies beside both; where it is not found, the line is taken.
        start = omega * np.interp(frequency_hz[moving], *self._table)
        root, converged = self._iterate(start, omega)
        near = np.abs(root - start) < _MAX_JUMP * np.abs(start)
        k[moving] = np.where(converged & near, root, start)
        return k

    def _iterate(self, start: Complex, omega: Real) -> tuple[Complex, NDArray[np.bool_]]:
        """Steffensen's iteration of the fixed point, all frequencies at once; and where it converged."""
        k = start.copy()
        done = np.zeros(omega.shape, dtype=bool)
        for _ in range(_MAX_STEPS):
            left = np.flatnonzero(~done)
            if not left.size:
                break
            k0, w = k[left], omega[left]
            k1 = self._step(k0, w)
            k2 = self._step(k1, w)
            done[left] = np.abs(k2 - k1) <= _TOLERANCE * np.abs(k2)
            curvature = k2 - 2 * k1 + k0
            with np.errstate(divide="ignore", invalid="ignore"):
                better = k0 - (k1 - k0) ** 2 / curvature
            wild = ~np.isfinite(better) | (np.abs(better - k2) > 0.2 * np.abs(k2))
            k[left] = np.where(done[left], k2, np.where(wild, (k0 + k1) / 2, better))
        no_growth = k.imag <= 1e-9 * np.abs(k.real)  # rounding alone may leave a lossless wave growing
        return np.asarray(k.real - 1j * np.maximum(-k.imag, 0)), done & no_growth & (k.real > 0)

    def _step(self, k: Complex, omega: Real) -> Complex:
        x = self.inner_radius_m * np.sqrt(k**2 - (omega / self.water.speed_m_s) ** 2 + 0j)
        profile = x * ive(0, x) / (2 * ive(1, x))  # 1 for a plane wave; more as pressure gathers at the wall
        wall = self._inside_displacement(k, omega)
        root = np.sqrt(1 + self._compliance(wall) * profile)
        return np.asarray(omega / self.water.speed_m_s * root, dtype=np.complex128)

    def _compliance(self, displacement_m_pa: Complex | complex) -> Complex:
        """Compliance of the wall against that of the water, 2 K w / (a p)."""
        return np.asarray(2 * self.water.bulk_modulus_pa * displacement_m_pa / self.inner_radius_m)

    def _inside_displacement(self, k: Complex, omega: Real) -> Complex:
        """Radial displacement of the bore for each pascal of pressure in the water. [m/Pa]"""
        matrix: Complex = self._stiffness - omega[:, None, None] ** 2 * self._mass
        matrix += (k**4)[:, None, None] * self._bending
        matrix[:, 0, 2] -= 1j * k * self._poisson
        matrix[:, 2, 0] += 1j * k * self._poisson
        matrix[:, 2, 2] += k**2 * self._axial
        if self.soil is not None:
            reaction = soil_stiffness(k, omega, soil=self.soil, radius_m=self.outer_radius_m)
            matrix -= self.outer_radius_m * self._outside.T @ reaction @ self._outside
        load = (self.inner_radius_m * self._inside).astype(complex)
        moved = np.linalg.solve(matrix, np.broadcast_to(load[:, None], (*k.shape, 3, 1)))[..., 0]
        return np.asarray(moved @ self._inside, dtype=np.complex128)
