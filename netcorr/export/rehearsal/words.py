"""A rehearsal in words: what came of the leaks, where it fails, and what would help."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any

from netcorr.export.check_words import plain_lines
from netcorr.export.fix_words import extent
from netcorr.export.pipe_words import material_text, pipe_text
from netcorr.export.plain_text import plain_text, plain_values
from netcorr.export.rehearsal.schema import REHEARSAL_SHARES, SIMULATED
from netcorr.export.rehearsal.tables import share_row
from netcorr.export.sentences import format_length
from netcorr.export.words import survey_text
from netcorr.rehearsal.judge import OUTCOMES, Outcome
from netcorr.rehearsal.summary import Share, summarise, summarise_by
from netcorr.units import format_count

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netcorr.rehearsal import Rehearsal, RehearsedLeak, Summary
    from netcorr.units import UnitSystem

WIDTH = 80
#: So many stretches on which nothing was found are told; all are in the file.
_TOLD = 8
#: With fewer leaks than this a share is more chance than knowledge.
_FEW = 20

_MEANS: dict[Outcome, str] = {
    "found": "found within {within} of the point told",
    "in the area": "farther away, but inside the area to search",
    "beyond a sensor": "told as beyond a sensor, rightly: move the loggers",
    "not heard": "not heard",
    "wrong place": "told to be where it is not: a dry hole",
    "no answer": "no answer: the survey was refused",
    "out of reach": "out of reach: fewer than two sites near",
}


def rehearsal_text(rehearsal: Rehearsal, *, units: UnitSystem = "metric") -> str:
    """Say what came of a rehearsal, 80 columns wide.

    Parameters
    ----------
    rehearsal : Rehearsal
        What came of the leaks.
    units : {'metric', 'us'}
        Metres, or feet and inches.

    Returns
    -------
    str
        Of one leak, what the technician would have been told; of many, how often and how close, where it
        fails and why. Ends without a line break.
    """
    lines = _single(rehearsal, units) if len(rehearsal.leaks) == 1 else _many(rehearsal, units)
    return plain_lines(lines)


def _single(rehearsal: Rehearsal, units: UnitSystem) -> Iterator[str]:
    [one] = rehearsal.leaks
    yield from textwrap.wrap(f"{SIMULATED} {_put(one)} {_heard(one, units)}", WIDTH)
    yield ""
    yield from textwrap.wrap(
        f"Outcome: {_meaning(one.told.outcome, rehearsal, units)}. {_how_far(one, units)}", WIDTH
    )
    if one.fix is None:
        yield from textwrap.wrap(f"The survey was told: {one.told.words}", WIDTH)
    else:
        yield from ("", "What the technician would have read", "=" * 35, "")
        yield from survey_text(one.fix, units=units).split("\n")
    yield from _about(rehearsal)


def _put(one: RehearsedLeak) -> str:
    kind = pipe_text(one.leak.material, one.leak.diameter_mm)
    return f"The leak was put on main {one.leak.pipe_id} ({kind})."


def _heard(one: RehearsedLeak, units: UnitSystem) -> str:
    near = ", ".join(
        f"{site.fitting} ({format_length(far_m, units)})"
        for site, far_m in zip(one.sites, one.nearest_m, strict=True)
    )
    level = (
        f", {one.heard_db:+.0f} dB over the noise at the second loudest"
        if math.isfinite(one.heard_db)
        else ""
    )
    return f"Sites that took part: {near or 'none'}{level}."


def _how_far(one: RehearsedLeak, units: UnitSystem) -> str:
    if not math.isfinite(one.told.error_m):
        return ""
    inside = "inside" if one.told.in_area else "not inside"
    return (
        f"The point told lies {format_length(one.told.error_m, units)} from it along the pipes; the leak is "
        f"{inside} the area to search, {format_length(one.told.area_m, units)} of pipe."
    )


def _many(rehearsal: Rehearsal, units: UnitSystem) -> Iterator[str]:
    leaks = rehearsal.leaks
    whole = summarise(leaks)
    yield from textwrap.wrap(
        f"{len(leaks)} simulated leaks on mains near {len(rehearsal.sites)} sites. {SIMULATED}", WIDTH
    )
    yield ""
    for outcome in OUTCOMES:
        if count := whole.outcomes.get(outcome, 0):
            low, high = Share(count, len(leaks)).interval
            span = f"{100 * low:>2.0f} to {100 * high:>3.0f} %"
            yield f"{count:>5} of {len(leaks)} ({span})  {_meaning(outcome, rehearsal, units)}"
    yield ""
    yield from textwrap.wrap(_closeness(whole, units), WIDTH)
    yield from _between(leaks)
    yield from _by_material(leaks, units)
    yield from _failures(rehearsal, units)
    yield from _about(rehearsal)
    if len(leaks) < _FEW:
        yield from textwrap.wrap(
            f"With {len(leaks)} leaks the shares are rough, as their intervals (95 %) say: rehearse more.",
            WIDTH,
        )


def _meaning(outcome: Outcome, rehearsal: Rehearsal, units: UnitSystem) -> str:
    return _MEANS[outcome].format(within=format_length(rehearsal.settings.within_m, units))


def _closeness(whole: Summary, units: UnitSystem) -> str:
    if not math.isfinite(whole.median_m):
        return "No point between sensors was told."
    half, most, area = (format_length(value, units) for value in (whole.median_m, whole.p90_m, whole.area_m))
    return (
        f"Points told between sensors: half of them within {half} of the leak, nine of ten within {most} "
        f"(along the pipes); {area} of pipe to search in half of the cases."
    )


def _between(leaks: tuple[RehearsedLeak, ...]) -> Iterator[str]:
    """What placing makes of it: leaks between two sites against the others."""
    for name, some in (
        ("Between two sites", [one for one in leaks if one.between_sites]),
        ("Not between two sites", [one for one in leaks if not one.between_sites]),
    ):
        if some:
            helped = summarise(some).helped
            low, high = helped.interval
            yield from textwrap.wrap(
                f"{name}: a crew would have come to {helped.hits} of {helped.of} "
                f"({100 * low:.0f} to {100 * high:.0f} %).",
                WIDTH,
            )


def _by_material(leaks: tuple[RehearsedLeak, ...], units: UnitSystem) -> Iterator[str]:
    yield from ("", "By material          leaks  found  in area  not heard  wrong  median    90 %")
    for one in summarise_by(leaks, lambda leak: material_text(leak.leak.material)):
        counts = one.outcomes
        far = [
            format_length(value, units).replace("\xa0", " ") if math.isfinite(value) else "-"
            for value in (one.median_m, one.p90_m)
        ]
        in_area, unheard, wrong = (counts.get(key, 0) for key in ("in the area", "not heard", "wrong place"))
        yield (
            f"  {plain_text(one.name)[:18]:<18} {one.count:>5} {one.found.hits:>6} {in_area:>8} "
            f"{unheard:>10} {wrong:>6} {far[0]:>8} {far[1]:>7}"
        )


def _failures(rehearsal: Rehearsal, units: UnitSystem) -> Iterator[str]:
    """Mains on which nothing was found, the ones with most leaks first."""
    on: dict[str, list[RehearsedLeak]] = {}
    for one in rehearsal.leaks:
        on.setdefault(one.leak.pipe_id, []).append(one)
    failed = [(name, some) for name, some in on.items() if not any(one.told.helped for one in some)]
    if not failed:
        return
    metres = {name: 0.0 for name, _ in failed}
    for _, _, data in rehearsal.network.graph.edges(data=True):
        if data["pipe_id"] in metres and data["is_open"]:
            metres[data["pipe_id"]] += float(data["length_m"])
    total = extent(math.fsum(metres.values()), units)
    mains = format_count(len(failed), "main")
    yield from ("", f"Where it fails: {mains} ({total}) on which no leak was found")
    for name, some in sorted(failed, key=lambda pair: -len(pair[1]))[:_TOLD]:
        first = some[0]
        why = "; ".join(dict.fromkeys(_why(one, units) for one in some))
        text = f"{name} ({pipe_text(first.leak.material, first.leak.diameter_mm)}): {why}"
        yield from textwrap.wrap(plain_text(text), WIDTH, initial_indent="  - ", subsequent_indent="    ")
    if len(failed) > _TOLD:
        yield f"  and {len(failed) - _TOLD} more: see fails in the layer rehearsed_mains"


def _why(one: RehearsedLeak, units: UnitSystem) -> str:
    """Why one leak was not found, as far as it is known."""
    told = one.told
    if told.outcome == "out of reach":
        return told.words
    if told.outcome == "no answer":
        return f"survey refused ({told.words})"
    causes = []
    if not one.between_sites:
        causes.append("not between two sites")
    if math.isfinite(one.heard_db) and one.heard_db < 0:
        causes.append(f"{one.heard_db:.0f} dB at the second loudest site")
    if len(one.nearest_m) > 1:
        causes.append(f"second site {format_length(one.nearest_m[1], units)} away")
    wide = f", {extent(told.area_m, units)} of pipe to search" if told.outcome == "in the area" else ""
    return f"{told.outcome}{wide} ({', '.join(causes)})" if causes else f"{told.outcome}{wide}"


def _about(rehearsal: Rehearsal) -> Iterator[str]:
    night = rehearsal.settings.night
    yield ""
    yield from textwrap.wrap(
        f"Each leak was {night.loudness_db:g} dB over the usual noise at the leak itself, in {night.rounds} "
        f"rounds of {night.duration_s:g} s; speeds, mountings, noise, clocks and the errors of the map were "
        f"drawn anew for each (seed {rehearsal.settings.seed}), and the locator was told none of them. Real "
        "nights differ: a rehearsal compares plans, it promises nothing.",
        WIDTH,
    )
    for note in rehearsal.notes:
        yield from textwrap.wrap(f"Note: {note}", WIDTH)


def rehearsal_dict(rehearsal: Rehearsal) -> dict[str, Any]:
    """Give a rehearsal for machines, in SI units.

    Parameters
    ----------
    rehearsal : Rehearsal
        What came of the leaks.

    Returns
    -------
    dict
        `shares` in all and by material, `leaks` one by one, and the settings.
    """
    leaks = rehearsal.leaks
    summaries = (summarise(leaks), *summarise_by(leaks, lambda one: material_text(one.leak.material)))
    night = rehearsal.settings.night
    columns = [column.name for column in REHEARSAL_SHARES.columns]
    record = {
        "simulated": True,
        "sites": [{"fitting": s.fitting, "logger": s.logger, "setup": s.setup} for s in rehearsal.sites],
        "settings": {
            "loudness_db": night.loudness_db,
            "rounds": night.rounds,
            "duration_s": night.duration_s,
            "clock_sd_ms": 1000 * night.clock_sd_s,
            "noise_spread_db": night.noise_spread_db,
            "within_m": rehearsal.settings.within_m,
            "least_probability": rehearsal.settings.least_probability,
            "reach_m": rehearsal.settings.reach_m,
            "most_sites": rehearsal.settings.most_sites,
            "seed": rehearsal.settings.seed,
        },
        "shares": [{name: share_row(one)[name] for name in columns} for one in summaries],
        "leaks": [_record(one) for one in leaks],
        "notes": list(rehearsal.notes),
    }
    plain: dict[str, Any] = plain_values(record)
    return plain


def _record(one: RehearsedLeak) -> dict[str, Any]:
    told, leak = one.told, one.leak
    return {
        "leak": one.number,
        "pipe_id": leak.pipe_id,
        "material": leak.material,
        "x": leak.point.x,
        "y": leak.point.y,
        "outcome": told.outcome,
        "error_m": told.error_m,
        "probability": told.probability,
        "in_area": told.in_area,
        "area_m": told.area_m,
        "between_sites": one.between_sites,
        "heard_db": one.heard_db,
        "sites": [site.fitting for site in one.sites],
        "told": told.words,
    }
