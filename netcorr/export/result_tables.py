"""A survey's answer to the tables of its result, in memory."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import pyproj
import shapely
from shapely import LineString, Point

from netcorr.export.cautions import caution_for
from netcorr.export.field_text import candidate_directions, candidate_name, coordinates_text
from netcorr.export.ground_area import LEAST_WIDENING_M, widened_area
from netcorr.export.pipe_words import materials_text
from netcorr.export.result_schema import (
    CORRELATION_PATHS,
    LEAK_CANDIDATES,
    LEAK_LIKELIHOOD,
    PAIR_ROUNDS,
    SENSORS,
    UNCERTAINTY_AREAS,
)
from netcorr.layers.crs import geodesic_lengths_m
from netcorr.verification.visit import NOT_VISITED

if TYPE_CHECKING:
    import pandas as pd

    from netcorr.path.correlation_path import CorrelationPath
    from netcorr.position.fix import Candidate, LikelyStretch, PairFix, SurveyFix
    from netcorr.recordings.recording import Deployment, Rejected
    from netcorr.units import UnitSystem

Row = dict[str, Any]

#: Level of the stretches that `netcorr.position` makes.
LEVEL = 0.95


def result_tables(fix: SurveyFix, *, units: UnitSystem = "metric") -> dict[str, pd.DataFrame]:
    """Tables of a survey's result, by layer name.

    Parameters
    ----------
    fix : SurveyFix
        The answer of a survey.
    units : {'metric', 'us'}
        Units of the directions in words; numbers are in SI units.

    Returns
    -------
    dict of str to pandas.DataFrame
        One table for each of `netcorr.export.result_schema.RESULT_LAYERS`, with its columns and types
        also when it has no rows; those with a geometry are GeoDataFrames in the network's CRS.

    Raises
    ------
    ExportError
        If an area cannot be placed on the earth.
    """
    crs = fix.network.crs
    return {
        layer.name: layer.table(rows, crs)
        for layer, rows in (
            (LEAK_CANDIDATES, _candidate_rows(fix, units)),
            (UNCERTAINTY_AREAS, _area_rows(fix)),
            (LEAK_LIKELIHOOD, map(_likely_row, fix.likelihood)),
            (CORRELATION_PATHS, map(_path_row, fix.pairs)),
            (SENSORS, _sensor_rows(fix)),
            (PAIR_ROUNDS, (*_evidence_rows(fix), *_left_out_rows(fix), *_rejected_rows(fix))),
        )
    }


def path_line(path: CorrelationPath) -> LineString:
    """The whole path as one line from A to B, in the CRS of the path."""
    points = np.concatenate([shapely.get_coordinates(segment.geometry) for segment in path.segments])
    moved = np.any(np.diff(points, axis=0) != 0, axis=1)
    return LineString(points[np.concatenate(([True], moved))])


def _candidate_rows(fix: SurveyFix, units: UnitSystem) -> Iterator[Row]:
    recorded = min((r.start for r in fix.rounds), default=None)
    for candidate in fix.candidates:
        yield {
            **{column.name: getattr(candidate, column.name, None) for column in LEAK_CANDIDATES.columns},
            "name": candidate_name(candidate),
            "directions": candidate_directions(candidate, fix, units=units),
            "coordinates": coordinates_text(candidate.point, fix.network.crs),
            "verification": NOT_VISITED,
            "delay_ms": candidate.delay_s * 1000,
            "recorded": recorded,
            "note": candidate.note or None,
            "caution": caution_for(candidate),
            "geometry": shapely.force_2d(candidate.point),
        }


def _likely_row(one: LikelyStretch) -> Row:
    return {
        **{column.name: getattr(one, column.name) for column in LEAK_LIKELIHOOD.columns},
        "geometry": shapely.force_2d(one.line),
    }


def _area_rows(fix: SurveyFix) -> Iterator[Row]:
    for candidate in fix.candidates:
        for row, shapes in _parts(candidate, fix.network.crs):
            area = widened_area(shapes, fix.network.crs, widen_m=fix.map_accuracy_m)
            yield {
                **row,
                "candidate_id": candidate.candidate_id,
                "level": LEVEL,
                "area_m2": area.area_m2,
                "widened_m": max(fix.map_accuracy_m, LEAST_WIDENING_M),
                "geometry": area.polygon,
            }


def _parts(candidate: Candidate, crs: pyproj.CRS) -> Iterator[tuple[Row, list[LineString | Point]]]:
    """Stretch and branches of a candidate, each with what its row says.

    A candidate without a stretch still has an area: the ground about its point.
    """
    away = "side branch" if candidate.in_bracket else "beyond sensor"
    if candidate.stretches or not candidate.branches:
        part: Row = {
            "part": "main" if candidate.in_bracket else away,
            "pipe_ids": candidate.pipe_id,
            "from_a_m": candidate.low_m,
            "length_m": sum(high - low for low, high in candidate.stretch_m),
        }
        yield part, list(candidate.stretches) or [candidate.point]
    for branch in candidate.branches:
        lines = [line for line in branch.lines if not line.is_empty]
        if lines:
            part = {
                "part": away,
                "pipe_ids": ", ".join(dict.fromkeys(branch.pipe_ids)),
                "from_a_m": branch.from_a_m,
                "length_m": float(geodesic_lengths_m(lines, crs).sum()),
            }
            yield part, list(lines)


def _path_row(pair: PairFix) -> Row:
    path, budget = pair.path, pair.budget
    shares = {} if budget is None else {f"sd_{k}_m": getattr(budget, f"{k}_m") for k in _BUDGET_PARTS}
    return {
        **{column.name: getattr(path, column.name, None) for column in CORRELATION_PATHS.columns},
        **{column.name: getattr(pair, column.name, None) for column in _PAIR_COLUMNS},
        **shares,
        "travel_time_ms": pair.travel_time_s * 1000,
        "materials": materials_text(path),
        "pipe_ids": ", ".join(dict.fromkeys(segment.pipe_id for segment in path.segments)),
        "note": " ".join(pair.notes) or None,
        "geometry": path_line(path),
    }


_BUDGET_PARTS = ("speed", "length", "clock", "delay", "model")
_PAIR_COLUMNS = [
    column
    for column in CORRELATION_PATHS.columns
    if column.name.startswith(("logger_", "outcome", "probability_"))
]


def _sensor_rows(fix: SurveyFix) -> Iterator[Row]:
    """One row for each logger and place, in the order in which they appear."""
    heard: dict[tuple[str, str | None], list[tuple[Deployment, str | None]]] = {}
    for round_ in fix.rounds:
        for recording in round_.recordings:
            deployment = recording.deployment
            text = f"round {round_.number}: {recording.quality}"
            heard.setdefault((deployment.logger, fitting_of(deployment, fix)), []).append((deployment, text))
    for _, rejected in all_rejected(fix):
        deployment = rejected.deployment
        heard.setdefault((deployment.logger, fitting_of(deployment, fix)), []).append((deployment, None))
    for (logger, fitting), found in heard.items():
        texts = [text for _, text in found if text]
        known = fitting is not None and fitting in fix.network.fittings.index
        yield {
            "logger": logger,
            "fitting": fitting,
            "kind": fix.network.fittings.loc[fitting, "kind"] if known else None,
            "lead_m": found[0][0].lead_m,
            "recordings_used": len(texts),
            "recordings_rejected": len(found) - len(texts),
            "quality": "; ".join(texts) or "no usable recording",
            "geometry": _place(found[0][0], fitting if known else None, fix),
        }


def fitting_of(deployment: Deployment, fix: SurveyFix) -> str | None:
    """Fitting of a deployment: as its table says, or as the pairs of its logger do."""
    if deployment.fitting is not None:
        return deployment.fitting
    for pair in fix.pairs:
        if deployment.logger == pair.logger_a:
            return pair.path.sensor_a
        if deployment.logger == pair.logger_b:
            return pair.path.sensor_b
    return None


def _place(deployment: Deployment, fitting: str | None, fix: SurveyFix) -> Point | None:
    if fitting is not None:
        point: Point = shapely.force_2d(fix.network.fittings.geometry.loc[fitting])
        return point
    if deployment.lon_lat is not None:
        to_map = pyproj.Transformer.from_crs(4326, fix.network.crs, always_xy=True)
        return Point(to_map.transform(*deployment.lon_lat))
    return None


def all_rejected(fix: SurveyFix) -> list[tuple[int | None, Rejected]]:
    """Every rejected recording once, with its round where it belongs to one."""
    found: dict[tuple[str, int, str], tuple[int | None, Rejected]] = {}
    in_rounds = ((round_.number, item) for round_ in fix.rounds for item in round_.rejected)
    for number, item in (*in_rounds, *((None, item) for item in fix.rejected)):
        row = item.deployment
        found.setdefault((row.table, row.row, str(row.recording)), (number, item))
    return list(found.values())


def _evidence_rows(fix: SurveyFix) -> Iterator[Row]:
    for pair in fix.pairs:
        by_round = {evidence.round_number: evidence for evidence in pair.evidence}
        starts = {round_.number: round_.start for round_ in fix.rounds}
        for number in sorted(starts.keys() | by_round.keys()):
            row: Row = {
                "logger_a": pair.logger_a,
                "logger_b": pair.logger_b,
                "sensor_a": pair.path.sensor_a,
                "sensor_b": pair.path.sensor_b,
                "round": number,
                "start": starts.get(number),
            }
            evidence = by_round.get(number)
            if evidence is None:
                reason = "; ".join(_why_missing(pair, number, fix))
                yield row | {"status": "no evidence", "reason": reason}
                continue
            yield row | {
                "status": "used",
                "duration_s": evidence.duration_s,
                "delay_ms": evidence.peak_delay_s * 1000,
                "standard_error_ms": evidence.standard_error_s * 1000,
                "second_opinion_ms": evidence.second_opinion_s * 1000,
                "coherence": evidence.coherence,
                "band_low_hz": evidence.band_hz[0],
                "band_high_hz": evidence.band_hz[1],
                "significance": evidence.significance,
                "note": " ".join(evidence.notes) or None,
            }


def _why_missing(pair: PairFix, number: int, fix: SurveyFix) -> Iterable[str]:
    known = [f"a known noise at {one}" for r in fix.rounds if r.number == number for one in r.known_noises]
    if known:
        return [f"the round holds {known[0]} and was not searched for leaks"]
    reasons = [
        f"{item.deployment.logger}: {item.reason}"
        for at, item in all_rejected(fix)
        if at == number and item.deployment.logger in (pair.logger_a, pair.logger_b)
    ]
    return reasons or ["the two loggers have no usable common recording in this round"]


def _left_out_rows(fix: SurveyFix) -> Iterator[Row]:
    for pair in fix.left_out:
        yield {
            "logger_a": pair.logger_a,
            "logger_b": pair.logger_b,
            "sensor_a": pair.sensor_a,
            "sensor_b": pair.sensor_b,
            "status": "left out",
            "reason": pair.reason,
        }


def _rejected_rows(fix: SurveyFix) -> Iterator[Row]:
    starts = {round_.number: round_.start for round_ in fix.rounds}
    for number, item in all_rejected(fix):
        yield {
            "logger_a": item.deployment.logger,
            "sensor_a": fitting_of(item.deployment, fix),
            "round": number,
            "start": starts.get(number) if number is not None else item.deployment.start,
            "status": "rejected",
            "rejected": item.deployment.recording.name,
            "reason": item.reason,
        }
