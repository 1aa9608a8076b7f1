"""How far apart two loggers may stand, by material and size: common practice to start with, or as measured.

What carries is a budget in dB: the leak's noise over the background where it arises, and what the length of
the recording gains. Pipe, tees and fittings on the way spend it. Common practice says how far that goes on a
main of a usual size; the attenuation of the buried pipe (`netcorr.planning.attenuation`) says how it changes
with the size, and the budget how it changes with loudness and time.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from netcorr.errors import PlanError
from netcorr.planning.attenuation import size_factor
from netcorr.planning.measured_reach import MeasuredReach

#: Longest main between two loggers, by material. [m] Common practice of the trade: some 120 to 150 m between
#: sensors on iron, a fraction of that on plastic. What lies between is placed by how much its wall gives way
#: (asbestos cement and concrete nearer to iron, lead and glass fibre nearer to plastic). Not measured values:
#: where a utility knows better from its own surveys, it gives its own.
COMMON_REACH_M: Mapping[str, float] = MappingProxyType(
    {
        "grey_iron": 135.0,
        "ductile_iron": 135.0,
        "steel": 135.0,
        "copper": 120.0,
        "asbestos_cement": 100.0,
        "concrete": 100.0,
        "lead": 60.0,
        "grp": 60.0,
        "pvc": 50.0,
        "pvc_o": 50.0,
        "pe": 40.0,
        "pe80": 40.0,
        "pe100": 40.0,
    }
)
#: A main of unknown material is planned like the worst: hearing more than expected does no harm.
UNKNOWN = "unknown"
_UNKNOWN_M = min(COMMON_REACH_M.values())


#: A correlation peak counts when it stands so many standard deviations above noise ...
_PEAK_SD = 6.0
#: ... in a band so wide, which plastic leaves of leak noise (ASSUMPTION; iron leaves more). [Hz]
_BAND_WIDTH_HZ = 120.0


@dataclass(frozen=True)
class SoundBudget:
    """What a leak's noise may lose on the way from beside one logger to the other, and still be located.

    Attributes
    ----------
    source_db : float
        Level of the leak's noise over the background, at the leak and in its band. The default is an
        ASSUMPTION, the usual leak of a rehearsal. [dB]
    recording_s : float
        Length of a recording. [s]

    Raises
    ------
    PlanError
        If a number cannot be right, or a leak so quiet is not heard at any distance.

    Notes
    -----
    The hardest leak is the one beside one of the two sensors: with a signal-to-noise ratio s at the other
    one, the coherence is about s / (1 + s), and the peak of the correlation stands
    ``sqrt(2 B T C / (1 - C))`` standard deviations above noise (band B, length T): s must be
    ``36 / (2 B T)``.

    References
    ----------
    Knapp, C. and Carter, G. (1976). The generalized correlation method for estimation of time delay. IEEE
    Trans. Acoust. Speech Signal Process. 24(4), 320-327.

    Examples
    --------
    >>> round(SoundBudget().budget_db, 1), round(SoundBudget(recording_s=40.0).budget_db, 1)
    (28.2, 34.3)
    """

    source_db: float = 10.0
    recording_s: float = 10.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.source_db) and 0 < self.recording_s < math.inf):
            raise PlanError(
                "budget of sound",
                found=f"{self.source_db:g} dB, recordings of {self.recording_s:g} s",
                remedy="give a level and a length above 0 s",
            )
        if self.budget_db <= 0:
            raise PlanError(
                "budget of sound",
                found=f"a leak {self.source_db:g} dB over the background is not heard in "
                f"{self.recording_s:g} s at any distance: the reach is 0 m",
                remedy="record longer, or plan for a louder leak",
            )

    @property
    def threshold_db(self) -> float:
        """Least signal-to-noise ratio at the farther logger. [dB]"""
        return 10 * math.log10(_PEAK_SD**2 / (2 * _BAND_WIDTH_HZ * self.recording_s))

    @property
    def budget_db(self) -> float:
        """What may be lost on the way. [dB]"""
        return self.source_db - self.threshold_db


#: What common practice is taken to hold for.
COMMON_BUDGET = SoundBudget()


@dataclass(frozen=True)
class ReachTable:
    """Reach by material and size.

    Attributes
    ----------
    by_material_m : mapping of str to float
        Longest path between two loggers when all of it is of that material. [m]
    unknown_m : float
        The same where the material is not known. [m]
    given : frozenset of str
        Materials whose reach was given and is not common practice: it holds for all sizes and any budget.
    budget : SoundBudget
        Reach of common practice grows and shrinks with it.
    measured : tuple of MeasuredReach
        Reach that earlier surveys found; takes the place of common practice where it holds.

    Raises
    ------
    PlanError
        If a reach is not above 0 m.
    """

    by_material_m: Mapping[str, float] = field(default_factory=lambda: COMMON_REACH_M)
    unknown_m: float = _UNKNOWN_M
    given: frozenset[str] = field(default_factory=frozenset)
    budget: SoundBudget = COMMON_BUDGET
    measured: tuple[MeasuredReach, ...] = ()

    def __post_init__(self) -> None:
        for material, reach_m in {**self.by_material_m, UNKNOWN: self.unknown_m}.items():
            if not 0 < reach_m < float("inf"):
                raise PlanError(
                    f"reach on {material}", found=f"{reach_m:g} m", remedy="give a length above 0 m"
                )

    def reach_m(self, material: str | None, *, diameter_mm: float | None = None) -> float:
        """Longest path between two loggers on a main without tees or fittings.

        Parameters
        ----------
        material : str or None
            Key of the material vocabulary.
        diameter_mm : float, optional
            Nominal diameter; None or NaN is unknown, and common practice holds as it is. [mm]

        Returns
        -------
        float
            Measured, given, or common practice for this size and budget: never more than common practice says
            for the usual budget. [m]

        Examples
        --------
        >>> table = ReachTable()
        >>> round(table.reach_m("ductile_iron", diameter_mm=150)), round(
        ...     table.reach_m("ductile_iron", diameter_mm=300))
        (135, 75)
        """
        found = [one for one in self.measured if one.holds_for(material, diameter_mm=diameter_mm)]
        if found:
            return min(one.reach_m for one in found)
        common_m = self.by_material_m.get(material or UNKNOWN, self.unknown_m)
        if (material or UNKNOWN) in self.given:
            return common_m
        share = self.budget.budget_db / COMMON_BUDGET.budget_db
        return common_m * share * size_factor(material, diameter_mm)

    def source_of(self, material: str | None, *, diameter_mm: float | None = None) -> str:
        """Where the reach comes from, in words: measured, given, or common practice."""
        if any(one.holds_for(material, diameter_mm=diameter_mm) for one in self.measured):
            return "measured"
        return "given" if (material or UNKNOWN) in self.given else "common practice"

    @classmethod
    def with_own(cls, own_m: Mapping[str, float]) -> ReachTable:
        """Common practice, but for materials whose reach is given; ``all`` stands for every material.

        Parameters
        ----------
        own_m : mapping of str to float
            Reach by key of the material, ``unknown``, or ``all``. [m]

        Returns
        -------
        ReachTable
            The table.

        Raises
        ------
        PlanError
            If a material is not known, or a reach is not above 0 m.

        Examples
        --------
        >>> table = ReachTable.with_own({"pvc": 80.0})
        >>> table.reach_m("pvc"), table.reach_m("grey_iron"), table.reach_m(None)
        (80.0, 135.0, 40.0)
        """
        known = [*COMMON_REACH_M, UNKNOWN, "all"]
        for material in own_m:
            if material not in known:
                raise PlanError(
                    f"reach on {material}", found="no such material", remedy=f"give one of {', '.join(known)}"
                )
        everywhere = own_m.get("all")
        if everywhere is not None and not 0 < everywhere < float("inf"):
            raise PlanError("reach on all mains", found=f"{everywhere:g} m", remedy="give a length above 0 m")
        base = dict(COMMON_REACH_M) if everywhere is None else dict.fromkeys(COMMON_REACH_M, everywhere)
        unknown_m = own_m.get(UNKNOWN, _UNKNOWN_M if everywhere is None else everywhere)
        base.update({k: v for k, v in own_m.items() if k in COMMON_REACH_M})
        given = frozenset(known[:-1]) if everywhere is not None else frozenset(own_m)
        return cls(MappingProxyType(base), unknown_m, given)


def parse_reach(text: str) -> dict[str, float]:
    """Reach as a user types it: one number for all materials, or materials with numbers.

    Parameters
    ----------
    text : str
        Such as ``150`` or ``grey_iron=140, pvc=60``. [m]

    Returns
    -------
    dict of str to float
        Reach by material; ``all`` for a single number. [m]

    Raises
    ------
    PlanError
        If it cannot be read.

    Examples
    --------
    >>> parse_reach("grey_iron=140, pvc=60")
    {'grey_iron': 140.0, 'pvc': 60.0}
    >>> parse_reach("150")
    {'all': 150.0}
    """
    own = {}
    for part in text.split(","):
        name, equals, number = part.rpartition("=")
        try:
            own[name.strip() if equals else "all"] = float(number)
        except ValueError:
            raise PlanError(
                f"reach {text!r}",
                found=f"{part.strip()!r} holds no number",
                remedy="give it in metres, as 150 for all mains or as grey_iron=140,pvc=60",
            ) from None
    return own
