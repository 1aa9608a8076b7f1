"""Wave speed of a pipe from what a map says about it, with the two parts of its spread."""

from __future__ import annotations

import math
from typing import Literal, get_args

from netcorr.errors import SpeedError
from netcorr.speed.materials import PIPE_MATERIALS, pipe_material, youngs_modulus_pa
from netcorr.speed.section import PipeWall
from netcorr.speed.wall import Wall, wall_thickness
from netcorr.speed.water import TEMPERATURE_RANGE_C, Water, water_at
from netcorr.speed.wave_speed import WaveSpeed

#: How the pipe is held along its axis. The published factors disagree, so both sets are offered by name:
#: 'free', 'one_end' and 'anchored' after Wylie and Streeter; those with 'parmakian' after Parmakian and ASCE
#: (1975), whose pipe anchored throughout has the same factor.
Restraint = Literal["free", "one_end", "anchored", "free_parmakian", "one_end_parmakian"]

#: Group of pipes whose speed was measured.
MEASURED = "measured"
#: Spread of a measured wave speed when none is given, as a share of it (assumption).
_MEASURED_SD = 0.005
#: Spread of the formula itself, common to a material, as a share of the speed (assumption): which restraint
#: holds in the ground is not known (the published factors alone differ by 1 to 1.5 % in iron), and joints,
#: linings and what grows on the wall are not in it.
_FORMULA_SD = 0.02
#: Years outside are taken to be placeholders. Pressure mains of the materials here are not older.
_YEAR_RANGE = (1750.0, 2100.0)


def restraint_factor(restraint: Restraint, poisson_ratio: float) -> float:
    """Anchorage factor of the thin-walled water-hammer formula.

    Parameters
    ----------
    restraint : {'free', 'one_end', 'anchored', 'free_parmakian', 'one_end_parmakian'}
        How the pipe is held along its axis.
    poisson_ratio : float
        Poisson's ratio of the wall.

    Returns
    -------
    float
        Factor on K D / (E e).

    Raises
    ------
    SpeedError
        If there is no such restraint.

    Notes
    -----
    Wylie and Streeter: 1 for expansion joints throughout, 1 - nu/2 for one end anchored, 1 - nu^2 for
    anchored throughout. Parmakian and ASCE: 1 - nu/2 and 5/4 - nu for the first two, the same third.
    The sources disagree and neither is chosen for being right.

    References
    ----------
    Wylie and Streeter (1993), Fluid Transients in Systems; Parmakian (1955), Waterhammer Analysis;
    ASCE (1975), Pipeline Design for Water and Wastewater.

    Examples
    --------
    >>> restraint_factor("anchored", 0.3), restraint_factor("one_end_parmakian", 0.3)
    (0.91, 0.95)
    """
    factors = {
        "free": 1.0,
        "one_end": 1 - poisson_ratio / 2,
        "anchored": 1 - poisson_ratio**2,
        "free_parmakian": 1 - poisson_ratio / 2,
        "one_end_parmakian": 1.25 - poisson_ratio,
    }
    if restraint not in factors:
        raise SpeedError(
            "restraint", found=f"{restraint!r}", remedy=f"give one of {', '.join(get_args(Restraint))}"
        )
    return factors[restraint]


def water_hammer_speed_m_s(
    *,
    inside_diameter_m: float,
    thickness_m: float,
    youngs_modulus_pa: float,
    poisson_ratio: float,
    water: Water,
    restraint: Restraint = "free",
    thick_walled: bool = True,
) -> float:
    """Speed of a pressure wave in a pipe, at low frequency.

    Parameters
    ----------
    inside_diameter_m : float
        Bore D. [m]
    thickness_m : float
        Wall e. [m]
    youngs_modulus_pa : float
        Young's modulus E. [Pa]
    poisson_ratio : float
        Poisson's ratio nu.
    water : Water
        Water in it.
    restraint : str, default 'free'
        How the pipe is held along its axis, see `restraint_factor`.
    thick_walled : bool, default True
        False for the thin-walled form, with which most published tables were made.

    Returns
    -------
    float
        Wave speed. [m/s]

    Raises
    ------
    SpeedError
        If a dimension or the modulus is not positive.

    Notes
    -----
    ``c = c_w / sqrt(1 + c1 K D / (E e))`` with ``c1 = 2 e/D (1 + nu) + psi D / (D + e)``. With psi = 1 it is
    Lame's solution for a thick cylinder that is free to move along its axis. Thin-walled: ``c1 = psi``.

    References
    ----------
    Wylie and Streeter (1993), Fluid Transients in Systems, ch. 1.

    Examples
    --------
    >>> round(water_hammer_speed_m_s(inside_diameter_m=0.158, thickness_m=0.006, youngs_modulus_pa=170e9,
    ...     poisson_ratio=0.28, water=water_at(10.0)), 1)
    1248.4
    """
    if min(inside_diameter_m, thickness_m, youngs_modulus_pa) <= 0:
        raise SpeedError(
            "wave speed",
            found=f"bore {inside_diameter_m} m, wall {thickness_m} m, modulus {youngs_modulus_pa} Pa",
            remedy="give positive numbers",
        )
    d, e = inside_diameter_m, thickness_m
    c1 = restraint_factor(restraint, poisson_ratio)
    if thick_walled:
        c1 = 2 * e / d * (1 + poisson_ratio) + c1 * d / (d + e)
    return water.speed_m_s / math.sqrt(1 + c1 * water.bulk_modulus_pa * d / (youngs_modulus_pa * e))


def pipe_wave_speed(
    material: str | None,
    diameter_mm: float | None,
    *,
    wall_mm: float | None = None,
    year: float | None = None,
    temperature_c: float = 10.0,
    temperature_sd_c: float = 3.0,
    restraint: Restraint = "free",
    wave_speed_m_s: float | None = None,
    wave_speed_sd_m_s: float | None = None,
    item: str = "pipe",
) -> WaveSpeed:
    """Wave speed of a pipe from its material, size and age, or as measured.

    Parameters
    ----------
    material : str or None
        Key of `PIPE_MATERIALS`.
    diameter_mm : float or None
        Nominal diameter, see `wall_thickness`; None or NaN is unknown. [mm]
    wall_mm : float, optional
        Wall thickness; from the standards' tables when None or NaN. [mm]
    year : float, optional
        Year laid; None or NaN is unknown.
    temperature_c : float, default 10
        Temperature of the water, 0 to 40. [deg C]
    temperature_sd_c : float, default 3
        Its standard deviation. [deg C]
    restraint : str, default 'free'
        How the pipe is held along its axis, see `restraint_factor`.
    wave_speed_m_s : float, optional
        Measured wave speed: overrides everything else. None or NaN is unknown. [m/s]
    wave_speed_sd_m_s : float, optional
        Its standard deviation; 0.5 % when None or NaN. [m/s]
    item : str, default 'pipe'
        Which pipe, for messages: ``"mains.gpkg, pipe M-12"``.

    Returns
    -------
    WaveSpeed
        Speed, the part of its spread that all pipes of the material share (modulus, temperature), the part
        of this pipe alone (wall, bedding, age), and what was assumed.

    Raises
    ------
    SpeedError
        If material or diameter is missing or not understood and no wave speed is given, or a value is
        out of range.

    Notes
    -----
    Spreads are propagated linearly, each from its own central difference; the formula adds 2 % of its own.

    Examples
    --------
    >>> speed = pipe_wave_speed("ductile_iron", 150, wall_mm=6.0)
    >>> round(speed.speed_m_s), round(speed.common_sd_m_s), round(speed.pipe_sd_m_s), speed.group
    (1246, 27, 15, 'ductile_iron')
    >>> pipe_wave_speed(None, 150, item="mains.gpkg, pipe M-12")
    Traceback (most recent call last):
    ...
    netcorr.errors.SpeedError: mains.gpkg, pipe M-12: no material; correct it on the map, map its code ...
    """
    measured = _known(wave_speed_m_s)
    if measured is not None:
        return _measured(measured, _known(wave_speed_sd_m_s), item=item)
    key, size_mm = _required(material, diameter_mm, item=item)
    _check_temperature(temperature_c, temperature_sd_c)
    water = water_at(temperature_c)
    year, assumed = _plausible_year(_known(year))
    wall = wall_thickness(key, size_mm, year=year, wall_mm=_known(wall_mm), item=item)
    pipe = _PipeSpeed(key, wall, restraint, year)
    speed = pipe.speed(water)
    return WaveSpeed(
        speed_m_s=speed,
        common_sd_m_s=math.hypot(
            pipe.modulus_sd(water),
            pipe.temperature_sd(temperature_c, temperature_sd_c),
            _FORMULA_SD * speed,
        ),
        pipe_sd_m_s=math.hypot(pipe.wall_sd(water), speed * PIPE_MATERIALS[key].pipe_scatter.value),
        group=key,
        source=f"water-hammer formula, wall {'as given' if wall.source == 'given' else 'by ' + wall.source}",
        assumptions=(
            *assumed,
            *wall.assumptions,
            f"water at {temperature_c:g} ± {temperature_sd_c:g} °C",
            *_soil_assumption(key),
        ),
    )


def pipe_wall(
    material: str | None,
    diameter_mm: float | None,
    *,
    wall_mm: float | None = None,
    year: float | None = None,
    item: str = "pipe",
) -> PipeWall:
    """Wall of a pipe for `pipe_wavenumber`, from what a map says about it.

    Parameters
    ----------
    material : str or None
        Key of `PIPE_MATERIALS`.
    diameter_mm : float or None
        Nominal diameter, see `wall_thickness`. [mm]
    wall_mm : float, optional
        Wall thickness; from the standards' tables when None or NaN. [mm]
    year : float, optional
        Year laid; None or NaN is unknown.
    item : str, default 'pipe'
        Which pipe, for messages.

    Returns
    -------
    PipeWall
        Dimensions and material with the best values of the tables.

    Raises
    ------
    SpeedError
        If material or diameter is missing or not understood.

    Examples
    --------
    >>> wall = pipe_wall("pe100", 110, wall_mm=10.0)
    >>> round(wall.inside_diameter_m, 3), wall.loss_factor
    (0.09, 0.06)
    """
    key, size_mm = _required(material, diameter_mm, item=item)
    year, _ = _plausible_year(_known(year))
    wall = wall_thickness(key, size_mm, year=year, wall_mm=_known(wall_mm), item=item)
    properties = PIPE_MATERIALS[key]
    return PipeWall(
        inside_diameter_m=wall.inside_diameter_mm / 1000,
        thickness_m=wall.thickness_mm / 1000,
        youngs_modulus_pa=youngs_modulus_pa(key, year=year).value,
        poisson_ratio=properties.poisson_ratio.value,
        density_kg_m3=properties.density_kg_m3.value,
        loss_factor=properties.loss_factor.value,
    )


class _PipeSpeed:
    """Speed of one pipe as a function of what is uncertain."""

    def __init__(self, material: str, wall: Wall, restraint: Restraint, year: float | None) -> None:
        self.modulus = youngs_modulus_pa(material, year=year)
        self.poisson_ratio = PIPE_MATERIALS[material].poisson_ratio.value
        self.wall, self.restraint = wall, restraint

    def speed(
        self, water: Water, *, thickness_mm: float | None = None, modulus_pa: float | None = None
    ) -> float:
        wall = self.wall if thickness_mm is None else self.wall.with_thickness(thickness_mm)
        return water_hammer_speed_m_s(
            inside_diameter_m=wall.inside_diameter_mm / 1000,
            thickness_m=wall.thickness_mm / 1000,
            youngs_modulus_pa=self.modulus.value if modulus_pa is None else modulus_pa,
            poisson_ratio=self.poisson_ratio,
            water=water,
            restraint=self.restraint,
        )

    def modulus_sd(self, water: Water) -> float:
        value, sd = self.modulus.value, self.modulus.sd
        high = self.speed(water, modulus_pa=value + sd)
        return abs(high - self.speed(water, modulus_pa=value - sd)) / 2

    def wall_sd(self, water: Water) -> float:
        thickness, sd = self.wall.thickness_mm, self.wall.sd_mm
        high = self.speed(water, thickness_mm=thickness + sd)
        return abs(high - self.speed(water, thickness_mm=thickness - sd)) / 2

    def temperature_sd(self, temperature_c: float, sd_c: float) -> float:
        low, high = TEMPERATURE_RANGE_C
        below, above = max(temperature_c - 0.5, low), min(temperature_c + 0.5, high)
        slope = (self.speed(water_at(above)) - self.speed(water_at(below))) / (above - below)
        return abs(slope) * sd_c


def _known(value: float | None) -> float | None:
    return None if value is None or math.isnan(value) else float(value)


def _required(material: str | None, diameter_mm: float | None, *, item: str) -> tuple[str, float]:
    remedy = "correct it on the map, map its code or column in a mapping file, or give wave_speed"
    if material is None:
        raise SpeedError(item, found="no material", remedy=remedy)
    size_mm = _known(diameter_mm)
    if size_mm is None:
        raise SpeedError(item, found="no diameter", remedy=remedy)
    pipe_material(material, item=item)
    return material, size_mm


def _measured(speed_m_s: float, sd_m_s: float | None, *, item: str) -> WaveSpeed:
    assumed = () if sd_m_s is not None else ("measured wave speed taken to be right within 0.5 %",)
    sd = sd_m_s if sd_m_s is not None else _MEASURED_SD * abs(speed_m_s)
    try:
        return WaveSpeed(speed_m_s, 0.0, sd, MEASURED, MEASURED, assumed)
    except SpeedError as error:
        raise SpeedError(f"{item}, wave_speed", found=error.found, remedy=error.remedy) from error


def _check_temperature(temperature_c: float, temperature_sd_c: float) -> None:
    water_at(temperature_c)
    if not (math.isfinite(temperature_sd_c) and temperature_sd_c >= 0):
        raise SpeedError(
            "water temperature, standard deviation",
            found=f"{temperature_sd_c} deg C",
            remedy="give 0 or a positive number",
        )


def _plausible_year(year: float | None) -> tuple[float | None, tuple[str, ...]]:
    low, high = _YEAR_RANGE
    if year is None or low <= year <= high:
        return year, ()
    return None, (f"year {year:g} is not a year a main was laid in and was taken as unknown",)


def _soil_assumption(material: str) -> tuple[str, ...]:
    if not PIPE_MATERIALS[material].is_plastic:
        return ()
    return ("soil gripping a plastic pipe may raise its speed by a tenth to a fifth; better measure it",)
