"""How far things on the map may lie apart and still be meant as one."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

from netcorr.errors import NetworkError

#: What lies this close together on a main is one place, whatever the tolerances. [m]
SAME_PLACE_M = 0.01


@dataclass(frozen=True)
class Tolerances:
    """Ground distances within which a network is repaired.

    Attributes
    ----------
    join_m : float
        Ends of mains this near to each other (or a centimetre) are one joint. A whole metre eats short pipes
        and valve links on real maps; a decimetre or five with cutting does not. [m]
    cut_m : float
        A main is cut where another's end lies this near to it. [m]
    fitting_m : float
        A fitting this near to a main sits on it. Valves are drawn some decimetres off, hydrants a few
        metres; what is farther off is more likely on a main that is missing. [m]
    overshoot_m : float
        A free end that runs past another main by no more than this, along its own, was meant to end on
        it. The crossing itself speaks for a joint, so this may be more than `cut_m`. [m]

    Examples
    --------
    >>> Tolerances(join_m=0.5)
    Tolerances(join_m=0.5, cut_m=0.2, fitting_m=5.0, overshoot_m=0.5)
    """

    join_m: float = 0.2
    cut_m: float = 0.2
    fitting_m: float = 5.0
    overshoot_m: float = 0.5

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if not (math.isfinite(value) and value >= 0):
                raise NetworkError(
                    f"tolerance {field.name}",
                    found=f"{value}",
                    remedy="give 0 or a positive length in metres",
                )

    @property
    def end_m(self) -> float:
        """Distance within which ends, or places along a main, are one: `join_m`, at least 1 cm. [m]"""
        return max(self.join_m, SAME_PLACE_M)
