"""How far apart two loggers may stand, by material: common practice to start with, or what was measured."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from netcorr.errors import PlanError

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


@dataclass(frozen=True)
class ReachTable:
    """Reach by material.

    Attributes
    ----------
    by_material_m : mapping of str to float
        Longest path between two loggers when all of it is of that material. [m]
    unknown_m : float
        The same where the material is not known. [m]
    given : frozenset of str
        Materials whose reach was given and is not common practice.

    Raises
    ------
    PlanError
        If a reach is not above 0 m.
    """

    by_material_m: Mapping[str, float] = field(default_factory=lambda: COMMON_REACH_M)
    unknown_m: float = _UNKNOWN_M
    given: frozenset[str] = field(default_factory=frozenset)

    def __post_init__(self) -> None:
        for material, reach_m in {**self.by_material_m, UNKNOWN: self.unknown_m}.items():
            if not 0 < reach_m < float("inf"):
                raise PlanError(
                    f"reach on {material}", found=f"{reach_m:g} m", remedy="give a length above 0 m"
                )

    def reach_m(self, material: str | None) -> float:
        """Reach on a material. [m]"""
        return self.by_material_m.get(material or UNKNOWN, self.unknown_m)

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
