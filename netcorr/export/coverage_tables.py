"""A coverage as tables, one for each layer."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from netcorr.export.coverage_schema import (
    COVERAGE,
    COVERAGE_LAYERS,
    COVERAGE_SENSORS,
    COVERAGE_SETTINGS,
    COVERAGE_TOTALS,
    DEAD_ENDS,
    SENSOR_PAIRS,
)
from netcorr.export.coverage_style import COVERAGE_STYLES
from netcorr.export.cut_lines import cut_lines
from netcorr.export.geopackage import write_tables
from netcorr.export.pipe_words import pipe_text
from netcorr.export.plain_text import plain_text
from netcorr.planning.cover_map import COVERED
from netcorr.planning.pair_paths import pair_paths

if TYPE_CHECKING:
    import os

    from netcorr.export.result_schema import ResultLayer
    from netcorr.feedback import Feedback
    from netcorr.planning.cover_answer import CoverAnswer

#: So many pairs, or mains, are named in a cell.
_NAMED = 5


def write_coverage(
    answer: CoverAnswer, path: str | os.PathLike[str], *, feedback: Feedback | None = None
) -> None:
    """Write a coverage as a GeoPackage with styles.

    Parameters
    ----------
    answer : CoverAnswer
        What sites cover.
    path : str or path-like
        File to write, ending in ``.gpkg``. An earlier coverage there is replaced when the new one is
        complete.
    feedback : Feedback, optional
        Told how far the work is.

    Raises
    ------
    ExportError
        If the file is in use by another program, holds other layers, or cannot be written.
    CancelledError
        If the user stopped it; nothing is written then.
    """
    tables = coverage_tables(answer)
    write_tables(tables, path, layers=COVERAGE_LAYERS, styles=COVERAGE_STYLES, feedback=feedback)


def coverage_tables(answer: CoverAnswer) -> dict[str, pd.DataFrame]:
    """Tables of a coverage, by layer name.

    Parameters
    ----------
    answer : CoverAnswer
        What sites cover.

    Returns
    -------
    dict of str to pandas.DataFrame
        One for each of `COVERAGE_LAYERS`, typed also when it is empty.
    """
    crs = answer.cover.mains.network.crs
    return {
        COVERAGE.name: _coverage(answer),
        DEAD_ENDS.name: DEAD_ENDS.table(_dead_ends(answer), crs),
        SENSOR_PAIRS.name: SENSOR_PAIRS.table(_pairs(answer), crs),
        COVERAGE_SENSORS.name: COVERAGE_SENSORS.table(_sensors(answer), crs),
        COVERAGE_TOTALS.name: COVERAGE_TOTALS.table(_totals(answer), None),
        COVERAGE_SETTINGS.name: COVERAGE_SETTINGS.table(settings_rows(answer), None),
    }


def _coverage(answer: CoverAnswer) -> gpd.GeoDataFrame:
    """Pieces as columns: there may be hundreds of thousands."""
    cover, pieces = answer.cover, answer.cover.pieces
    edges, of = cover.mains.edges, cover.pieces.edge
    kinds = {
        name: np.array([edge[name] for edge in edges], dtype=object)
        for name in ("pipe_id", "material", "diameter_mm", "geometry")
    }
    covered = pieces.state == COVERED
    fix = np.where(np.isnan(pieces.expected_m), "unknown", "tight").astype(object)
    fix[pieces.expected_m > answer.loose_from_m] = "loose"
    sources = [cover.reach.source_of(e["material"], diameter_mm=e["diameter_mm"]) for e in edges]
    values: dict[str, Any] = {
        "pipe_id": kinds["pipe_id"][of],
        "material": kinds["material"][of],
        "diameter_mm": kinds["diameter_mm"][of],
        "assumed": np.array([edge["assumed"] or None for edge in edges], dtype=object)[of],
        "zone": np.array([None] * len(edges) if answer.zones is None else answer.zones, dtype=object)[of],
        "length_m": pieces.length_m,
        "state": pieces.state,
        "pairs": pieces.pairs,
        "sensor_a": _best(answer, 0),
        "sensor_b": _best(answer, 1),
        "all_pairs": _all_pairs(answer)[of],
        "expected_m": pieces.expected_m,
        "fix": _where(covered, fix),
        "why_not": _where(~covered, cover.reasons.reason[of]),
        "add_sensors": _where(~covered, _added(answer)[of]),
        "reach_m": cover.mains.graph.reach_m[of],
        "reach_from": np.array(sources, dtype=object)[of],
    }
    return _typed(COVERAGE, values, _cut(kinds["geometry"], answer), cover.mains.network.crs)


def _where(here: Any, values: Any) -> Any:
    """Values where they say something, None elsewhere."""
    found = np.full(len(here), None, dtype=object)
    found[here] = values[here]
    return found


def _best(answer: CoverAnswer, side: int) -> Any:
    """One sensor of the best pair of each piece."""
    problem, best = answer.cover.problem, answer.cover.pieces.best_pair
    found = np.full(len(best), None, dtype=object)
    here = best >= 0
    found[here] = problem.sites.fitting[problem.pair_sites[best[here], side]]
    return found


def _typed(layer: ResultLayer, values: dict[str, Any], geometry: Any, crs: Any) -> gpd.GeoDataFrame:
    columns: dict[str, Any] = {}
    for column in layer.columns:
        if column.kind == "text":
            code, unique = pd.factorize(pd.Series(values[column.name], dtype=object), use_na_sentinel=True)
            clean = np.array([*(plain_text(text) or None for text in unique.tolist()), None], dtype=object)
            columns[column.name] = pd.Series(clean[code], dtype=object)
        elif column.kind == "integer":
            columns[column.name] = pd.array(values[column.name], dtype="Int32")
        else:
            columns[column.name] = np.asarray(values[column.name], dtype=float)
    return gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries(geometry, crs=crs), crs=crs)


def _cut(lines: Any, answer: CoverAnswer) -> Any:
    """Drawn line of each piece."""
    pieces = answer.cover.pieces
    found = lines[pieces.edge].copy()
    part = np.flatnonzero((pieces.from_share > 0) | (pieces.to_share < 1 - 1e-12))
    found[part] = cut_lines(found[part], pieces.from_share[part], pieces.to_share[part])
    return shapely.force_2d(found)


def _all_pairs(answer: CoverAnswer) -> Any:
    """Names of the pairs that cover each edge."""
    problem = answer.cover.problem
    names = problem.sites.fitting
    found = np.full(len(problem.stretches), None, dtype=object)
    for k in np.flatnonzero(problem.covering.counts).tolist():
        pairs = problem.covering[k]
        listed = [f"{names[a]} - {names[b]}" for a, b in problem.pair_sites[pairs[:_NAMED]].tolist()]
        more = [f"and {len(pairs) - _NAMED} more"] if len(pairs) > _NAMED else []
        found[k] = ", ".join([*listed, *more])
    return found


def _added(answer: CoverAnswer) -> Any:
    """Fittings that would have to be added to cover each edge."""
    needs, names = answer.cover.reasons.needs, answer.cover.candidates.fitting
    found = np.full(len(needs), None, dtype=object)
    for k in np.flatnonzero((needs >= 0).any(axis=1)).tolist():
        found[k] = " and ".join(dict.fromkeys(str(names[s]) for s in needs[k].tolist() if s >= 0))
    return found


def _dead_ends(answer: CoverAnswer) -> list[dict[str, Any]]:
    network, edges = answer.cover.mains.network, answer.cover.mains.edges
    rows = []
    for number, one in enumerate(answer.dead_ends, start=1):
        ids = list(dict.fromkeys(str(edges[k]["pipe_id"]) for k in one.edges.tolist()))
        end = network.graph.nodes[one.far_node]
        rows.append(
            {
                "number": number,
                "length_m": one.length_m,
                "pipe_ids": ", ".join(ids[:_NAMED]) + (" ..." if len(ids) > _NAMED else ""),
                "nearest_fitting": one.fitting,
                "nearest_kind": one.kind,
                "why_not": answer.why_not.get(one.fitting or ""),
                "remedy": answer.remedy(one),
                "end_x": end["x"],
                "end_y": end["y"],
                "geometry": _lines(answer, one.edges),
            }
        )
    return rows


def _lines(answer: CoverAnswer, edges: Any) -> Any:
    lines = [shapely.force_2d(answer.cover.mains.edges[int(k)]["geometry"]) for k in edges]
    return shapely.multilinestrings(lines)


def _pairs(answer: CoverAnswer) -> list[dict[str, Any]]:
    cover = answer.cover
    problem, pieces, graph = cover.problem, cover.pieces, cover.mains.graph
    counted = np.isin(problem.covering.group, pieces.edge)
    covers_m = np.bincount(
        problem.covering.values[counted],
        graph.length_m[problem.covering.group[counted]],
        minlength=len(problem.pair_sites),
    )
    names, edges = problem.sites.fitting, cover.mains.edges
    rows = []
    for found in pair_paths(cover.whole, graph, cover.speeds):
        a, b = problem.pair_sites[found.pair].tolist()
        stretch_m = cover.expected_m(found)
        kinds = [pipe_text(edges[k]["material"], edges[k]["diameter_mm"]) for k in found.edge.tolist()]
        runs = groupby(zip(kinds, found.path.length_m.tolist(), strict=True), key=lambda one: one[0])
        rows.append(
            {
                "sensor_a": names[a],
                "sensor_b": names[b],
                "length_m": problem.pair_length_m[found.pair],
                "reach_used": float(found.path.share.sum() + found.path.node_share.sum()),
                "covers_m": covers_m[found.pair],
                "expected_best_m": float(stretch_m.min()),
                "expected_worst_m": float(stretch_m.max()),
                "materials": ", ".join(f"{sum(m for _, m in run):.1f} m {kind}" for kind, run in runs),
                "geometry": _lines(answer, found.edge),
            }
        )
    return rows


def _sensors(answer: CoverAnswer) -> list[dict[str, Any]]:
    cover = answer.cover
    problem, graph = cover.problem, cover.mains.graph
    table = cover.mains.network.fittings
    pairs = np.bincount(problem.pair_sites.ravel(), minlength=len(problem.sites))
    counted = np.isin(problem.covering.group, cover.pieces.edge)
    beside = np.concatenate([problem.covering_from[counted], problem.covering_to[counted]])
    edge = np.tile(problem.covering.group[counted], 2)
    once = np.unique(np.stack([beside, edge]), axis=1)
    covers_m = np.bincount(once[0], graph.length_m[once[1]], minlength=len(problem.sites))
    number = {str(name): k for k, name in enumerate(problem.sites.fitting)}
    rows = []
    for name in answer.given:
        k = number.get(name)
        note = answer.unused.get(name, "")
        if k is not None and not pairs[k]:
            note = "no other sensor within reach: what it hears cannot be located"
        rows.append(
            {
                "fitting": name,
                "kind": table.at[name, "kind"],
                "pairs": 0 if k is None else int(pairs[k]),
                "covers_m": 0.0 if k is None else float(covers_m[k]),
                "note": note or None,
                "geometry": shapely.force_2d(table.geometry.at[name]),
            }
        )
    return rows


def _totals(answer: CoverAnswer) -> list[dict[str, Any]]:
    return [
        {
            "by": one.by,
            "name": one.name or None,
            "total_m": one.total_m,
            "covered_m": one.covered_m,
            "covered_percent": one.covered_percent,
            "twice_m": one.twice_m,
            "heard_m": one.heard_m,
            "not_covered_m": one.not_covered_m,
            "expected_m": one.expected_m,
            "loose_m": one.loose_m,
            "why_not": ", ".join(f"{reason} {length_m:.0f} m" for reason, length_m in one.why_m) or None,
        }
        for one in answer.totals
    ]


def settings_rows(answer: CoverAnswer) -> list[dict[str, str]]:
    """What a coverage rests on: name, value with its unit, and where it comes from."""
    cover, budget = answer.cover, answer.cover.reach.budget
    settings = cover.settings
    assumed = "assumption; give your own"
    rows = [
        ("leak over background at the leak", f"{budget.source_db:g} dB", assumed),
        ("length of a recording", f"{budget.recording_s:g} s", "as planned"),
        ("loss that is still heard, in all", f"{budget.budget_db:.1f} dB", "peak six sd above noise"),
        ("second way round longer by", f"{100 * cover.margin:g} %", "as planned"),
        ("clock of a logger, sd", f"{1000 * settings.clock_sd_s:g} ms", assumed),
        ("place of two fittings, sd", f"{settings.length_sd_m:g} m", assumed),
        ("length from the map, sd", f"{100 * settings.length_sd_share:g} %", assumed),
        ("a fix is loose from", f"{answer.loose_from_m:g} m", "as planned"),
    ]
    rows += [(f"reach on {kind}", f"{reach_m:.0f} m", source) for kind, reach_m, source in reach_rows(answer)]
    return [{"name": name, "value": value, "source": source} for name, value, source in rows]


def reach_rows(answer: CoverAnswer) -> list[tuple[str, float, str]]:
    """Reach on each kind of main that counts, the most frequent first: words, reach [m], source."""
    cover = answer.cover
    edges, graph = cover.mains.edges, cover.mains.graph
    length_m: dict[tuple[str | None, float, float], float] = {}
    of = np.unique(cover.pieces.edge)
    for k, reach_m, one_m in zip(
        of.tolist(), graph.reach_m[of].tolist(), graph.length_m[of].tolist(), strict=True
    ):
        kind = (edges[k]["material"], float(edges[k]["diameter_mm"]), reach_m)
        length_m[kind] = length_m.get(kind, 0.0) + one_m
    total: dict[tuple[str, float, str], float] = {}
    for (material, diameter_mm, reach_m), one_m in length_m.items():
        source = cover.reach.source_of(material, diameter_mm=diameter_mm)
        row = (pipe_text(material, diameter_mm), reach_m, source)
        total[row] = total.get(row, 0.0) + one_m
    return sorted(total, key=lambda row: -total[row])
