"""Fresh water: sound speed, density and adiabatic bulk modulus from the temperature."""

from __future__ import annotations

import math
from dataclasses import dataclass

from netcorr.errors import SpeedError

#: Range of `water_at`. Both polynomials hold further (to 95 and 150), drinking water does not. [deg C]
TEMPERATURE_RANGE_C = (0.0, 40.0)

#: Marczak W. (1997), Water as a standard in the measurements of speed of sound in liquids,
#: J. Acoust. Soc. Am. 102, 2776-2779, eq. 1: pure water at atmospheric pressure, 0 to 95 deg C, ITS-90.
#: Agrees with IAPWS-95 within 0.04 m/s over 0 to 40 deg C.
_MARCZAK_1997 = (1.402385e3, 5.038813, -5.799136e-2, 3.287156e-4, -1.398845e-6, 2.787860e-9)

#: Kell G.S. (1975), Density, thermal expansivity, and compressibility of liquid water from 0 to 150 deg C,
#: J. Chem. Eng. Data 20, 97-105, eq. 16: air-free water at 1 atm. Numerator, and slope of the denominator.
_KELL_1975 = (999.83952, 16.945176, -7.9870401e-3, -46.170461e-6, 105.56302e-9, -280.54253e-12)
_KELL_1975_DENOMINATOR = 16.879850e-3


@dataclass(frozen=True)
class Water:
    """Water as the wave feels it.

    Attributes
    ----------
    speed_m_s : float
        Speed of sound in open water. [m/s]
    density_kg_m3 : float
        Density. [kg/m3]

    Raises
    ------
    SpeedError
        If a value is not that of a liquid: speed 500 to 2500 m/s, density 500 to 2000 kg/m3.
    """

    speed_m_s: float
    density_kg_m3: float

    def __post_init__(self) -> None:
        for name, value, low, high in (
            ("sound speed [m/s]", self.speed_m_s, 500, 2500),
            ("density [kg/m3]", self.density_kg_m3, 500, 2000),
        ):
            if not (math.isfinite(value) and low <= value <= high):
                raise SpeedError(
                    f"water, {name}", found=f"{value}", remedy=f"give a number from {low} to {high}"
                )

    @property
    def bulk_modulus_pa(self) -> float:
        """Adiabatic bulk modulus, density times speed squared. [Pa]"""
        return self.density_kg_m3 * self.speed_m_s**2


def water_at(temperature_c: float) -> Water:
    """Fresh water at a temperature and near atmospheric pressure.

    Parameters
    ----------
    temperature_c : float
        Temperature of the water, 0 to 40. [deg C]

    Returns
    -------
    Water
        Its sound speed and density.

    Raises
    ------
    SpeedError
        If the temperature is not from 0 to 40 deg C.

    Notes
    -----
    Mains pressure is left out: 0.5 MPa adds 0.8 m/s (IAPWS-95), 0.06 %. So are dissolved salts and air;
    bubbles of free air would lower the speed strongly.

    References
    ----------
    Sound speed: Marczak (1997), J. Acoust. Soc. Am. 102, 2776-2779.
    Density: Kell (1975), J. Chem. Eng. Data 20, 97-105.

    Examples
    --------
    >>> water = water_at(10.0)
    >>> round(water.speed_m_s, 3), round(water.density_kg_m3, 2), round(water.bulk_modulus_pa / 1e9, 3)
    (1447.289, 999.7, 2.094)
    """
    low, high = TEMPERATURE_RANGE_C
    if not (math.isfinite(temperature_c) and low <= temperature_c <= high):
        raise SpeedError(
            "water temperature",
            found=f"{temperature_c} deg C",
            remedy=f"give the temperature of the water in the main in deg C, from {low:g} to {high:g}",
        )
    density = _polynomial(_KELL_1975, temperature_c) / (1 + _KELL_1975_DENOMINATOR * temperature_c)
    return Water(speed_m_s=_polynomial(_MARCZAK_1997, temperature_c), density_kg_m3=density)


def _polynomial(coefficients: tuple[float, ...], x: float) -> float:
    value = 0.0
    for coefficient in reversed(coefficients):
        value = value * x + coefficient
    return value
