"""A straight iron main between two sensors, a candidate on it, and what crews say of it. All invented."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pyproj
import pytest
from shapely import LineString, Point

from netcorr.path import CorrelationPath, PathSegment
from netcorr.position import Candidate
from netcorr.verification import FoundPlace, Record, Visit

UTM = pyproj.CRS(25832)
EAST, NORTH = 500_000.0, 5_500_000.0
#: The scale on the central meridian of UTM: so many map units are a metre on the ground.
SCALE = 0.9996
NAN = float("nan")


def at(along_m: float, across_m: float = 0.0) -> Point:
    """Point so far along the street and so far beside it, on the ground."""
    return Point(EAST + along_m * SCALE, NORTH + across_m * SCALE)


def path_of(
    *lengths_m: float,
    material: str = "grey_iron",
    year: float = NAN,
    pipe_ids: tuple[str, ...] = (),
    wave_speed_m_s: float = NAN,
    lead_a_m: float = 0.0,
) -> CorrelationPath:
    """A straight path of pieces from V-1 to V-2."""
    starts = [sum(lengths_m[:i]) for i in range(len(lengths_m) + 1)]
    segments = tuple(
        PathSegment(
            pipe_id=pipe_ids[i] if pipe_ids else f"M-{i + 1}",
            material=material,
            material_text=material,
            diameter_mm=150.0,
            wall_mm=NAN,
            year=year,
            wave_speed_m_s=wave_speed_m_s,
            length_m=length_m,
            geometry=LineString([at(starts[i]), at(starts[i + 1])]),
            from_node=i,
            to_node=i + 1,
        )
        for i, length_m in enumerate(lengths_m)
    )
    return CorrelationPath("V-1", "V-2", segments, UTM, lead_a_m=lead_a_m)


@pytest.fixture
def path() -> CorrelationPath:
    """120 m of main."""
    return path_of(120.0)


@pytest.fixture
def candidate() -> Candidate:
    """A leak 45 m from V-1."""
    return candidate_at(45.0)


def candidate_at(from_a_m: float, **changes: Any) -> Candidate:
    """A candidate on the main of 120 m."""
    values: dict[str, Any] = {
        "candidate_id": "c-1",
        "rank": 1,
        "probability": 0.95,
        "outcome": "between",
        "sensor_a": "V-1",
        "sensor_b": "V-2",
        "from_a_m": from_a_m,
        "from_b_m": 120.0 - from_a_m,
        "low_m": from_a_m - 1,
        "high_m": from_a_m + 1,
        "sd_m": 0.5,
        "delay_s": 0.024,
        "pipe_id": "M-1",
        "material": "grey_iron",
        "diameter_mm": 150.0,
        "speed_m_s": 1240.0,
        "rounds_used": 2,
        "point": at(from_a_m),
        "stretches": (),
        "stretch_m": ((from_a_m - 1, from_a_m + 1),),
    }
    return Candidate(**{**values, **changes})


@pytest.fixture
def make_record() -> Callable[..., Record]:
    """Builder of a record: a visit with where the leak was, taken in at an hour of one day."""

    def make(*, found_from_a_m: float | None = None, hour: int = 12, **visit: Any) -> Record:
        return Record(
            Visit(**{"candidate_id": "c-1", **visit}),
            FoundPlace(found_from_a_m),
            taken=datetime(2026, 3, 9, hour, tzinfo=UTC),
            source="field.gpkg",
            source_sha256="ab" * 32,
        )

    return make


def day(number: int) -> datetime:
    """A day of March."""
    return datetime(2026, 3, number, tzinfo=UTC)
