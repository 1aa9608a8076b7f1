"""A coverage for machines: only what JSON can hold."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from netcorr.export.coverage_tables import reach_rows, settings_rows
from netcorr.export.plain_text import plain_values
from netcorr.planning.cover_totals import ALL

if TYPE_CHECKING:
    from netcorr.planning.cover_answer import CoverAnswer
    from netcorr.planning.cover_totals import Total


def coverage_dict(answer: CoverAnswer) -> dict[str, Any]:
    """Give a coverage as plain data, in SI units.

    Parameters
    ----------
    answer : CoverAnswer
        What sites cover.

    Returns
    -------
    dict
        Totals in all, by material and by zone, dead ends, sensors, reach and settings. Metres by main are in
        the layers.
    """
    cover = answer.cover
    problem, network = cover.problem, cover.mains.network
    record = {
        "source": network.source,
        "sensors": len(problem.sites),
        "pairs": len(problem.pair_sites),
        "given": list(answer.given),
        "unused": dict(answer.unused),
        **_total(answer.totals[0]),
        "groups": [{"by": one.by, "name": one.name, **_total(one)} for one in answer.totals if one.by != ALL],
        "dead_ends": [
            {
                "length_m": one.length_m,
                "pipe_ids": sorted({str(cover.mains.edges[k]["pipe_id"]) for k in one.edges.tolist()}),
                "nearest_fitting": one.fitting,
                "why_not": answer.why_not.get(one.fitting or ""),
                "remedy": answer.remedy(one),
            }
            for one in answer.dead_ends
        ],
        "reach": [
            {"mains": kind, "reach_m": reach_m, "source": source}
            for kind, reach_m, source in reach_rows(answer)
        ],
        "settings": settings_rows(answer),
        "notes": list(answer.notes),
    }
    plain: dict[str, Any] = plain_values(record)
    return plain


def _total(one: Total) -> dict[str, Any]:
    return {
        "total_m": one.total_m,
        "covered_m": one.covered_m,
        "covered_percent": one.covered_percent,
        "twice_m": one.twice_m,
        "heard_m": one.heard_m,
        "not_covered_m": one.not_covered_m,
        "why_not_m": dict(one.why_m),
        "expected_m": one.expected_m,
        "loose_m": one.loose_m,
    }
