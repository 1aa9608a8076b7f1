"""Records of visits over time: what is new in them, what they say together, and where crews contradict."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from netcorr.verification.visit import DRY, NOT_VISITED, VERIFICATIONS, Visit

if TYPE_CHECKING:
    from netcorr.verification.found_place import FoundPlace

#: Places of one leak that two crews give farther apart than this contradict each other. [m]
CREWS_APART_M = 1.0


@dataclass(frozen=True)
class Record:
    """One visit as it was taken in; never changed afterwards.

    Attributes
    ----------
    visit : Visit
        What the crew recorded.
    found : FoundPlace
        Where the leak was.
    taken : datetime
        When it was read.
    source, source_sha256 : str
        File that it came from, and its fingerprint.
    """

    visit: Visit
    found: FoundPlace
    taken: datetime
    source: str
    source_sha256: str

    @property
    def when(self) -> datetime:
        """When the crew was there; when the file was read, where they did not say."""
        return self.visit.visited or self.taken


@dataclass(frozen=True)
class Disagreement:
    """What two crews say differently about one candidate.

    Attributes
    ----------
    candidate_id : str
        The candidate.
    text : str
        Who says what.
    """

    candidate_id: str
    text: str


def in_order(records: Iterable[Record]) -> list[Record]:
    """Records by when the crew was there; those of one moment in an order that no file decides."""
    return sorted(records, key=lambda one: (one.when.astimezone(UTC), _tie(one.visit)))


def state(records: Sequence[Record]) -> Visit | None:
    """What all records of one candidate say together: of each value the latest that was given.

    Parameters
    ----------
    records : sequence of Record
        All of one candidate, in any order.

    Returns
    -------
    Visit or None
        None without records.
    """
    merged: Visit | None = None
    for record in in_order(records):
        one = record.visit
        if merged is None:
            merged = one
            continue
        latest = {name: getattr(one, name) for name in _VALUES}
        said = {name: value for name, value in latest.items() if value not in _EMPTY}
        merged = replace(merged, **said)
    return merged


def new_visits(
    known: Sequence[Record], visits: Iterable[Visit], *, metres_per_unit: float = 1.0
) -> list[Visit]:
    """Visits that say something that the history does not hold yet.

    Parameters
    ----------
    known : sequence of Record
        The history.
    visits : iterable of Visit
        As a crew sent them; untouched ones may be among them.
    metres_per_unit : float
        Size of a unit of the result's CRS on the ground. [m]

    Returns
    -------
    list of Visit
        In an order that does not depend on the order in which they came.
    """
    held: dict[str, list[Visit]] = {}
    states: dict[str, Visit | None] = {}
    for candidate_id, records in by_candidate(known).items():
        held[candidate_id] = [one.visit for one in records]
        states[candidate_id] = state(records)
    fresh: list[Visit] = []
    for visit in sorted(visits, key=_tie):
        there = held.setdefault(visit.candidate_id, [])
        together = states.get(visit.candidate_id)
        if (
            visit.is_blank
            or any(visit.says_the_same(one, metres_per_unit=metres_per_unit) for one in there)
            or (together and _adds_nothing(visit, together, metres_per_unit))
        ):
            continue
        there.append(visit)
        fresh.append(visit)
    return fresh


def _adds_nothing(visit: Visit, together: Visit, metres_per_unit: float) -> bool:
    """Whether a visit is a copy of what is known already, with some of it left out."""
    said = {name: getattr(visit, name) for name in _VALUES if getattr(visit, name) not in _EMPTY}
    return replace(together, **said).says_the_same(together, metres_per_unit=metres_per_unit)


def by_candidate(records: Iterable[Record]) -> dict[str, list[Record]]:
    """Records by the candidate that they are about."""
    found: dict[str, list[Record]] = {}
    for record in records:
        found.setdefault(record.visit.candidate_id, []).append(record)
    return found


def disagreements(records: Sequence[Record]) -> tuple[Disagreement, ...]:
    """Where two crews say different things of the same candidate.

    Parameters
    ----------
    records : sequence of Record
        The whole history. What a crew says later replaces what it said before.

    Returns
    -------
    tuple of Disagreement
        A leak found by one crew where another dug and found none; a leak at two places.
    """
    found = []
    for candidate_id, own in by_candidate(records).items():
        latest = {record.visit.crew: record for record in in_order(own) if record.visit.is_dug}
        dry = [one for one in latest.values() if one.visit.verification == DRY]
        wet = [one for one in latest.values() if one.visit.is_found]
        if dry and wet:
            text = f"{_who(wet[0])} dug and found a leak, {_who(dry[0])} dug and found none"
            found.append(Disagreement(candidate_id, text))
        placed = [one for one in _latest_places(own) if one.visit.crew in {w.visit.crew for w in wet}]
        if len(placed) > 1:
            ends = sorted(placed, key=lambda one: one.found.from_a_m or 0.0)
            low, high = (float(one.found.from_a_m or 0.0) for one in (ends[0], ends[-1]))
            if high - low > CREWS_APART_M:
                text = (
                    f"{_who(ends[0])} found the leak {low:.1f} m from sensor A, {_who(ends[-1])} {high:.1f} m"
                )
                found.append(Disagreement(candidate_id, text))
    return tuple(found)


def latest_place(records: Sequence[Record]) -> Record | None:
    """Latest record of one candidate that says where the leak was."""
    placed = [one for one in in_order(records) if one.found.from_a_m is not None]
    return placed[-1] if placed else None


def _latest_places(records: Sequence[Record]) -> list[Record]:
    """For each crew its latest record that says where the leak was."""
    return list({one.visit.crew: one for one in in_order(records) if one.found.from_a_m is not None}.values())


def _who(record: Record) -> str:
    name = f"crew {record.visit.crew}" if record.visit.crew else "a crew without a name"
    return f"{name} ({record.visit.visited:%Y-%m-%d})" if record.visit.visited else name


_EMPTY = (None, "", NOT_VISITED)
_VALUES = ("verification", "offset_m", "depth_m", "visited", "crew", "photo", "note", "place")


def _tie(visit: Visit) -> tuple[str, int, tuple[str, ...]]:
    """Order of visits of one moment: what says more comes later."""
    values = tuple(str(getattr(visit, name)) for name in _VALUES)
    return visit.candidate_id, VERIFICATIONS.index(visit.verification), values
