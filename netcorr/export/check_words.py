"""A checked map in words: what was read, what was repaired, what is open, the verdict, what to fix first."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np

from netcorr.export.fix_words import extent, fix_text, rule_text, share_text
from netcorr.export.plain_text import plain_text
from netcorr.export.sentences import format_length
from netcorr.units import UnitSystem, format_count

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from netcorr.network.fitness import Level
    from netcorr.network.map_check import MapCheck

WIDTH = 80
#: So many pieces, gaps and things to fix are told; all are in the file and in the JSON.
_TOLD = 10

VERDICTS: dict[Level, str] = {
    "fit": "fit",
    "usable": "fit with these assumptions",
    "not yet": "not yet",
}
_VERDICT_MEANS: dict[Level, str] = {
    "fit": "The map can be used for locating leaks as it is.",
    "usable": "The map can be used for locating leaks. What is marked ! below is taken on trust: where it is "
    "wrong, so is a path or a position.",
    "not yet": "On this map too many pairs of loggers would have no path, or a wrong one. What is marked X "
    "below stands in the way.",
}
_REPAIRS = {
    "joined": "end of a main moved to a joint",
    "cut": "main cut where the end of another touches it",
    "overshoot": "end that ran past a main, cut back to it",
    "attached": "fitting taken as sitting on the main beside it",
    "passed_over": "fitting put on a main in service, one out of service being nearer",
    "too_far": "fitting too far from any main, left off",
    "duplicate": "main (or part of one) drawn twice, counted once",
    "zero_length": "main without length, left out",
    "no_geometry": "feature without a geometry, left out",
    "spur": "bit of main past a joint and back to it, left out",
    "kept_apart": "short main whose ends were not joined",
    "closed": "closed valve that parts its main",
    "closed_joint": "closed valve where several mains meet, which parts them all",
    "closed_end": "closed valve at a dead end, which parts nothing",
    "measured": "main whose measured length differs much from the drawn one",
}


def check_text(check: MapCheck, *, units: UnitSystem = "metric") -> str:
    """Result of a check in plain text, 80 columns wide.

    Parameters
    ----------
    check : MapCheck
        What was found.
    units : {'metric', 'us'}
        Metres, or feet and miles.

    Returns
    -------
    str
        Verdict first, then what it rests on. Ends without a line break.
    """
    parts = [
        _headline(check),
        _section(
            "What would still help, by effect" if check.level == "fit" else "Fix first, by effect",
            _numbered(_fixes(check, units)),
        ),
        _section("How it was judged", _bullets(_judged(check, units), marks=_marks(check))),
        _section("What was read", _bullets(_read(check, units))),
        _section("What was repaired", _repairs(check, units)),
        _section("Pieces", _pieces(check, units)),
        _section("Near misses and crossings", _gaps(check, units)),
    ]
    return plain_lines(line for part in parts for line in part)


def plain_lines(lines: Iterable[str]) -> str:
    """Lines as one text, each made safe to show."""
    return "\n".join(plain_text(line) for line in lines).replace("\xa0", " ")


def _headline(check: MapCheck) -> list[str]:
    verdict = f"{plain_text(check.network.source)}: {VERDICTS[check.level].upper()}"
    return [*textwrap.wrap(verdict, WIDTH), "", *textwrap.wrap(_VERDICT_MEANS[check.level], WIDTH)]


def _fixes(check: MapCheck, units: UnitSystem) -> Iterator[str]:
    for fix in check.fixes[:_TOLD]:
        yield fix_text(fix, check, units)
    rest = len(check.fixes) - _TOLD
    if rest > 0:
        yield f"and {rest} more of less effect: see order_to_fix in near_misses, and missing_attributes"


def _judged(check: MapCheck, units: UnitSystem) -> Iterator[str]:
    for one in check.judged:
        yield rule_text(one, units)


def _marks(check: MapCheck) -> list[str]:
    return [{"fit": "  - ", "usable": "  ! ", "not yet": "  X "}[one.level] for one in check.judged]


def _read(check: MapCheck, units: UnitSystem) -> Iterator[str]:
    parts, fittings = check.parts, check.network.fittings
    mains = parts.columns["pipe_id"][~parts.is_link]
    out_m = float(parts.columns["length_m"][~parts.in_service].sum())
    beside = f", and {extent(out_m, units)} out of service" if out_m else ""
    yield (
        f"{format_count(len(np.unique(mains)), 'main')} with "
        f"{extent(parts.total_m, units)} in service{beside}; "
        f"cut into {format_count(int(parts.in_service.sum()), 'piece')} at joints and fittings"
    )
    kinds = ", ".join(f"{count} {kind}" for kind, count in fittings["kind"].value_counts().items())
    closed = int((~fittings["is_open"].astype(bool)).sum())
    yield f"{format_count(len(fittings), 'fitting')}" + (
        f" ({kinds}), {closed} of them closed" if len(fittings) else ": no place for a logger"
    )
    crs = check.network.crs
    unit = crs.axis_info[0].unit_name if crs.axis_info else "unknown unit"
    yield f"coordinates in {crs.name if crs.name != 'unknown' else f'a CRS without a name ({unit})'}"
    yield from check.network.notes


def _repairs(check: MapCheck, units: UnitSystem) -> Iterator[str]:
    tolerances = check.network.tolerances
    yield from textwrap.wrap(
        f"Within these tolerances: joints {format_length(tolerances.join_m, units)}, tees "
        f"{format_length(tolerances.cut_m, units)}, fittings {format_length(tolerances.fitting_m, units)}, "
        f"overshoots {format_length(tolerances.overshoot_m, units)}.",
        WIDTH,
        initial_indent="  ",
        subsequent_indent="  ",
    )
    log = check.network.log
    counts, largest = log["change"].value_counts(), log.groupby("change")["moved_m"].max()
    for change, words in _REPAIRS.items():
        if change in counts:
            moved = float(largest[change])
            by = f", by up to {format_length(moved, units)}" if moved > 0 else ""
            yield from textwrap.wrap(f"{counts[change]:>7} x {words}{by}", WIDTH, subsequent_indent=" " * 10)
    if not len(counts):
        yield "  nothing: it connects as it is drawn"


def _pieces(check: MapCheck, units: UnitSystem) -> Iterator[str]:
    parts = check.parts
    for k, length_m in enumerate(parts.length_m[:_TOLD].tolist()):
        share = length_m / max(parts.total_m, 1e-9)
        yield f"  {k + 1:>3}: {extent(length_m, units):>9}  {share_text(share)}"
    rest = parts.length_m[_TOLD:]
    if len(rest):
        yield f"  and {format_count(len(rest), 'smaller one')} with {extent(float(rest.sum()), units)} in all"
    if parts.zones > len(parts.length_m):
        yield f"  With the closed valves shut there are {parts.zones}."
    if len(parts.length_m) > 1:
        yield from _tolerances(check, units)


def _tolerances(check: MapCheck, units: UnitSystem) -> Iterator[str]:
    """Pieces that would remain at wider tolerances, as far as these are wider than those used."""
    used = max(check.network.tolerances.end_m, check.network.tolerances.cut_m)
    listed = [(width, left) for width, left in check.remaining if width > used]
    if all(left == len(check.parts.length_m) for _, left in listed):
        near = format_length(check.near_m, units)
        yield f"  No joint or tee tolerance up to {near} would join any of them."
        return
    yield "  Joint and tee tolerance, and the pieces there would be (from the gaps):"
    widths = [format_length(used, units), *(format_length(width, units) for width, _ in listed)]
    counts = [len(check.parts.length_m), *(left for _, left in listed)]
    for width, count in zip(widths, counts, strict=True):
        now = "  (now)" if width == widths[0] else ""
        yield f"    {width:>8}: {format_count(count, 'piece')}{now}"
    yield from textwrap.wrap(
        "Look at the near misses before raising it: from half a metre on a tolerance joins what does not "
        "belong together, too.",
        WIDTH,
        initial_indent="  ",
        subsequent_indent="  ",
    )


def _gaps(check: MapCheck, units: UnitSystem) -> Iterator[str]:
    gaps = check.gaps
    if not len(gaps):
        near = format_length(check.near_m, units)
        yield f"  none: no end comes within {near} of a main of another piece"
        return
    for kind in dict.fromkeys(gaps.kind.tolist()):
        which = gaps.kind == kind
        apart = int((gaps.piece[which] != gaps.other_piece[which]).sum())
        width = gaps.past_m[which] if kind == "end past main" else gaps.gap_m[which]
        span = "" if kind == "crossing" else f", {_span(width, units)}"
        yield from textwrap.wrap(
            f"{int(which.sum()):>7} x {_GAP_WORDS[kind]}{span}: {apart} between pieces, "
            f"{int(which.sum()) - apart} within one",
            WIDTH,
            subsequent_indent=" " * 10,
        )


_GAP_WORDS = {
    "end to end": "end near to the end of another main",
    "end to joint": "end near to a joint of other mains",
    "end to main": "end beside another main",
    "joint to main": "joint near to a main of another piece",
    "end past main": "end shortly behind a main that it crosses",
    "crossing": "crossing of two pieces without a joint",
}


def _span(widths: np.ndarray[tuple[int], np.dtype[np.float64]], units: UnitSystem) -> str:
    low, high = (format_length(float(value), units) for value in (widths.min(), widths.max()))
    return f"{low} away" if low == high else f"{low} to {high} away"


def _section(title: str, lines: Iterable[str]) -> list[str]:
    listed = list(lines)
    return ["", title, *listed] if listed else []


def _numbered(texts: Iterable[str]) -> Iterator[str]:
    for number, text in enumerate(texts, start=1):
        yield from _wrapped(text, f"{number:>4}. " if not text.startswith("and ") else "      ")


def _bullets(texts: Iterable[str], marks: list[str] | None = None) -> Iterator[str]:
    for number, text in enumerate(texts):
        yield from _wrapped(text, marks[number] if marks else "  - ")


def _wrapped(text: str, mark: str) -> list[str]:
    return textwrap.wrap(
        plain_text(text),
        WIDTH,
        initial_indent=mark,
        subsequent_indent=" " * len(mark),
        break_long_words=False,
    )
