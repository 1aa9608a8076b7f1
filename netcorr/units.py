"""Units: SI inside, converted once at the door.

Base constants are exact by definition (international yard and pound agreement, 1959;
NIST SP 811); everything else is computed from them.
"""

from __future__ import annotations

import math
from typing import Literal

#: The two systems a user may read results in.
UnitSystem = Literal["metric", "us"]

INCH_M = 0.0254
FOOT_M = 12 * INCH_M
NEPER_DB = 20 / math.log(10)


def feet_and_inches(length_m: float) -> str:
    r"""Length as a tape measure shows it, to the nearest inch.

    Parameters
    ----------
    length_m : float
        Length. [m]

    Returns
    -------
    str
        Feet and inches.

    Examples
    --------
    >>> feet_and_inches(1.8288), feet_and_inches(9.57), feet_and_inches(-0.31)
    ('6\' 0"', '31\' 5"', '-1\' 0"')
    """
    inches = round(abs(length_m) / INCH_M)
    sign = "-" if length_m < 0 and inches else ""
    return f"{sign}{inches // 12}' {inches % 12}\""


def format_length(length_m: float, system: UnitSystem) -> str:
    r"""Length along the ground as the user's crew would measure it.

    Parameters
    ----------
    length_m : float
        Length. [m]
    system : {'metric', 'us'}
        Metres to a centimetre below 10 m and a decimetre above, or feet and inches.

    Returns
    -------
    str
        Number with its unit.

    Examples
    --------
    >>> format_length(31.42, "metric"), format_length(3.456, "metric"), format_length(31.42, "us")
    ('31.4 m', '3.46 m', '103\' 1"')
    """
    if system == "us":
        return feet_and_inches(length_m)
    return f"{length_m:.2f} m" if abs(length_m) < 10 else f"{length_m:.1f} m"


def format_diameter(diameter_mm: float, system: UnitSystem) -> str:
    """Nominal diameter of a pipe.

    Parameters
    ----------
    diameter_mm : float
        Diameter. [mm]
    system : {'metric', 'us'}
        Millimetres or inches.

    Returns
    -------
    str
        Number with its unit.

    Examples
    --------
    >>> format_diameter(150, "metric"), format_diameter(152.4, "us")
    ('150 mm', '6 in')
    """
    if system == "us":
        return f"{round(diameter_mm / 1000 / INCH_M, 1):g} in"
    return f"{diameter_mm:.0f} mm"


def format_speed(speed_m_s: float, system: UnitSystem) -> str:
    """Wave speed.

    Parameters
    ----------
    speed_m_s : float
        Speed. [m/s]
    system : {'metric', 'us'}
        Metres or feet a second.

    Returns
    -------
    str
        Number with its unit.

    Examples
    --------
    >>> format_speed(1250.0, "metric"), format_speed(1250.0, "us")
    ('1250 m/s', '4101 ft/s')
    """
    return f"{speed_m_s / FOOT_M:.0f} ft/s" if system == "us" else f"{speed_m_s:.0f} m/s"


def format_count(number: int, noun: str) -> str:
    """Number of things, the noun in the singular for one.

    Examples
    --------
    >>> format_count(1, "pair"), format_count(0, "pair"), format_count(12, "dug candidate")
    ('1 pair', '0 pairs', '12 dug candidates')
    """
    return f"{number} {noun}{'' if number == 1 else 's'}"
