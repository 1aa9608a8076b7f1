"""What the ground said of a candidate, in a line, for the terminal and for the report."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netcorr.export.history_layer import read_history
from netcorr.export.plain_text import plain_text
from netcorr.export.take_in import candidate_states
from netcorr.units import format_length
from netcorr.verification import disagreements
from netcorr.verification.visit import DRY, NOT_VISITED

if TYPE_CHECKING:
    from netcorr.export.read_result import StoredResult
    from netcorr.export.take_in import CandidateState
    from netcorr.units import UnitSystem

#: A dry hole, and what it may mean (common practice).
DRY_HOLE = (
    "A dry hole is not the end of it: the leak may lie elsewhere in the area or on a side branch there, "
    "another noise may have been taken for it, or the map may be wrong. Listen at the surface along the "
    "whole area and record again before the next hole."
)


def state_words(one: CandidateState, *, units: UnitSystem) -> str:
    """Say what is known of a candidate.

    Parameters
    ----------
    one : CandidateState
        What all visits say together.
    units : {'metric', 'us'}
        Metres, or feet and inches.

    Returns
    -------
    str
        Without a full stop.
    """
    visit = one.visit
    if visit is None or visit.verification == NOT_VISITED:
        return NOT_VISITED
    parts = [visit.verification]
    if one.error_m is not None:
        parts.append(_error(one, units))
    elif visit.is_found and one.candidate.in_bracket:
        parts.append("nobody measured where: give offset_m (0 at the point), so that it counts for accuracy")
    day = f"{visit.visited:%Y-%m-%d}" if visit.visited else ""
    who = ", ".join(filter(None, (f"crew {plain_text(visit.crew)}" if visit.crew else "", day)))
    return ", ".join(parts) + (f" ({who})" if who else "")


def ground_words(stored: StoredResult, *, units: UnitSystem) -> dict[str, tuple[str, ...]]:
    """Say what the ground said of the candidates of a result.

    Parameters
    ----------
    stored : StoredResult
        A result, read back.
    units : {'metric', 'us'}
        Metres, or feet and inches.

    Returns
    -------
    dict of str to tuple of str
        Sentences by candidate id; candidates that nobody visited are not in it.

    Raises
    ------
    ExportError
        If the history of the result cannot be read.
    """
    if not stored.path.is_file():
        return {}
    records = read_history(stored.path)
    contradictions = {one.candidate_id: one.text for one in disagreements(records)}
    said: dict[str, tuple[str, ...]] = {}
    for one in candidate_states(stored, records):
        if one.visit is None or one.visit.verification == NOT_VISITED:
            continue
        words = state_words(one, units=units)
        texts = [f"{words[0].upper()}{words[1:]}."]
        if one.visit.note:
            texts.append(f"The crew's note: {plain_text(one.visit.note)}")
        if one.candidate.candidate_id in contradictions:
            texts.append(f"Crews disagree: {plain_text(contradictions[one.candidate.candidate_id])}.")
        if one.visit.verification == DRY:
            texts.append(DRY_HOLE)
        said[one.candidate.candidate_id] = tuple(texts)
    return said


def _error(one: CandidateState, units: UnitSystem) -> str:
    error_m = one.error_m or 0.0
    towards = one.candidate.sensor_b if error_m > 0 else one.candidate.sensor_a
    if abs(error_m) < 0.005:
        return "right at the point"
    inside = any(low <= (one.found_from_a_m or 0.0) <= high for low, high in one.candidate.stretch_m)
    where = "inside" if inside else "OUTSIDE"
    return (
        f"{format_length(abs(error_m), units)} from the point along the main, towards {plain_text(towards)}, "
        f"{where} the stated area"
    )
