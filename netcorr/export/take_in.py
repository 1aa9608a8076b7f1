"""A file from the field into its result: what is new goes into the history, what does not fit is said."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pyogrio
import pyproj
from shapely import Point

from netcorr.export.field_file import FieldFile, Predicted, read_field
from netcorr.export.field_text import coordinates_text, pair_of
from netcorr.export.history_layer import history_table, now, read_history
from netcorr.export.in_use import check_not_in_use
from netcorr.export.read_result import StoredResult, read_result
from netcorr.export.result_schema import LEAK_CANDIDATES
from netcorr.export.verified_result import update_result
from netcorr.path.reference import point_at
from netcorr.verification import FoundPlace, Record, Visit, disagreements, found_place, new_visits, state
from netcorr.verification.conflict import CREWS, DOUBTFUL_PLACE, Conflict
from netcorr.verification.history import by_candidate, latest_place
from netcorr.verification.visit import SAME_PLACE_M

if TYPE_CHECKING:
    from netcorr.path.correlation_path import CorrelationPath
    from netcorr.position.fix import Candidate
    from netcorr.units import UnitSystem

Known = Mapping[str, tuple["Candidate", "CorrelationPath"]]

#: A degree of latitude. [m]
_DEGREE_M = 111_320.0


@dataclass(frozen=True, eq=False)
class CandidateState:
    """What is known of one candidate now.

    Attributes
    ----------
    candidate : Candidate
        As predicted.
    visit : Visit or None
        What all visits say together; None where nobody was.
    found_from_a_m : float or None
        Where the leak was. [m]
    """

    candidate: Candidate
    visit: Visit | None
    found_from_a_m: float | None

    @property
    def error_m(self) -> float | None:
        """Found less predicted along the pipe, positive towards B. [m]"""
        return None if self.found_from_a_m is None else self.found_from_a_m - self.candidate.from_a_m


@dataclass(frozen=True, eq=False)
class TakenIn:
    """What a file from the field changed.

    Attributes
    ----------
    result : str
        Name of the result.
    field : FieldFile
        What was read.
    added : tuple of Record
        What was new in it.
    candidates : tuple of CandidateState
        Every candidate of the result, by rank.
    conflicts : tuple of Conflict
        What does not fit; crews that contradict each other among them.
    """

    result: str
    field: FieldFile
    added: tuple[Record, ...]
    candidates: tuple[CandidateState, ...]
    conflicts: tuple[Conflict, ...]


def take_in(
    result: str | os.PathLike[str], field: str | os.PathLike[str], *, units: UnitSystem = "metric"
) -> TakenIn:
    """Take what a crew recorded back into the result that it was sent out with.

    Parameters
    ----------
    result : str or path-like
        GeoPackage that ``netcorr locate`` wrote; it is updated.
    field : str or path-like
        What came back; it may be the result itself, edited.
    units : {'metric', 'us'}
        Whether the crew's lengths are shown in the columns of metres or of feet.

    Returns
    -------
    TakenIn
        What was new, and what does not fit. The same file again changes nothing.

    Raises
    ------
    ExportError
        If the result is none, is in use, or cannot be written; it is then as it was.
    VerificationError
        If the file from the field cannot be read.
    """
    target = Path(result)
    stored = read_result(target)
    check_not_in_use(target)
    known = known_candidates(stored)
    history = read_history(target)
    predicted = _predicted(stored, known)
    read = read_field(field, predicted)
    metres = _metres_per_unit(predicted.crs)
    added = tuple(
        Record(visit, _found(visit, known, stored), now(), read.name, read.sha256)
        for visit in new_visits(history, read.visits, metres_per_unit=metres)
    )
    records = (*history, *added)
    moved = _moved(stored, predicted)
    if added or moved:
        update_result(
            target,
            history=history_table(added, candidates=known, crs=predicted.crs),
            states=_states(added, records, known),
            points=moved,
            units=units,
        )
    return TakenIn(
        result=target.name,
        field=read,
        added=added,
        candidates=tuple(candidate_states(stored, records)),
        conflicts=(*read.conflicts, *_doubts(added), *_contradictions(records)),
    )


def known_candidates(stored: StoredResult) -> dict[str, tuple[Candidate, CorrelationPath]]:
    """Candidates of a result with the path that each lies on, by id."""
    pairs = ((one, pair_of(one, stored.fix)) for one in stored.fix.candidates)
    return {one.candidate_id: (one, pair.path) for one, pair in pairs if pair is not None}


def candidate_states(stored: StoredResult, records: Sequence[Record]) -> list[CandidateState]:
    """What is known of every candidate, by rank."""
    own = by_candidate(records)
    states = []
    for candidate in sorted(stored.fix.candidates, key=lambda one: one.rank):
        of_it = own.get(candidate.candidate_id, [])
        together, place = state(of_it), latest_place(of_it)
        is_found = together is not None and together.is_found
        found_m = place.found.from_a_m if place is not None and is_found else None
        states.append(CandidateState(candidate, together, found_m))
    return states


def _predicted(stored: StoredResult, known: Known) -> Predicted:
    table = pyogrio.read_dataframe(stored.path, layer=LEAK_CANDIDATES.name)
    plain = table.drop(columns="geometry").astype(object)
    rows = plain.where(plain.notna(), None).to_dict("records")
    by_id = {str(row["candidate_id"]): {str(k): v for k, v in row.items()} for row in rows}
    crs = stored.fix.network.crs
    return Predicted(
        rows=by_id,
        points={
            name: _predicted_point(one, path, str(by_id[name]["coordinates"]), crs)
            for name, (one, path) in known.items()
        },
        crs=crs,
    )


def _predicted_point(one: Candidate, path: CorrelationPath, written: str, crs: pyproj.CRS) -> Point:
    """Where a candidate was predicted, also when its point was moved in the result itself.

    Its coordinates are written beside it, in a column that nobody edits; several loggers together may place
    it off the path of the pair that tells most of it.
    """
    if coordinates_text(one.point, crs) == written or not one.in_bracket:
        return one.point
    on_path = point_at(path, min(max(one.from_a_m, 0.0), path.length_m))
    return on_path if coordinates_text(on_path, crs) == written else _written_point(written, crs) or one.point


def _written_point(written: str, crs: pyproj.CRS) -> Point | None:
    """Point of a text of `coordinates_text`, to 0.1 m."""
    found = re.match(r"([\d.]+) ([NS]), ([\d.]+) ([EW]) ", written)
    if found is None:
        return None
    lat = float(found[1]) * (1 if found[2] == "N" else -1)
    lon = float(found[3]) * (1 if found[4] == "E" else -1)
    return Point(pyproj.Transformer.from_crs(4326, crs, always_xy=True).transform(lon, lat))


def _found(visit: Visit, known: Known, stored: StoredResult) -> FoundPlace:
    if visit.candidate_id not in known:
        return FoundPlace()
    candidate, path = known[visit.candidate_id]
    return found_place(visit, candidate, path, map_accuracy_m=stored.fix.map_accuracy_m)


def _states(added: Sequence[Record], records: Sequence[Record], known: Known) -> dict[str, Visit]:
    """What all visits say of the candidates that something new is said of."""
    own = by_candidate(records)
    together = {name: state(own[name]) for name in {one.visit.candidate_id for one in added} & known.keys()}
    return {name: visit for name, visit in together.items() if visit is not None}


def _moved(stored: StoredResult, predicted: Predicted) -> dict[str, Point]:
    """Candidates that were moved in the result itself, with where they belong."""
    metres = _metres_per_unit(predicted.crs)
    return {
        one.candidate_id: predicted.points[one.candidate_id]
        for one in stored.fix.candidates
        if one.candidate_id in predicted.points
        and one.point.distance(predicted.points[one.candidate_id]) * metres > SAME_PLACE_M
    }


def _metres_per_unit(crs: pyproj.CRS) -> float:
    return _DEGREE_M if crs.is_geographic else float(crs.axis_info[0].unit_conversion_factor)


def _doubts(added: Sequence[Record]) -> list[Conflict]:
    return [
        Conflict(DOUBTFUL_PLACE, one.visit.candidate_id, "", text)
        for one in added
        for text in one.found.doubts
    ]


def _contradictions(records: Sequence[Record]) -> list[Conflict]:
    return [Conflict(CREWS, one.candidate_id, "", one.text) for one in disagreements(records)]
