"""What a phone map shows of a candidate: its name, the way to it, and where it is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pyproj

from netcorr.export.directions import measure_out
from netcorr.export.plain_text import plain_text
from netcorr.export.sentences import percent, strength

if TYPE_CHECKING:
    from shapely import Point

    from netcorr.position.fix import Candidate, PairFix, SurveyFix
    from netcorr.units import UnitSystem

_CALLED = {"strong": "Leak", "fair": "Possible leak", "weak": "Faint sign"}


def candidate_name(candidate: Candidate) -> str:
    """Short name of a candidate for a label: its kind, rank and probability.

    Parameters
    ----------
    candidate : Candidate
        Where a leak may be.

    Returns
    -------
    str
        Such as ``'Leak 1: 97 %'``; one beyond a sensor says that nobody digs there.
    """
    if not candidate.in_bracket:
        return f"{candidate.rank}: do not dig, noise at or beyond {plain_text(candidate.beyond)}"
    return f"{_CALLED[strength(candidate.probability)]} {candidate.rank}: {percent(candidate.probability)}"


def candidate_directions(candidate: Candidate, fix: SurveyFix, *, units: UnitSystem) -> str:
    """Way to a candidate from either fitting and from what is near it, in sentences.

    Parameters
    ----------
    candidate : Candidate
        Where a leak may be.
    fix : SurveyFix
        The answer that it belongs to.
    units : {'metric', 'us'}
        Metres and millimetres, or feet and inches.

    Returns
    -------
    str
        For a candidate that is not between its sensors only where not to dig.
    """
    pair = pair_of(candidate, fix)
    if not candidate.in_bracket:
        a, b = (plain_text(end) for end in (candidate.sensor_a, candidate.sensor_b))
        near = plain_text(candidate.beyond)
        return f"The noise comes from at or beyond {near}, not from between {a} and {b}. Do not dig here."
    if pair is None:
        return ""
    return " ".join(measure_out(candidate, pair.path, fix.network, units=units)).replace("\xa0", " ")


def pair_of(candidate: Candidate, fix: SurveyFix) -> PairFix | None:
    """Pair that a candidate belongs to, by its identity or else by its sensors."""
    ends = {candidate.sensor_a, candidate.sensor_b}
    by_id = (p for p in fix.pairs if any(c.candidate_id == candidate.candidate_id for c in p.candidates))
    by_ends = (p for p in fix.pairs if {p.path.sensor_a, p.path.sensor_b} == ends)
    return next(by_id, None) or next(by_ends, None)


def coordinates_text(point: Point, crs: pyproj.CRS) -> str:
    """Place in latitude and longitude, and in the coordinates of the map.

    Parameters
    ----------
    point : shapely.Point
        In `crs`.
    crs : pyproj.CRS
        CRS of the map.

    Returns
    -------
    str
        Degrees to 0.1 m, the map's own coordinates to a centimetre with their unit.

    Examples
    --------
    >>> from shapely import Point
    >>> coordinates_text(Point(500041.2, 5500000), pyproj.CRS(25832))
    '49.652543 N, 9.000571 E (WGS 84); x 500041.20, y 5500000.00 metre (EPSG:25832)'
    """
    lon, lat = pyproj.Transformer.from_crs(crs, 4326, always_xy=True).transform(point.x, point.y)
    text = f"{abs(lat):.6f} {'N' if lat >= 0 else 'S'}, {abs(lon):.6f} {'E' if lon >= 0 else 'W'} (WGS 84)"
    if crs.is_geographic:
        return text
    code = crs.to_authority()
    name = f"{code[0]}:{code[1]}" if code else crs.name
    return f"{text}; x {point.x:.2f}, y {point.y:.2f} {crs.axis_info[0].unit_name} ({name})"
