"""How well leaks would be placed by a plan: a layer, a sentence or two, and figures."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from netcorr.export.coverage_style import LOOSE, TIGHT, UNKNOWN
from netcorr.export.cut_lines import cut_lines
from netcorr.export.fix_words import extent
from netcorr.export.layer_style import Condition, LayerStyle, Rule, Stroke
from netcorr.export.result_schema import Column, ResultLayer
from netcorr.export.sentences import format_length
from netcorr.planning.cover_totals import weighted_median

if TYPE_CHECKING:
    from netcorr.planning.expected_map import ExpectedFix
    from netcorr.planning.plan import Plan
    from netcorr.units import UnitSystem

EXPECTED_FIX = ResultLayer(
    "expected_fix",
    "LineString",
    "How well leaks would be placed",
    "Covered main in short pieces, with the 95 % stretch that a leak in each would get.",
    (
        Column("pipe_id", "text", "Main that this is a piece of"),
        Column("length_m", "real", "Ground length of the piece [m]"),
        Column(
            "expected_m", "real", "Expected length of the 95 % stretch, by the best pair of all setups [m]"
        ),
        Column("fix", "text", "tight or loose by the limit asked for; unknown where a speed is not known"),
        Column("sensor_a", "text", "That pair: one sensor"),
        Column("sensor_b", "text", "That pair: the other one"),
    ),
)

EXPECTED_STYLE = LayerStyle(
    EXPECTED_FIX,
    (
        Rule(
            "Speed not known: a leak is heard, not placed",
            Stroke(UNKNOWN, 1.5, dashed=True),
            (Condition("fix", "=", "unknown"),),
        ),
        Rule("A fix would be too loose to dig", Stroke(LOOSE, 1.6), (Condition("fix", "=", "loose"),)),
        Rule("A fix would be tight", Stroke(TIGHT, 1.6), (Condition("fix", "=", "tight"),)),
    ),
    tip=("expected_m", "sensor_a", "sensor_b"),
)


def expected_table(plan: Plan, expected: ExpectedFix | None) -> pd.DataFrame:
    """Pieces as a table; empty when nothing was worked out.

    Parameters
    ----------
    plan : Plan
        The plan.
    expected : ExpectedFix or None
        What `netcorr.planning.expected_map.expected_fix` found for it.

    Returns
    -------
    geopandas.GeoDataFrame
        Columns of `EXPECTED_FIX`.
    """
    crs = plan.mains.network.crs
    if expected is None or not len(expected.expected_m):
        return EXPECTED_FIX.table((), crs)
    cuts, names = expected.cuts, plan.problem.sites.fitting
    lines = np.array([edge["geometry"] for edge in plan.mains.edges], dtype=object)[cuts.edge]
    fix = np.where(np.isnan(expected.expected_m), "unknown", "tight").astype(object)
    fix[expected.expected_m > expected.loose_from_m] = "loose"
    rows = zip(
        cuts.edge.tolist(),
        cuts.length_m.tolist(),
        expected.expected_m.tolist(),
        fix.tolist(),
        names[expected.site_a].tolist(),
        names[expected.site_b].tolist(),
        cut_lines(lines, cuts.from_share, cuts.to_share).tolist(),
        strict=True,
    )
    return EXPECTED_FIX.table(
        (
            {
                "pipe_id": plan.mains.edges[edge]["pipe_id"],
                "length_m": length_m,
                "expected_m": expected_m,
                "fix": word,
                "sensor_a": a,
                "sensor_b": b,
                "geometry": line,
            }
            for edge, length_m, expected_m, word, a, b, line in rows
        ),
        crs,
    )


def expected_dict(expected: ExpectedFix) -> dict[str, Any]:
    """Figures of an expected result map: shortest, median and longest stretch, and what is loose. [m]"""
    known = expected.expected_m[np.isfinite(expected.expected_m)]
    length_m = expected.cuts.length_m
    return {
        "best_m": float(known.min()) if len(known) else None,
        "median_m": weighted_median(expected.expected_m, length_m) if len(known) else None,
        "worst_m": float(known.max()) if len(known) else None,
        "loose_from_m": expected.loose_from_m,
        "loose_main_m": float(length_m[expected.expected_m > expected.loose_from_m].sum()),
        "unknown_main_m": float(length_m[np.isnan(expected.expected_m)].sum()),
    }


def expected_words(expected: ExpectedFix, units: UnitSystem) -> Iterator[str]:
    """How well leaks would be placed, in sentences."""
    found = expected_dict(expected)
    if found["best_m"] is not None:
        best, median, worst = (
            format_length(found[name], units) for name in ("best_m", "median_m", "worst_m")
        )
        yield (
            f"the 95 % stretch of a leak would be {best} at best, {median} at half of the metres covered, "
            f"{worst} at worst"
        )
    if found["loose_main_m"]:
        limit = format_length(expected.loose_from_m, units)
        yield (
            f"{extent(found['loose_main_m'], units)} of covered main would get one longer than {limit}, too "
            "loose to dig: put a logger nearer, or learn the wave speed of these mains"
        )
    if found["unknown_main_m"]:
        yield (
            f"{extent(found['unknown_main_m'], units)} of covered main is on paths with a main of unknown "
            "material or size: a leak there cannot be placed until the map says what it is"
        )
