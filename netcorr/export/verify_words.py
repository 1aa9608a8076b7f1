"""What a file from the field changed, in words, and for machines."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from netcorr.export.cautions import CAUTIONS
from netcorr.export.field_text import candidate_name
from netcorr.export.ground_words import DRY_HOLE, state_words
from netcorr.export.plain_text import plain_text
from netcorr.export.report.advice import AFTER_REPAIR, SILENCE
from netcorr.units import format_count
from netcorr.verification.visit import DRY, NOT_VISITED

if TYPE_CHECKING:
    from netcorr.export.take_in import CandidateState, TakenIn
    from netcorr.units import UnitSystem

WIDTH = 80
#: So many things that do not fit are told one by one; the number of the others is given.
_TOLD = 20


def verify_text(taken: TakenIn, *, units: UnitSystem = "metric") -> str:
    """Tell what was taken in and what does not fit, 80 columns wide.

    Parameters
    ----------
    taken : TakenIn
        What a file from the field changed.
    units : {'metric', 'us'}
        Metres, or feet and inches.

    Returns
    -------
    str
        What was new, every candidate as it stands now, what does not fit, what to do next, cautions.
    """
    lines = [*_wrap(_headline(taken))]
    for one in taken.candidates:
        lines += _wrap(f"- {candidate_name(one.candidate)}: {state_words(one, units=units)}", indent=2)
    if taken.conflicts:
        lines += ["", f"Does not fit ({len(taken.conflicts)}):"]
        for conflict in taken.conflicts[:_TOLD]:
            about = ", ".join(filter(None, (conflict.row, _called(conflict.candidate_id, taken))))
            lines += _wrap(f"- {conflict.kind} ({about}): {plain_text(conflict.text)}", indent=2)
        if len(taken.conflicts) > _TOLD:
            lines.append(f"- and {len(taken.conflicts) - _TOLD} more, see --json")
    for text in _advice(taken):
        lines += ["", *_wrap(text)]
    lines += ["", "Cautions", *(line for text in CAUTIONS for line in _wrap(f"- {text}", indent=2))]
    return "\n".join(lines)


def verify_dict(taken: TakenIn) -> dict[str, Any]:
    """Tell the same for machines, in SI units.

    Parameters
    ----------
    taken : TakenIn
        What a file from the field changed.

    Returns
    -------
    dict
        Only what JSON can hold.
    """
    return {
        "result": taken.result,
        "field": {"name": taken.field.name, "sha256": taken.field.sha256, "rows": taken.field.rows},
        "added": len(taken.added),
        "candidates": [_candidate_dict(one) for one in taken.candidates],
        "conflicts": [
            {"kind": one.kind, "candidate_id": one.candidate_id, "row": one.row, "text": one.text}
            for one in taken.conflicts
        ],
        "advice": list(_advice(taken)),
        "cautions": list(CAUTIONS),
    }


def _candidate_dict(one: CandidateState) -> dict[str, Any]:
    visit = one.visit
    return {
        "candidate_id": one.candidate.candidate_id,
        "rank": one.candidate.rank,
        "probability": one.candidate.probability,
        "verification": visit.verification if visit else NOT_VISITED,
        "crew": visit.crew if visit else "",
        "visited": visit.visited.isoformat() if visit and visit.visited else None,
        "found_from_a_m": one.found_from_a_m,
        "error_m": one.error_m,
    }


def _headline(taken: TakenIn) -> str:
    rows = format_count(taken.field.rows, "row")
    if not taken.added:
        return f"{taken.field.name}: {rows}, nothing that {taken.result} does not hold already."
    return f"{taken.field.name}: {rows}, {format_count(len(taken.added), 'visit')} added to {taken.result}."


def _advice(taken: TakenIn) -> Iterator[str]:
    said = {one.visit.verification for one in taken.candidates if one.visit is not None}
    if said & {"repaired", "dug and found"}:
        yield AFTER_REPAIR
    if DRY in said:
        yield DRY_HOLE
    if not taken.candidates or said & {"repaired", DRY}:
        yield from SILENCE


def _called(candidate_id: str, taken: TakenIn) -> str:
    for one in taken.candidates:
        if one.candidate.candidate_id == candidate_id:
            return f"candidate {one.candidate.rank}"
    return plain_text(candidate_id)


def _wrap(text: str, *, indent: int = 0) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent=" " * indent, break_on_hyphens=False)
