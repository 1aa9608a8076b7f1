"""What a crew recorded at a candidate, and whether two records say the same."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from netcorr.errors import VerificationError

if TYPE_CHECKING:
    from shapely import Point

#: What the ground said of a candidate, from nothing to everything; the first is what a result starts with.
VERIFICATIONS = (
    "not visited",
    "heard on the surface",
    "cored and heard",
    "dug and found",
    "dug and dry",
    "repaired",
)
NOT_VISITED = VERIFICATIONS[0]
DRY = "dug and dry"
#: The ones that say that there was a leak.
FOUND = frozenset({"dug and found", "repaired"})

#: No crew measures from a candidate to a leak over more than this. [m]
LARGEST_OFFSET_M = 1000.0
#: No main lies deeper than this. [m]
LARGEST_DEPTH_M = 50.0
#: Lengths that differ by less were the same reading, in metres once and in feet once. [m]
SAME_LENGTH_M = 0.01
#: Places that differ by less were the same; a copy in longitude and latitude is rounded to a centimetre. [m]
SAME_PLACE_M = 0.1


@dataclass(frozen=True)
class Visit:
    """What one crew recorded at one candidate.

    Attributes
    ----------
    candidate_id : str
        Candidate that it is about.
    verification : str
        One of `VERIFICATIONS`.
    offset_m : float or None
        Where the leak was, from the point along the main: positive towards B. [m]
    depth_m : float or None
        Depth of the leak below the ground. [m]
    visited : datetime or None
        When it was seen, with a zone.
    crew, photo, note : str
        Who was there, a photo of it, and anything else.
    place : shapely.Point or None
        Where the crew moved the point to, in the CRS of the result; None where it was left.

    Raises
    ------
    VerificationError
        If a value cannot be right.

    Examples
    --------
    >>> Visit("c-1", "dug and found", offset_m=-0.4, crew="North").is_blank, Visit("c-1").is_blank
    (False, True)
    """

    candidate_id: str
    verification: str = NOT_VISITED
    offset_m: float | None = None
    depth_m: float | None = None
    visited: datetime | None = None
    crew: str = ""
    photo: str = ""
    note: str = ""
    place: Point | None = None

    def __post_init__(self) -> None:
        item = f"candidate {self.candidate_id}"
        if self.verification not in VERIFICATIONS:
            raise VerificationError(
                f"{item}, verification",
                found=f"'{self.verification}'",
                remedy=f"choose one of: {', '.join(VERIFICATIONS)}",
            )
        for name, least, most in (
            ("offset_m", -LARGEST_OFFSET_M, LARGEST_OFFSET_M),
            ("depth_m", 0.0, LARGEST_DEPTH_M),
        ):
            value = getattr(self, name)
            if value is not None and not least <= value <= most:
                raise VerificationError(
                    f"{item}, {name}", found=f"{value:g} m", remedy=f"give {least:g} to {most:g} m"
                )
        if self.visited is not None and self.visited.tzinfo is None:
            raise VerificationError(
                f"{item}, visited", found=f"{self.visited} without a zone", remedy="give the time in UTC"
            )

    @property
    def is_blank(self) -> bool:
        """Whether it says nothing at all: the crew was not there."""
        told = (self.offset_m, self.depth_m, self.visited, self.place)
        texts = (self.crew, self.photo, self.note)
        return self.verification == NOT_VISITED and told == (None,) * 4 and not any(texts)

    @property
    def is_found(self) -> bool:
        """Whether there was a leak."""
        return self.verification in FOUND

    @property
    def is_dug(self) -> bool:
        """Whether the ground was opened down to the main."""
        return self.is_found or self.verification == DRY

    def says_the_same(self, other: Visit, *, metres_per_unit: float = 1.0) -> bool:
        """Whether another record says the same, up to what copying and rounding change.

        Parameters
        ----------
        other : Visit
            Another record.
        metres_per_unit : float
            Size of a unit of the result's CRS on the ground, for places. [m]

        Returns
        -------
        bool
        """
        names = ("candidate_id", "verification", "visited", "crew", "photo", "note")
        return (
            all(getattr(self, name) == getattr(other, name) for name in names)
            and _near(self.offset_m, other.offset_m)
            and _near(self.depth_m, other.depth_m)
            and _same_place(self.place, other.place, metres_per_unit)
        )


def _near(a: float | None, b: float | None) -> bool:
    if a is None or b is None:
        return a is b
    return math.isclose(a, b, rel_tol=0, abs_tol=SAME_LENGTH_M)


def _same_place(a: Point | None, b: Point | None, metres_per_unit: float) -> bool:
    if a is None or b is None:
        return a is b
    return a.distance(b) * metres_per_unit <= SAME_PLACE_M
