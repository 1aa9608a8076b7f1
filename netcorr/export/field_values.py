"""One row of a file from the field to a visit: numbers, feet, dates and pick lists as people type them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from netcorr.errors import VerificationError
from netcorr.export.plain_text import plain_text
from netcorr.units import FOOT_M
from netcorr.verification.visit import NOT_VISITED, VERIFICATIONS, Visit

if TYPE_CHECKING:
    from shapely import Point

#: Metres and feet of one reading may differ by what rounding does.
_SAME_M = 0.05


def visit_of(row: Mapping[str, Any], *, candidate_id: str, place: Point | None = None) -> Visit:
    """Visit of a row.

    Parameters
    ----------
    row : mapping
        Cells by column; text or typed, None where empty.
    candidate_id : str
        Candidate that it is about.
    place : shapely.Point, optional
        Where the crew moved the point to.

    Returns
    -------
    Visit

    Raises
    ------
    VerificationError
        If a cell cannot be read or is out of range, or metres and feet contradict each other.

    Examples
    --------
    >>> visit = visit_of({"verification": "Dug and found", "offset_ft": "1,5"}, candidate_id="c")
    >>> visit.verification, round(visit.offset_m, 4)
    ('dug and found', 0.4572)
    """
    return Visit(
        candidate_id=candidate_id,
        verification=_verification(row.get("verification")),
        offset_m=_length_m(row, "offset"),
        depth_m=_length_m(row, "depth"),
        visited=moment(row.get("visited"), name="visited"),
        crew=_text(row.get("crew")),
        photo=_text(row.get("photo")),
        note=_text(row.get("field_note")),
        place=place,
    )


def number(value: Any, *, name: str) -> float | None:
    """Number of a cell; a comma for the decimal point is read as such.

    Raises
    ------
    VerificationError
        If it is none.
    """
    if value is None or (isinstance(value, str) and not value.strip()):
        return None
    try:
        found = float(value.strip().replace(",", ".") if isinstance(value, str) else value)
    except (TypeError, ValueError):
        raise _no_number(value, name) from None
    if math.isnan(found):
        return None
    if math.isinf(found):
        raise _no_number(value, name)
    return found


def moment(value: Any, *, name: str) -> datetime | None:
    """Time of a cell in UTC, to the second; without a zone it is taken to be UTC, as the column says.

    Raises
    ------
    VerificationError
        If it is none.
    """
    if value is None or (isinstance(value, str) and not value.strip()):
        return None
    if hasattr(value, "to_pydatetime"):
        value = value.to_pydatetime(warn=False)
    try:
        found = value if isinstance(value, datetime) else datetime.fromisoformat(_slashes(str(value).strip()))
    except ValueError:
        raise VerificationError(
            name,
            found=f"'{plain_text(value)}' is no date",
            remedy="write it as 2026-03-09 or 2026-03-09T14:30Z",
        ) from None
    zoned = found.replace(tzinfo=UTC) if found.tzinfo is None else found.astimezone(UTC)
    return zoned.replace(microsecond=0)


def _no_number(value: Any, name: str) -> VerificationError:
    return VerificationError(name, found=f"'{plain_text(value)}' is no number", remedy="give a number")


def _slashes(text: str) -> str:
    """Date as some map programs export it, the year first."""
    return text.replace("/", "-") if text[:4].isdigit() else text


def _verification(value: Any) -> str:
    text = " ".join(_text(value).lower().split())
    if not text:
        return NOT_VISITED
    if text not in VERIFICATIONS:
        raise VerificationError(
            "verification",
            found=f"'{plain_text(value)}'",
            remedy=f"choose one of: {', '.join(VERIFICATIONS)}",
        )
    return text


def _length_m(row: Mapping[str, Any], name: str) -> float | None:
    metres, feet = (number(row.get(f"{name}_{unit}"), name=f"{name}_{unit}") for unit in ("m", "ft"))
    if feet is None:
        return metres
    if metres is not None and abs(metres - feet * FOOT_M) > _SAME_M:
        raise VerificationError(
            f"{name}_m and {name}_ft",
            found=f"{metres:g} m is not {feet:g} ft ({feet * FOOT_M:.2f} m)",
            remedy="give one of the two",
        )
    return feet * FOOT_M if metres is None else metres


def _text(value: Any) -> str:
    return "" if value is None else plain_text(value).strip()
