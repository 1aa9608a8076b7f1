"""What a survey's answer rests on, as tables that are kept beside the result."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from netcorr.export.curves import pack_curve
from netcorr.export.local_plane import LocalPlane
from netcorr.export.made_from import Inputs, made_from_rows
from netcorr.export.result_tables import path_line
from netcorr.export.stored_schema import (
    CANDIDATE_STRETCHES,
    EVIDENCE_CURVES,
    FITTINGS_NEARBY,
    MADE_FROM,
    MAINS_NEARBY,
    PATH_PIPES,
    SURVEY_NOTES,
)
from netcorr.layers.alternatives import to_json
from netcorr.path.reference import segment_ends_m

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from netcorr.delay.evidence import DelayEvidence
    from netcorr.position.fix import PairFix, SurveyFix

Row = dict[str, Any]

#: Mains are kept this far round the paths, or this share of their extent if that is more. [m]
NEARBY_M = 150.0
NEARBY_SHARE = 0.35
#: Curves are kept of so many pairs, those that have most to say: a night of 60 loggers has 1800 pairs.
MOST_PAIRS = 60


def stored_tables(fix: SurveyFix, inputs: Inputs, *, folder: Path) -> dict[str, pd.DataFrame]:
    """Tables of `netcorr.export.stored_schema.STORED_LAYERS`, by name.

    Parameters
    ----------
    fix : SurveyFix
        The answer of a survey.
    inputs : Inputs
        What it was located with.
    folder : pathlib.Path
        Folder of the result, from which paths are seen.

    Returns
    -------
    dict of str to pandas.DataFrame
        One table for each layer, typed also when it is empty.
    """
    crs = fix.network.crs
    area = _area(fix)
    return {
        layer.name: layer.table(rows, crs)
        for layer, rows in (
            (MAINS_NEARBY, _main_rows(fix, area)),
            (FITTINGS_NEARBY, _fitting_rows(fix, area)),
            (PATH_PIPES, (row for pair in fix.pairs for row in _pipe_rows(pair))),
            (CANDIDATE_STRETCHES, _stretch_rows(fix)),
            (EVIDENCE_CURVES, (row for pair in telling_pairs(fix) for row in _curve_rows(pair))),
            (SURVEY_NOTES, _note_rows(fix)),
            (MADE_FROM, made_from_rows(fix, inputs, folder=folder)),
        )
    }


def telling_pairs(fix: SurveyFix, *, most: int = MOST_PAIRS) -> list[PairFix]:
    """Pairs that have most to say, in the order of the survey.

    Parameters
    ----------
    fix : SurveyFix
        The answer.
    most : int
        How many.

    Returns
    -------
    list of PairFix
        Those with the least probability that nothing was heard.
    """
    chosen = sorted(fix.pairs, key=lambda pair: pair.probability_none)[:most]
    kept = {id(pair) for pair in chosen}
    return [pair for pair in fix.pairs if id(pair) in kept]


def _area(fix: SurveyFix) -> Any:
    """Box round the paths and the pipes of the candidates, widened on the ground, in the CRS of the map."""
    lines = [path_line(pair.path) for pair in fix.pairs]
    if not lines:
        return None
    plane = LocalPlane.about(lines, fix.network.crs)
    branches = [line for one in fix.candidates for branch in one.branches for line in branch.lines]
    west, south, east, north = shapely.total_bounds(plane.from_map([*lines, *branches])).tolist()
    margin = max(NEARBY_M, NEARBY_SHARE * max(east - west, north - south))
    box = shapely.box(west - margin, south - margin, east + margin, north + margin)
    (area,) = plane.to_map([shapely.segmentize(box, max(margin, 1.0))])
    shapely.prepare(area)
    return area


def _main_rows(fix: SurveyFix, area: Any) -> Iterator[Row]:
    if area is None:
        return
    edges = [data for _, _, data in fix.network.graph.edges(data=True)]
    shapes = np.asarray([edge["geometry"] for edge in edges], dtype=object)
    for index in np.flatnonzero(shapely.intersects(shapes, area)):
        edge = edges[index]
        yield {
            **{column.name: _known(edge.get(column.name)) for column in MAINS_NEARBY.columns},
            "assumed": edge.get("assumed") or None,
            "could_be": to_json(edge.get("could_be")),
            "geometry": shapely.force_2d(edge["geometry"]),
        }


def _fitting_rows(fix: SurveyFix, area: Any) -> Iterator[Row]:
    if area is None:
        return
    fittings = fix.network.fittings
    ends = {end for pair in fix.pairs for end in (pair.path.sensor_a, pair.path.sensor_b)}
    near = shapely.intersects(fittings.geometry.to_numpy(), area) | fittings.index.isin(list(ends))
    for name, row in fittings[near].iterrows():
        yield {
            **{column.name: _known(row.get(column.name)) for column in FITTINGS_NEARBY.columns},
            "asset_id": str(name),
            "geometry": shapely.force_2d(row.geometry),
        }


def _pipe_rows(pair: PairFix) -> Iterator[Row]:
    path = pair.path
    starts = segment_ends_m(path)[:-1].tolist()
    together = zip(path.segments, pair.speeds, starts, strict=True)
    for part, (segment, speed, from_a_m) in enumerate(together, start=1):
        yield {
            **{column.name: getattr(segment, column.name, None) for column in PATH_PIPES.columns},
            "assumed": segment.assumed or None,
            "could_be": to_json(segment.could_be),
            "sensor_a": path.sensor_a,
            "sensor_b": path.sensor_b,
            "part": part,
            "from_a_m": from_a_m,
            "speed_m_s": speed.speed_m_s,
            "speed_common_sd_m_s": speed.common_sd_m_s,
            "speed_pipe_sd_m_s": speed.pipe_sd_m_s,
            "speed_group": speed.group,
            "speed_source": speed.source,
            "speed_assumptions": json.dumps(speed.assumptions, ensure_ascii=False),
            "geometry": shapely.force_2d(segment.geometry),
        }


def _stretch_rows(fix: SurveyFix) -> Iterator[Row]:
    for candidate in fix.candidates:
        for low_m, high_m in candidate.stretch_m:
            yield {"candidate_id": candidate.candidate_id, "low_m": low_m, "high_m": high_m}


def _curve_rows(pair: PairFix) -> Iterator[Row]:
    density = pair.density_per_m
    names = _names(pair)
    yield {
        **names,
        **_curve("position", pair.position_m, density, tolerance=0.002 * float(density.max() or 1.0)),
    }
    for one in pair.evidence:
        of_round = {**names, "round": one.round_number, "polarity": one.polarity}
        for curve in _evidence_curves(one):
            yield {**of_round, **curve}


def _evidence_curves(one: DelayEvidence) -> Iterator[Row]:
    reach = float(np.ptp(one.log_likelihood))
    yield _curve("delay", one.delay_s * 1000, one.log_likelihood, tolerance=max(0.2, 0.003 * reach))
    if one.frequency_hz.size > 1:
        yield _curve("coherence", one.frequency_hz, one.coherence_spectrum, tolerance=0.004)
        yield _curve("phase", one.frequency_hz, one.phase_rad, tolerance=0.05)


_NAMES = {
    "position": ("from_a_m", "density_per_m"),
    "delay": ("delay_ms", "log_likelihood"),
    "coherence": ("frequency_hz", "coherence"),
    "phase": ("frequency_hz", "phase_rad"),
}


def _curve(curve: str, x: NDArray[np.float64], y: NDArray[np.float64], *, tolerance: float) -> Row:
    x_name, y_name = _NAMES[curve]
    packed_x, packed_y = pack_curve(x, y, tolerance=tolerance)
    return {
        "curve": curve,
        "x_name": x_name,
        "y_name": y_name,
        "points": x.size,
        "x": packed_x,
        "y": packed_y,
    }


def _note_rows(fix: SurveyFix) -> Iterator[Row]:
    for note in fix.notes:
        yield {"note": note}
    for pair in fix.pairs:
        names = _names(pair)
        for note in pair.notes:
            yield {**names, "note": note}
        for one in pair.evidence:
            for note in one.notes:
                yield {**names, "round": one.round_number, "note": note}


def _names(pair: PairFix) -> Row:
    """What tells a pair from others, also where a logger was moved between rounds."""
    path = pair.path
    return {
        "logger_a": pair.logger_a,
        "logger_b": pair.logger_b,
        "sensor_a": path.sensor_a,
        "sensor_b": path.sensor_b,
    }


def _known(value: Any) -> Any:
    """Value for a cell: what is not a number is empty."""
    return None if isinstance(value, float) and np.isnan(value) else value
