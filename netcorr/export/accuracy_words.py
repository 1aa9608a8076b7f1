"""How good the fixes were, in words that say how much they rest on."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from netcorr.export.cautions import CAUTIONS
from netcorr.export.pipe_words import material_text
from netcorr.export.plain_text import plain_text, plain_values
from netcorr.export.report.advice import AFTER_REPAIR, SILENCE
from netcorr.units import format_count, format_length
from netcorr.verification.accuracy import WITHIN_M, band_name
from netcorr.verification.speeds import ERAS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from netcorr.units import UnitSystem
    from netcorr.verification import Accuracy, Band, Group, Interval, LearnedSpeed, SpeedLesson

WIDTH = 80
_FEW = "few data"
#: Keeps a number and its unit on one line.
_NB = "\xa0"


def accuracy_text(
    accuracy: Accuracy,
    lesson: SpeedLesson,
    *,
    results: int,
    notes: Sequence[str] = (),
    units: UnitSystem = "metric",
) -> str:
    """Tell how good the fixes were, 80 columns wide.

    Parameters
    ----------
    accuracy : Accuracy
        How good they were.
    lesson : SpeedLesson
        What they teach about speeds.
    results : int
        How many results were read.
    notes : sequence of str
        What was left out.
    units : {'metric', 'us'}
        Metres, or feet and inches.

    Returns
    -------
    str
        Hit rate, errors, groups, whether probabilities came true, speeds, and what to do next.
    """
    lines = [*_wrap(_headline(accuracy, results))]
    if accuracy.all.dug:
        lines += ["", *_summary(accuracy.all, units)]
        for by, title in (
            ("material", "By material"),
            ("crew", "By crew"),
            ("probability", "By stated probability"),
        ):
            lines += ["", f"{title}:", *_table([one for one in accuracy.groups if one.by == by], units)]
        lines += ["", "Does a stated probability come true?"]
        lines += [line for band in reversed(accuracy.bands) for line in _item(_band(band))]
        lines += [line for text in _widenings(accuracy) for line in _item(text)]
    lines += ["", "Wave speeds:", *(line for text in _speeds(lesson) for line in _item(text))]
    if accuracy.disputed:
        count = len(accuracy.disputed)
        lines += ["", *_wrap(f"{count} left out where crews contradict each other: see netcorr verify.")]
    if notes:
        lines += ["", "Left out:", *(line for text in notes for line in _item(plain_text(text)))]
    lines += ["", *_wrap(_WHAT_IT_IS), "", *_wrap(AFTER_REPAIR), "", *_wrap(SILENCE[0])]
    return "\n".join([*lines, "", "Cautions", *(line for text in CAUTIONS for line in _item(text))])


_WHAT_IT_IS = (
    "This judges candidates that were dug, not leaks that nobody looked for: what was passed over as weak "
    "may hold leaks as well."
)


def accuracy_dict(
    accuracy: Accuracy, lesson: SpeedLesson, *, results: int, notes: Sequence[str] = ()
) -> dict[str, Any]:
    """Tell the same for machines, in SI units; None where there is nothing to say."""
    return {
        "results": results,
        "groups": [_group_dict(one) for one in accuracy.groups],
        "reliability": [
            {
                "low": one.low,
                "high": one.high,
                "stated": plain_values(one.stated),
                "came_true": _interval(one.came_true),
                "unmeasured": one.unmeasured,
                "agreement": one.agreement,
            }
            for one in accuracy.bands
        ],
        "widenings": [vars(one) for one in accuracy.widenings],
        "speeds": [{**vars(one), "learned": one.is_learned} for one in lesson.speeds],
        "disputed": len(accuracy.disputed),
        "left_out": [*lesson.left_out, *notes],
        "cautions": list(CAUTIONS),
    }


def _group_dict(one: Group) -> dict[str, Any]:
    counts = {name: getattr(one, name) for name in ("by", "name", "visited", "dug", "found", "dry", "bias_m")}
    intervals = {name: _interval(getattr(one, name)) for name in ("hit_rate", "error_m", "within")}
    return {**counts, **intervals, "few": one.hit_rate.is_few}


def _interval(one: Interval) -> dict[str, Any]:
    return {
        "value": plain_values(one.value),
        "low": plain_values(one.low),
        "high": plain_values(one.high),
        "count": one.count,
    }


def _headline(accuracy: Accuracy, results: int) -> str:
    everything = accuracy.all
    read = format_count(results, "result")
    if not everything.visited:
        return f"{read}: no candidate was visited yet. Take the crews' files back with netcorr verify first."
    told = f"{read}: {format_count(everything.visited, 'candidate')} visited, {everything.dug} dug"
    if not everything.dug:
        return f"{told}. Nothing can be said of accuracy before something is dug."
    return (
        f"{told}: {format_count(everything.found, 'leak')} found, {format_count(everything.dry, 'dry hole')}."
    )


def _summary(one: Group, units: UnitSystem) -> Iterator[str]:
    yield from _wrap(f"Hit rate: {_share(one.hit_rate, one.found)} of those dug had a leak.")
    if not one.error_m.count:
        yield from _wrap("Error along the main: nobody measured where a leak was.")
        return
    near = round(one.within.value * one.within.count)
    yield from _wrap(f"Error along the main: median {_median(one.error_m, units)}.")
    yield from _wrap(f"Within {_within(units)}: {_share(one.within, near)} of those measured.")
    if one.hit_rate.is_few or one.error_m.is_few:
        yield from _wrap(
            "Few data: figures from fewer than ten may be chance. Compare groups and change habits only when "
            "their intervals are apart."
        )


def _within(units: UnitSystem) -> str:
    return "0.9 m (3 ft)" if units == "metric" else "3 ft (0.9 m)"


def _share(one: Interval, successes: int) -> str:
    if not one.count:
        return "none"
    return (
        f"{successes} of {one.count} ({100 * one.value:.0f}{_NB}%; 95{_NB}% interval {100 * one.low:.0f} to "
        f"{100 * one.high:.0f}{_NB}%)"
    )


def _median(one: Interval, units: UnitSystem) -> str:
    low, value = (format_length(length, units) for length in (one.low, one.value))
    if math.isinf(one.high):
        return f"{value} from {one.count}: too few for an interval"
    return f"{value} (95 % interval {low} to {format_length(one.high, units)}, from {one.count})"


def _table(groups: Sequence[Group], units: UnitSystem) -> Iterator[str]:
    width = max((len(_name(one)) for one in groups), default=0)
    width = min(max(width, 8), 16)
    yield f"  {'':<{width}}  dug  found  dry  hit rate (95 %)    median  within {WITHIN_M:.1f} m"
    for one in groups:
        hit = "-" if not one.dug else f"{_percent(one.hit_rate)} ({_percents(one.hit_rate)})"
        error = "-" if not one.error_m.count else format_length(one.error_m.value, units)
        near = (
            "-"
            if not one.within.count
            else f"{round(one.within.value * one.within.count)} of {one.within.count}"
        )
        few = "  *" if one.hit_rate.is_few else ""
        name = _name(one)[:width]
        counts = f"{one.dug:>3}  {one.found:>5}  {one.dry:>3}"
        yield f"  {name:<{width}}  {counts}  {hit:<15}  {error:>8}  {near:>12}{few}"
    if any(one.hit_rate.is_few for one in groups):
        yield f"  * {_FEW}: fewer than ten dug"


def _name(one: Group) -> str:
    return plain_text(material_text(one.name) if one.by == "material" else one.name)


def _percent(one: Interval) -> str:
    return f"{100 * one.value:.0f} %"


def _percents(one: Interval) -> str:
    return f"{100 * one.low:.0f}-{100 * one.high:.0f}"


_AGREEMENT = {
    "agrees": "agrees with what was stated",
    "too sure": "LESS than stated: do not rely on it; check map, materials and clocks",
    "too careful": "more than stated: the answers were too careful",
}


_FEW_AGREEMENT = {
    "agrees": f"{_FEW}, so it cannot be told yet",
    "too sure": f"less than stated, but {_FEW}: watch it",
    "too careful": f"more than stated, but {_FEW}",
}


def _band(one: Band) -> str:
    name = f"Stated {band_name(one.low, one.high)}"
    extra = f"; {one.unmeasured} more found, but nobody measured where" if one.unmeasured else ""
    if not one.came_true.count:
        return f"{name}: nothing dug{extra}."
    right = round(one.came_true.value * one.came_true.count)
    words = _AGREEMENT[one.agreement]
    if one.came_true.is_few:
        words = _FEW_AGREEMENT[one.agreement]
    return (
        f"{name} (mean {100 * one.stated:.0f} %): the leak was in the stated area "
        f"{_share(one.came_true, right)}: {words}{extra}."
    )


def _widenings(accuracy: Accuracy) -> Iterator[str]:
    for one in accuracy.widenings:
        wider = "about as stated" if 0.8 <= one.factor <= 1.25 else f"{one.factor:.1f} times what was stated"
        yield (
            f"Areas in {one.group} pipe: to hold {100 * one.level:.0f} % of the leaks, deviations {wider} "
            f"(from {one.count} finds)."
        )


def _speeds(lesson: SpeedLesson) -> Iterator[str]:
    if not lesson.speeds:
        yield "No leak whose place was measured lies on pipes with computed speeds: nothing is learned."
    for one in lesson.speeds:
        yield _speed(one)
    for text in lesson.left_out:
        yield f"Not used for speeds: {plain_text(text)}."


def _speed(one: LearnedSpeed) -> str:
    name = plain_text(material_text(one.material)) + _laid(one.years)
    finds = format_count(one.finds, "find")
    if not one.is_learned:
        return f"{name}: {finds}, no more than the tables say (few, or too near the middle)."
    now, before = (f"+-{_NB}{100 * share:.1f}{_NB}%" for share in (one.scale_sd / one.scale, one.table_sd))
    scale = f"{one.scale:.3f} times the tables' speed"
    return f"{name}: {scale}, {now} (tables alone {before}), from {finds}."


def _laid(years: tuple[int, int] | None) -> str:
    """Years laid; of the first and the last era only the end that says something."""
    if years is None:
        return ""
    first, last = years
    if first == ERAS[0][0]:
        return f" laid before {last + 1}"
    return f" laid since {first}" if last == ERAS[-1][1] else f" laid {first} to {last}"


def _item(text: str) -> list[str]:
    return _wrap(f"- {text}", indent=2)


def _wrap(text: str, *, indent: int = 0) -> list[str]:
    lines = textwrap.wrap(text, WIDTH, subsequent_indent=" " * indent, break_on_hyphens=False)
    return [line.replace(_NB, " ") for line in lines]
