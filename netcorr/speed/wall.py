"""Wall thickness from the standards' tables, by material, size and era."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from netcorr.errors import SpeedError
from netcorr.speed.materials import PIT_CAST_UNTIL, SPUN_FROM, pipe_material
from netcorr.speed.wall_tables import (
    CAST_IRON_OUTSIDE_IN,
    COPPER_B88_IN,
    COPPER_EN1057_MM,
    DUCTILE_CLASS_51_IN,
    DUCTILE_OUTSIDE_MM,
    DUCTILE_PRESSURE_CLASS_IN,
    IRON_PIPE_SIZE_OUTSIDE_IN,
    PIT_CAST_CLASS_B_IN,
    PIT_CAST_CLASS_C_IN,
    SMALL_NPS_TO_DN,
    SPUN_GREY_WALL_IN,
    STEEL_MAIN_WALL_MM,
    STEEL_OUTSIDE_MM,
    STEEL_STD_WALL_MM,
)
from netcorr.units import INCH_M

_INCH_MM = INCH_M * 1000
#: Smallest and largest nominal diameter that the tables are stretched to. [mm]
_DIAMETER_RANGE_MM: Mapping[str, tuple[float, float]] = {
    "grey_iron": (40, 1500),
    "ductile_iron": (40, 2000),
    "steel": (15, 2500),
    "asbestos_cement": (40, 1500),
    "pvc": (12, 1200),
    "pvc_o": (40, 1200),
    "pe": (12, 2000),
    "pe80": (12, 2000),
    "pe100": (12, 2000),
    "concrete": (150, 4000),
    "copper": (6, 250),
    "lead": (6, 200),
    "grp": (80, 4000),
}
#: A wall given by the map or measured is taken to be right within this share.
_GIVEN_WALL_SD = 0.05


@dataclass(frozen=True)
class Wall:
    """Wall of a pipe.

    Attributes
    ----------
    thickness_mm : float
        Wall thickness. [mm]
    sd_mm : float
        Its standard deviation, doubt about class and era included. [mm]
    outside_diameter_mm : float
        Outside diameter. [mm]
    inside_diameter_mm : float
        Bore, without lining. [mm]
    source : str
        Standard and rule.
    bore_is_nominal : bool
        Which diameter stays when the wall changes: the bore, or else the outside.
    assumptions : tuple of str
        What had to be assumed, one sentence each.

    Raises
    ------
    SpeedError
        If the dimensions are not those of a pipe.
    """

    thickness_mm: float
    sd_mm: float
    outside_diameter_mm: float
    inside_diameter_mm: float
    source: str
    bore_is_nominal: bool = False
    assumptions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        sizes = (self.thickness_mm, self.sd_mm, self.outside_diameter_mm, self.inside_diameter_mm)
        gap = self.outside_diameter_mm - self.inside_diameter_mm - 2 * self.thickness_mm
        positive = all(size > 0 for size in (sizes[0], *sizes[2:])) and self.sd_mm >= 0
        if not (positive and all(math.isfinite(size) for size in sizes)):
            raise SpeedError("wall", found=f"dimensions {sizes} mm", remedy="give positive dimensions")
        if abs(gap) > 1e-6 * self.outside_diameter_mm:
            raise SpeedError(
                "wall",
                found=f"outside {sizes[2]:g}, bore {sizes[3]:g} and wall {sizes[0]:g} mm do not add up",
                remedy="outside diameter must be bore plus twice the wall",
            )

    def with_thickness(self, thickness_mm: float) -> Wall:
        """Return the same pipe with another wall; outside or bore stays, whichever is fixed."""
        if self.bore_is_nominal:
            outside, inside = self.inside_diameter_mm + 2 * thickness_mm, self.inside_diameter_mm
        else:
            outside, inside = self.outside_diameter_mm, self.outside_diameter_mm - 2 * thickness_mm
        return replace(
            self, thickness_mm=thickness_mm, outside_diameter_mm=outside, inside_diameter_mm=inside
        )


def wall_thickness(
    material: str,
    diameter_mm: float,
    *,
    year: float | None = None,
    wall_mm: float | None = None,
    item: str = "pipe",
) -> Wall:
    """Wall thickness of a pipe from the standards' tables.

    Parameters
    ----------
    material : str
        Key of `PIPE_MATERIALS`.
    diameter_mm : float
        Nominal diameter. Metals, asbestos cement, concrete, lead and GRP: nominal size DN, near the bore.
        PVC, PE and copper in the metric series: outside diameter. A whole number of inches (a quarter below
        2 in) is an American size, for which the American tables are used. [mm]
    year : float, optional
        Year laid; NaN is unknown. It decides between standards where they changed.
    wall_mm : float, optional
        Wall as the map gives it; NaN is unknown. Diameters then follow from the tables. [mm]
    item : str, default 'pipe'
        What has this wall, for messages.

    Returns
    -------
    Wall
        Thickness with its spread, diameters, source. Sizes between two of a table are interpolated,
        beyond its ends extrapolated.

    Raises
    ------
    SpeedError
        If the material is unknown, no pipe of it has this diameter, or the wall is no wall for it.

    Examples
    --------
    >>> wall = wall_thickness("ductile_iron", 150, year=1998)
    >>> wall.thickness_mm, wall.outside_diameter_mm, wall.source
    (6.0, 170.0, 'EN 545 / ISO 2531 class K9')
    >>> round(wall_thickness("pe100", 110, wall_mm=10.0).inside_diameter_mm)
    90
    """
    pipe_material(material, item=item)
    low, high = _DIAMETER_RANGE_MM[material]
    if not (math.isfinite(diameter_mm) and low <= diameter_mm <= high):
        raise SpeedError(
            item,
            found=f"diameter {diameter_mm:g} mm",
            remedy=f"{material} pipes are {low:g} to {high:g} mm; check the value and its unit on the map",
        )
    known_year = year if year is not None and math.isfinite(year) else None
    wall = _table_wall(material, float(diameter_mm), known_year)
    if wall_mm is None or math.isnan(wall_mm):
        return wall
    if not (0.004 * wall.outside_diameter_mm <= wall_mm <= 0.3 * wall.outside_diameter_mm):
        raise SpeedError(
            item,
            found=f"wall of {wall_mm:g} mm on a pipe of {wall.outside_diameter_mm:.0f} mm",
            remedy="check wall and diameter and their units on the map",
        )
    given = wall.with_thickness(float(wall_mm))
    return replace(given, sd_mm=_GIVEN_WALL_SD * wall_mm, source="given", assumptions=())


@lru_cache(maxsize=4096)
def _table_wall(material: str, diameter_mm: float, year: float | None) -> Wall:
    """Look a wall up once: a map has thousands of pipes of a few dozen kinds."""
    return _RULES[material](diameter_mm, year)


def american_size_in(diameter_mm: float) -> float | None:
    """Nominal size in inches when a diameter is an American one.

    Parameters
    ----------
    diameter_mm : float
        Nominal diameter. [mm]

    Returns
    -------
    float or None
        Whole inches from 2 in (within 0.5 mm, as maps round them), quarters below (within 0.05 mm).

    Examples
    --------
    >>> american_size_in(152.4), american_size_in(203), american_size_in(150), american_size_in(19.05)
    (6.0, 8.0, None, 0.75)
    """
    inches = diameter_mm / _INCH_MM
    step, tolerance_mm = (1.0, 0.5) if inches > 1.9 else (0.25, 0.05)
    nearest = round(inches / step) * step
    return nearest if nearest > 0 and abs(inches - nearest) * _INCH_MM <= tolerance_mm else None


def _grey_iron(diameter_mm: float, year: float | None) -> Wall:
    """Pit-cast or spun by year; between the two when not known."""
    inches = diameter_mm / _INCH_MM
    class_b = _interpolate({size: (o - i) / 2 for size, (o, i) in PIT_CAST_CLASS_B_IN.items()}, inches)
    class_c = _interpolate({size: (o - i) / 2 for size, (o, i) in PIT_CAST_CLASS_C_IN.items()}, inches)
    pit, spun = (class_b + class_c) / 2, _interpolate(SPUN_GREY_WALL_IN, inches)
    source = "AWWA 1908 pit-cast classes B and C and spun class 150"
    if year is not None and year < PIT_CAST_UNTIL:
        chosen, sd, source = pit, 0.12 * pit, "AWWA 1908 pit-cast, between classes B and C"
    elif year is not None and year > SPUN_FROM:
        chosen, sd, source = spun, 0.12 * spun, "AWWA spun grey iron class 150"
    else:
        chosen = (pit + spun) / 2
        sd = math.hypot(0.12 * chosen, (pit - spun) / 2)
    outside = _interpolate(CAST_IRON_OUTSIDE_IN, inches)
    assumed = () if year is not None else ("year unknown: wall between pit-cast and spun grey iron",)
    return _from_outside(outside * _INCH_MM, chosen * _INCH_MM, sd * _INCH_MM, source=source, assumed=assumed)


def _ductile_iron(diameter_mm: float, year: float | None) -> Wall:
    inches = american_size_in(diameter_mm)
    if inches is not None:
        return _ductile_american(inches, year)
    outside = _interpolate(DUCTILE_OUTSIDE_MM, diameter_mm)
    k9 = max(6.0, 9 * (0.5 + 0.001 * diameter_mm))
    c = _preferred_class_nominal_mm(diameter_mm, outside)
    # K9 was the usual class up to EN 545:2006; EN 545:2010 and ISO 2531:2009 went over to pressure classes.
    if year is not None and year < 2006:
        return _from_outside(outside, round(k9 + 1e-9, 1), 0.08 * k9, source="EN 545 / ISO 2531 class K9")
    if year is not None and year > 2012:
        return _from_outside(
            outside, c, 0.10 * c, source="EN 545:2010 preferred pressure class, nominal wall"
        )
    middle = (k9 + c) / 2
    sd = math.hypot(0.08 * middle, abs(k9 - c) / 2)
    assumed = "year unknown or at the change of standard: wall between class K9 and the pressure classes"
    return _from_outside(
        outside, middle, sd, source="EN 545 class K9 and EN 545:2010 classes", assumed=(assumed,)
    )


def _preferred_class_nominal_mm(diameter_mm: float, outside_mm: float) -> float:
    """Nominal wall of EN 545:2010: the least wall plus the casting tolerance 1.3 mm + 0.001 DN (memory).

    The least wall follows from the class pressure, three times as safety, and 420 MPa; 3.0 mm at the least.
    Preferred are class 40 to DN 300, 30 to DN 600 and 25 above.
    """
    pressure_bar = 40 if diameter_mm <= 300 else 30 if diameter_mm <= 600 else 25
    least = pressure_bar * 3 * outside_mm / (20 * 420 + pressure_bar * 3)
    return max(3.0, least) + 1.3 + 0.001 * diameter_mm


def _ductile_american(inches: float, year: float | None) -> Wall:
    outside = _interpolate(CAST_IRON_OUTSIDE_IN, inches)
    old = _interpolate(DUCTILE_CLASS_51_IN, inches)
    new = _interpolate(DUCTILE_PRESSURE_CLASS_IN, inches)
    source = "ANSI/AWWA C151 pressure class 350, above 12 in 250"
    assumed: tuple[str, ...] = ()
    if year is not None and year >= 1991:
        chosen, sd = new, 0.08 * new
    elif year is not None:
        chosen, sd, source = old, 0.10 * old, "ANSI/AWWA C151 thickness class 51"
    else:
        chosen = (old + new) / 2
        sd = math.hypot(0.08 * chosen, (old - new) / 2)
        source = "ANSI/AWWA C151 thickness class 51 and pressure classes"
        assumed = ("year unknown: wall between thickness class 51 and the pressure classes",)
    return _from_outside(outside * _INCH_MM, chosen * _INCH_MM, sd * _INCH_MM, source=source, assumed=assumed)


def _steel(diameter_mm: float, _year: float | None) -> Wall:
    inches = american_size_in(diameter_mm)
    if inches is not None:
        dn = SMALL_NPS_TO_DN.get(inches, 25 * inches)
        table, source = STEEL_STD_WALL_MM, "ASME B36.10M standard weight"
    else:
        dn, table, source = diameter_mm, STEEL_MAIN_WALL_MM, "usual welded steel main, metric series"
    wall = _interpolate(table, dn)
    assumed = (f"steel wall assumed ({source}); thinner and thicker mains are common",)
    return _from_outside(
        _interpolate(STEEL_OUTSIDE_MM, dn), wall, 0.22 * wall, source=source, assumed=assumed
    )


def _asbestos_cement(diameter_mm: float, _year: float | None) -> Wall:
    """Walls of the usual pressure classes: 0.6 in at 6 in, growing a little slower than the bore."""
    wall = 3.0 + 0.08 * diameter_mm
    return _from_bore(
        diameter_mm, wall, 0.18 * wall, source="usual asbestos-cement pressure pipe, approximate"
    )


def _pvc(diameter_mm: float, _year: float | None) -> Wall:
    inches = american_size_in(diameter_mm)
    if inches is not None and inches >= 4:
        outside = _interpolate(CAST_IRON_OUTSIDE_IN, inches) * _INCH_MM
        return _plastic(outside, ratio=18, spread=0.13, source="AWWA C900 DR 18")
    if inches is not None:
        outside = _interpolate(IRON_PIPE_SIZE_OUTSIDE_IN, inches) * _INCH_MM
        return _plastic(outside, ratio=21, spread=0.18, source="ASTM D2241 SDR 21")
    return _plastic(diameter_mm, ratio=21, spread=0.15, source="EN ISO 1452 SDR 21 (between 17 and 26)")


def _pvc_o(diameter_mm: float, _year: float | None) -> Wall:
    inches = american_size_in(diameter_mm)
    if inches is not None and inches >= 4:
        outside = _interpolate(CAST_IRON_OUTSIDE_IN, inches) * _INCH_MM
        return _plastic(outside, ratio=26, spread=0.15, source="AWWA C909, about DR 26 (memory)")
    return _plastic(diameter_mm, ratio=38, spread=0.15, source="ISO 16422 class 500, about SDR 38 (memory)")


def _pe(diameter_mm: float, _year: float | None) -> Wall:
    """SDR 11 and 17 are both common; small pipes are nearly all SDR 11 (common practice)."""
    share_sdr11 = 0.95 if diameter_mm <= 75 else 0.65 if diameter_mm <= 180 else 0.35
    inverse = share_sdr11 / 11 + (1 - share_sdr11) / 17
    doubt = math.sqrt(share_sdr11 * (1 - share_sdr11)) * (1 / 11 - 1 / 17) / inverse
    outside = _plastic_outside_mm(diameter_mm)
    return _plastic(
        outside, ratio=1 / inverse, spread=math.hypot(doubt, 0.04), source="ISO 4427 SDR 11 and 17"
    )


def _concrete(diameter_mm: float, _year: float | None) -> Wall:
    """Wall B of ASTM C76: a twelfth of the bore and one inch."""
    wall = diameter_mm / 12 + _INCH_MM
    return _from_bore(diameter_mm, wall, 0.22 * wall, source="ASTM C76 wall B, approximate for pressure pipe")


def _copper(diameter_mm: float, _year: float | None) -> Wall:
    inches = american_size_in(diameter_mm)
    if inches is not None and inches <= 4:
        outside = _interpolate({size: row[0] for size, row in COPPER_B88_IN.items()}, inches)
        wall = _interpolate({size: (row[1] + row[2]) / 2 for size, row in COPPER_B88_IN.items()}, inches)
        return _from_outside(
            outside * _INCH_MM,
            wall * _INCH_MM,
            0.15 * wall * _INCH_MM,
            source="ASTM B88 between types K and L",
        )
    wall = _interpolate(COPPER_EN1057_MM, diameter_mm)
    return _from_outside(diameter_mm, wall, 0.15 * wall, source="EN 1057 usual wall")


def _lead(diameter_mm: float, _year: float | None) -> Wall:
    """About 6 mm on a bore of 25 mm (common practice)."""
    wall = 0.24 * diameter_mm
    return _from_bore(diameter_mm, wall, 0.25 * wall, source="usual lead service pipe, approximate")


def _grp(diameter_mm: float, _year: float | None) -> Wall:
    """Stiffness class SN 10000 of ISO 10639: E (e/D)^3 / 12 = 10 kPa, with the hoop modulus of the table."""
    modulus = pipe_material("grp").youngs_modulus_pa.value
    ratio = (12 * 10e3 / modulus) ** (1 / 3)
    return _from_outside(
        diameter_mm, ratio * diameter_mm, 0.18 * ratio * diameter_mm, source="ISO 10639 stiffness SN 10000"
    )


_RULES: Mapping[str, Callable[[float, float | None], Wall]] = {
    "grey_iron": _grey_iron,
    "ductile_iron": _ductile_iron,
    "steel": _steel,
    "asbestos_cement": _asbestos_cement,
    "pvc": _pvc,
    "pvc_o": _pvc_o,
    "pe": _pe,
    "pe80": _pe,
    "pe100": _pe,
    "concrete": _concrete,
    "copper": _copper,
    "lead": _lead,
    "grp": _grp,
}


def _plastic_outside_mm(diameter_mm: float) -> float:
    """Outside diameter of PE: itself in mm; ductile-iron sizes from 4 in, iron-pipe sizes below."""
    inches = american_size_in(diameter_mm)
    if inches is None:
        return diameter_mm
    table = CAST_IRON_OUTSIDE_IN if inches >= 4 else IRON_PIPE_SIZE_OUTSIDE_IN
    return _interpolate(table, inches) * _INCH_MM


def _plastic(outside_mm: float, *, ratio: float, spread: float, source: str) -> Wall:
    wall = outside_mm / ratio
    assumed = f"pressure class unknown: wall of {source} assumed"
    return _from_outside(outside_mm, wall, spread * wall, source=source, assumed=(assumed,))


def _from_outside(
    outside_mm: float, wall_mm: float, sd_mm: float, *, source: str, assumed: tuple[str, ...] = ()
) -> Wall:
    return Wall(wall_mm, sd_mm, outside_mm, outside_mm - 2 * wall_mm, source, assumptions=assumed)


def _from_bore(bore_mm: float, wall_mm: float, sd_mm: float, *, source: str) -> Wall:
    assumed = (f"wall assumed: {source}",)
    return Wall(
        wall_mm, sd_mm, bore_mm + 2 * wall_mm, bore_mm, source, bore_is_nominal=True, assumptions=assumed
    )


def _interpolate(table: Mapping[float, float] | Mapping[int, float], size: float) -> float:
    """Interpolate a table, in proportion to the size below it and along its last step above it."""
    sizes, values = np.array(list(table), dtype=float), np.array(list(table.values()), dtype=float)
    if size < sizes[0]:
        return float(values[0] * max(size / sizes[0], 0.5))
    if size > sizes[-1]:
        slope = (values[-1] - values[-2]) / (sizes[-1] - sizes[-2])
        return float(values[-1] + slope * (size - sizes[-1]))
    return float(np.interp(size, sizes, values))
