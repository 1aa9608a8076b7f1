"""Accuracy to layers: every find, its groups, whether probabilities came true, and the speeds learned."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from netcorr.export.geopackage import write_tables
from netcorr.export.plain_text import plain_values
from netcorr.export.result_schema import Column, ResultLayer
from netcorr.verification.accuracy import WITHIN_M, band_name

if TYPE_CHECKING:
    import pandas as pd
    import pyproj

    from netcorr.feedback import Feedback
    from netcorr.verification import Accuracy, Interval, SpeedLesson

Row = dict[str, Any]

VERIFIED_FINDS = ResultLayer(
    "verified_finds",
    "Point",
    "Candidates that were visited",
    "One row for each candidate between two sensors where somebody was, at the place of the leak.",
    (
        Column("result", "text", "Result that it comes from"),
        Column("candidate_id", "text", "The candidate"),
        Column("rank", "integer", "1 was the most probable of its survey"),
        Column("probability", "real", "As stated, 0 to 1"),
        Column("verification", "text", "What the ground said"),
        Column("crew", "text", "Who was there"),
        Column("pipe_id", "text", "Main under the point"),
        Column("material", "text", "Its material"),
        Column("from_a_m", "real", "Predicted, from sensor_a along the main [m]"),
        Column("found_from_a_m", "real", "Found, from sensor_a along the main [m]"),
        Column("error_m", "real", "Found less predicted: + towards sensor B [m]"),
        Column("sd_m", "real", "Stated standard deviation [m]"),
        Column("within_3_ft", "text", "yes or no: within 0.9 m of the point; empty where nobody measured"),
        Column("in_area", "text", "yes or no: in the stated area; empty where that is not known"),
        Column("disputed", "flag", "Crews contradict each other: it counts nowhere"),
    ),
)

ACCURACY_GROUPS = ResultLayer(
    "accuracy_groups",
    None,
    "Accuracy by group",
    "All finds, then by material, crew and stated probability, with 95 % intervals.",
    (
        Column("grouped_by", "text", "all, material, crew or probability"),
        Column("name", "text", "Name of the group"),
        Column("visited", "integer", "Candidates where somebody was"),
        Column("dug", "integer", "Where the ground was opened"),
        Column("found", "integer", "With a leak"),
        Column("dry", "integer", "Without one"),
        Column("hit_rate", "real", "Share of those dug with a leak, 0 to 1"),
        Column("hit_rate_low", "real", "Its 95 % interval (Wilson), from"),
        Column("hit_rate_high", "real", "to"),
        Column("measured", "integer", "Leaks whose place was measured"),
        Column("median_m", "real", "Median of the size of the error along the main [m]"),
        Column("median_low_m", "real", "Its 95 % interval (order statistics), from [m]"),
        Column("median_high_m", "real", "to; empty where there are too few [m]"),
        Column("within_3_ft", "real", "Share of the measured ones within 0.9 m of the point, 0 to 1"),
        Column("within_3_ft_low", "real", "Its 95 % interval (Wilson), from"),
        Column("within_3_ft_high", "real", "to"),
        Column("bias_m", "real", "Mean error: + towards sensor B [m]"),
        Column("few", "flag", "Fewer than ten were dug: not to be compared yet"),
    ),
)

RELIABILITY = ResultLayer(
    "reliability",
    None,
    "Stated and true",
    "For bands of stated probability the share in whose area the leak was.",
    (
        Column("band", "text", "Band of stated probability"),
        Column("stated", "real", "Mean of the stated probabilities, 0 to 1"),
        Column("counted", "integer", "Candidates that were dug and of which it is known"),
        Column("came_true", "real", "Share in whose area the leak was, 0 to 1"),
        Column("came_true_low", "real", "Its 95 % interval (Wilson), from"),
        Column("came_true_high", "real", "to"),
        Column("unmeasured", "integer", "Found, but nobody measured where: not counted"),
        Column("agreement", "text", "agrees, too sure, too careful or nothing dug"),
    ),
)

LEARNED_SPEEDS = ResultLayer(
    "learned_speeds",
    None,
    "Wave speeds learned",
    "True wave speed over that of the tables, by material and years laid.",
    (
        Column("material", "text", "Material"),
        Column("first_year", "integer", "First year laid; empty for any or unknown year"),
        Column("last_year", "integer", "Last year laid"),
        Column("scale", "real", "True speed over that of the tables"),
        Column("scale_sd", "real", "Its standard deviation"),
        Column("table_sd", "real", "That of the tables alone"),
        Column("finds", "integer", "Leaks found on such pipes"),
        Column("surveys", "integer", "Results that they come from"),
        Column("learned", "flag", "Whether the finds say more than the tables"),
    ),
)

AREA_WIDENING = ResultLayer(
    "area_widening",
    None,
    "Widening of areas",
    "Times the stated deviation that holds so many leaks: from 9 finds on for 90 %, from 19 on for 95 %.",
    (
        Column("pipes", "text", "metal, plastic or other"),
        Column("level", "real", "Share of leaks that is to be held, 0 to 1"),
        Column("multiplier", "real", "Standard deviations on either side that hold it (split-conformal)"),
        Column("factor", "real", "The same against what is stated: 1 where the stated deviation is right"),
        Column("finds", "integer", "Finds that it rests on"),
    ),
)

ACCURACY_LAYERS = (VERIFIED_FINDS, ACCURACY_GROUPS, RELIABILITY, LEARNED_SPEEDS, AREA_WIDENING)


def write_accuracy(
    accuracy: Accuracy,
    lesson: SpeedLesson,
    path: str | os.PathLike[str],
    *,
    crs: pyproj.CRS,
    feedback: Feedback | None = None,
) -> None:
    """Write accuracy and speeds as a GeoPackage.

    Parameters
    ----------
    accuracy : Accuracy
        How good the fixes were.
    lesson : SpeedLesson
        What they teach about speeds.
    path : str or path-like
        File to write, ending in ``.gpkg``; an earlier one is replaced.
    crs : pyproj.CRS
        CRS of the points.
    feedback : Feedback, optional
        Told how far the work is.

    Raises
    ------
    ExportError
        If the file is in use, holds other layers, or cannot be written.
    """
    tables = accuracy_tables(accuracy, lesson, crs=crs)
    write_tables(tables, path, layers=ACCURACY_LAYERS, feedback=feedback)


def accuracy_tables(accuracy: Accuracy, lesson: SpeedLesson, *, crs: pyproj.CRS) -> dict[str, pd.DataFrame]:
    """Tables of `write_accuracy`, by layer name."""
    rows = (
        (VERIFIED_FINDS, _find_rows(accuracy)),
        (ACCURACY_GROUPS, _group_rows(accuracy)),
        (RELIABILITY, _band_rows(accuracy)),
        (LEARNED_SPEEDS, _speed_rows(lesson)),
        (AREA_WIDENING, _widening_rows(accuracy)),
    )
    return {layer.name: layer.table(of_layer, crs) for layer, of_layer in rows}


def _find_rows(accuracy: Accuracy) -> Iterator[Row]:
    for one in (*accuracy.finds, *accuracy.disputed):
        within = None if one.error_m is None else abs(one.error_m) <= WITHIN_M
        yield {
            **{column.name: getattr(one, column.name, None) for column in VERIFIED_FINDS.columns},
            "crew": one.crew or None,
            "within_3_ft": _yes_or_no(within),
            "in_area": _yes_or_no(one.in_area),
            "geometry": one.point,
        }


def _group_rows(accuracy: Accuracy) -> Iterator[Row]:
    for one in accuracy.groups:
        yield {
            **{name: getattr(one, name) for name in ("name", "visited", "dug", "found", "dry", "bias_m")},
            "grouped_by": one.by,
            **_columns("hit_rate", one.hit_rate),
            "measured": one.error_m.count,
            **_columns("median", one.error_m, unit="_m"),
            **_columns("within_3_ft", one.within),
            "few": one.hit_rate.is_few,
        }


def _band_rows(accuracy: Accuracy) -> Iterator[Row]:
    for one in accuracy.bands:
        yield {
            "band": band_name(one.low, one.high),
            "stated": plain_values(one.stated),
            "counted": one.came_true.count,
            **_columns("came_true", one.came_true),
            "unmeasured": one.unmeasured,
            "agreement": one.agreement,
        }


def _speed_rows(lesson: SpeedLesson) -> Iterator[Row]:
    for one in lesson.speeds:
        first, last = one.years or (None, None)
        yield {
            **{column.name: getattr(one, column.name, None) for column in LEARNED_SPEEDS.columns},
            "first_year": first,
            "last_year": last,
            "learned": one.is_learned,
        }


def _widening_rows(accuracy: Accuracy) -> Iterator[Row]:
    for one in accuracy.widenings:
        yield {**vars(one), "pipes": one.group, "finds": one.count}


def _columns(name: str, interval: Interval, *, unit: str = "") -> Row:
    """Three columns of a value with its interval; empty where there is nothing to say."""
    if not interval.count:
        return {}
    return {
        f"{name}{unit}": plain_values(interval.value),
        f"{name}_low{unit}": plain_values(interval.low),
        f"{name}_high{unit}": plain_values(interval.high),
    }


def _yes_or_no(value: bool | None) -> str | None:
    return None if value is None else "yes" if value else "no"
