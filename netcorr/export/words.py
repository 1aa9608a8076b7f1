"""A survey's answer in words that a technician can act on."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, NamedTuple

from netcorr.errors import ExportError
from netcorr.export.cautions import CAUTIONS
from netcorr.export.field_text import pair_of
from netcorr.export.plain_text import plain_text
from netcorr.export.record import survey_dict
from netcorr.export.result_tables import all_rejected
from netcorr.export.sentences import (
    STRONG,
    fitting_label,
    format_length,
    how_to_measure,
    is_spread_out,
    main_at_the_point,
    match_of_recordings,
    percent,
    rejected_recording,
    rounds_agree,
    second_opinion,
    second_way,
    sentences,
    side_branches,
    spread_of_position,
    strength,
    stretch_to_search,
)
from netcorr.units import UnitSystem, format_count

if TYPE_CHECKING:
    from netcorr.position.fix import Candidate, PairFix, SurveyFix

__all__ = ["survey_dict", "survey_text"]

WIDTH = 80

#: So many candidates are told in full; the others are in the file.
_IN_FULL = 5


class Section(NamedTuple):
    """A title and what is said under it, a sentence or two each."""

    title: str
    texts: tuple[str, ...]
    numbered: bool = False


def survey_text(fix: SurveyFix, *, units: UnitSystem = "metric") -> str:
    """Answer of a survey in plain text, 80 columns wide.

    Parameters
    ----------
    fix : SurveyFix
        The answer.
    units : {'metric', 'us'}
        Metres and millimetres, or feet and inches.

    Returns
    -------
    str
        Headline; for each candidate where, why, what could be wrong and what to do next; the pairs that
        heard nothing; recordings that were left out; cautions. Ends without a line break.
    """
    lines = [*_wrap(headline(fix, rounds=rounds_compared(fix)))]
    for candidate in fix.candidates[:_IN_FULL]:
        pair = pair_behind(candidate, fix)
        lines += ["", *_title(candidate, pair, fix)]
        for section in candidate_sections(candidate, pair, fix, units=units):
            lines += _section(section.title, section.texts, numbered=section.numbered)
    if len(fix.candidates) > _IN_FULL:
        more = len(fix.candidates) - _IN_FULL
        lines += ["", f"{more} weaker candidates are in the layer leak_candidates."]
    if fix.likelihood and len(fix.pairs) > 1:
        lines += _section("What each pair hears by itself", _single_pairs(fix, units))
    else:
        for pair in fix.pairs:
            if not pair.candidates:
                lines += ["", *_silent(pair, fix, units)]
    lines += _section("Recordings left out", [rejected_recording(item, n) for n, item in all_rejected(fix)])
    lines += _section("About this survey", sentences(fix.notes, units=units))
    lines += _section("Cautions", CAUTIONS)
    return "\n".join(lines).replace("\xa0", " ")


#: So many pairs are listed; the others are in the file.
_LISTED = 12


def _single_pairs(fix: SurveyFix, units: UnitSystem) -> Iterator[str]:
    """One line a pair, where all were weighed together; those that hear most come first."""
    ordered = sorted(fix.pairs, key=lambda pair: pair.probability_none)
    for pair in ordered[:_LISTED]:
        a, b = (fitting_label(end, fix) for end in (pair.path.sensor_a, pair.path.sensor_b))
        said = {
            "between": f"noise from between them ({percent(pair.probability_between)})",
            "at or beyond A": f"noise from at or beyond {a} ({percent(pair.probability_beyond_a)})",
            "at or beyond B": f"noise from at or beyond {b} ({percent(pair.probability_beyond_b)})",
            "no leak heard": f"nothing ({percent(pair.probability_none)})",
            "nothing learnt": "its recordings cannot tell",
        }[pair.outcome]
        yield f"{a} and {b}, {format_length(pair.path.length_m, units)} apart: {said}."
    if len(ordered) > _LISTED:
        yield f"{len(ordered) - _LISTED} more pairs are in the layer correlation_paths."


def rounds_compared(fix: SurveyFix) -> int:
    """Rounds in which some pair was compared: none of those with a known noise."""
    return len({one.round_number for pair in fix.pairs for one in pair.evidence})


def headline(fix: SurveyFix, *, rounds: int) -> str:
    """Say what a survey found, in one or two sentences.

    Parameters
    ----------
    fix : SurveyFix
        The answer.
    rounds : int
        How many rounds were searched.

    Returns
    -------
    str
        How much was compared, and the outcome.
    """
    if not fix.pairs and rounds == 0:
        return (
            "Every round holds a known noise: speeds and clocks were looked at, and no leak was searched for."
        )
    between = [c for c in fix.candidates if c.in_bracket]
    beyond = [c for c in fix.candidates if not c.in_bracket]
    strong = sum(c.probability >= STRONG for c in between)
    who = f"{format_count(len(fix.pairs), 'pair')} of loggers, {format_count(rounds, 'round')}"
    if strong:
        return f"{who}: {format_count(strong, 'leak')} with strong evidence."
    if any(strength(c.probability) == "fair" for c in between):
        return f"{who}: a leak is possible, but the evidence is not strong. Record again before digging."
    if beyond:
        return f"{who}: no leak between sensors, but noise from at or beyond one of them. Do not dig on it."
    if between:
        return f"{who}: only a faint sign of a leak. Do not dig on it; record again."
    return f"{who}: {_without_candidates(fix)}"


def _without_candidates(fix: SurveyFix) -> str:
    if any(is_spread_out(pair) for pair in fix.pairs):
        return "noise from between sensors, but no place can be named. Record again before digging."
    if fix.pairs and all(pair.outcome == "nothing learnt" for pair in fix.pairs):
        return "nothing was learnt, neither for a leak nor against one. Record again."
    return "no leak heard. Silence is not proof."


def candidate_title(candidate: Candidate, fix: SurveyFix) -> str:
    """Say what a candidate is and how strong the evidence is, in one line."""
    if candidate.in_bracket:
        a, b = (fitting_label(end, fix) for end in (candidate.sensor_a, candidate.sensor_b))
        what = {"strong": "Leak", "fair": "Possible leak"}.get(
            strength(candidate.probability), "Faint sign of a leak"
        )
        aside = ", or on side pipes there" if candidate.branches else ""
        where = f"{what} between {a} and {b}{aside}"
    else:
        where = f"Noise at or beyond {fitting_label(candidate.beyond, fix)}"
    evidence = f"{strength(candidate.probability)} evidence, {percent(candidate.probability)}"
    return f"{candidate.rank}. {where}: {evidence}"


def sensors_text(pair: PairFix, fix: SurveyFix) -> str:
    """Say which logger stood where."""
    a, b = (fitting_label(end, fix) for end in (pair.path.sensor_a, pair.path.sensor_b))
    name_a, name_b = plain_text(pair.logger_a), plain_text(pair.logger_b)
    return f"Sensor A: logger {name_a} on {a}. Sensor B: logger {name_b} on {b}."


def _title(candidate: Candidate, pair: PairFix, fix: SurveyFix) -> list[str]:
    first = _wrap(candidate_title(candidate, fix))
    return [
        *first,
        "-" * max(map(len, first)),
        *_wrap(sensors_text(pair, fix)),
    ]


def candidate_sections(
    candidate: Candidate, pair: PairFix, fix: SurveyFix, *, units: UnitSystem
) -> tuple[Section, ...]:
    """Everything that is said of a candidate.

    Parameters
    ----------
    candidate : Candidate
        The candidate.
    pair : PairFix
        Its pair.
    fix : SurveyFix
        The answer that it belongs to.
    units : {'metric', 'us'}
        Metres and millimetres, or feet and inches.

    Returns
    -------
    tuple of Section
        Where, why, what could be wrong, what to do next; those without a text are left out.
    """
    told = _between if candidate.in_bracket else _beyond
    return tuple(section for section in told(candidate, pair, fix, units) if section.texts)


def _between(candidate: Candidate, pair: PairFix, fix: SurveyFix, units: UnitSystem) -> list[Section]:
    where = [
        *how_to_measure(candidate, pair.path, fix, units=units),
        stretch_to_search(candidate, units=units),
        main_at_the_point(candidate, units=units),
        *side_branches(candidate, units=units),
    ]
    why = [
        rounds_agree(pair, candidate, units=units),
        *match_of_recordings(pair, candidate),
        spread_of_position(candidate, pair.budget, units=units),
    ]
    return [
        Section("Where", tuple(where)),
        Section("Why", tuple(why)),
        Section("What could be wrong", tuple(_doubts(candidate, pair, units))),
        Section("What to do next", tuple(_next_steps(candidate, pair, fix, units)), numbered=True),
    ]


def _doubts(candidate: Candidate, pair: PairFix, units: UnitSystem) -> list[str]:
    assumed = [text for speed in pair.speeds for text in speed.assumptions]
    heard = [text for evidence in pair.evidence for text in evidence.notes]
    other = second_opinion(pair, candidate, units=units)
    return sentences([other or "", candidate.note, *pair.notes, *assumed, *heard], units=units)


def _next_steps(candidate: Candidate, pair: PairFix, fix: SurveyFix, units: UnitSystem) -> Iterator[str]:
    a, b = (fitting_label(end, fix) for end in (candidate.sensor_a, candidate.sensor_b))
    if candidate.probability < STRONG:
        yield "Do not dig yet. Record again at another time of night, longer, or on nearer fittings."
    if len(pair.evidence) < 2:
        yield "Record a second round; what is heard twice is not somebody drawing water."
    yield (
        f"Measure the main from {a} to {b} on the ground; the map says "
        f"{format_length(pair.path.length_m, units)}. An error in that length moves the point by half of it."
    )
    second = second_way(pair.path, units=units)
    if second:
        yield second
    yield "Listen at the surface along the whole stretch, and on any side pipe, before marking a spot."
    yield "Write down where it was found, or that nothing was there; either makes the next answer better."


def _beyond(candidate: Candidate, pair: PairFix, fix: SurveyFix, units: UnitSystem) -> list[Section]:
    at_a = candidate.outcome == "at or beyond A"
    near, far = candidate.sensor_a, candidate.sensor_b
    near, far = (near, far) if at_a else (far, near)
    label, other = fitting_label(near, fix), fitting_label(far, fix)
    where = [
        f"The noise comes from at or beyond {label}. Do not dig between {label} and {other}.",
        *_pipes_beyond(candidate),
    ]
    doubts = _doubts(candidate, pair, units)
    steps = [
        f"Listen at {label} itself: a leaking fitting or somebody drawing water there sounds the same.",
        f"Move the logger from {other} to a fitting on the far side of {label}, so that the source lies "
        "between the two, and record again.",
    ]
    return [
        Section("Where", tuple(where)),
        Section("Why", tuple(match_of_recordings(pair))),
        Section("What could be wrong", tuple(doubts)),
        Section("What to do next", tuple(steps), numbered=True),
    ]


def _pipes_beyond(candidate: Candidate) -> Iterator[str]:
    mains = dict.fromkeys(plain_text(pipe) for branch in candidate.branches for pipe in branch.pipe_ids)
    if mains:
        yield f"Mains on that side: {', '.join(mains)}."


def silent_sections(pair: PairFix, fix: SurveyFix, *, units: UnitSystem) -> tuple[Section, ...]:
    """Everything that is said of a pair without a candidate; the first section has no title."""
    a, b = (fitting_label(end, fix) for end in (pair.path.sensor_a, pair.path.sensor_b))
    heard = "noise from between them, no place can be named" if is_spread_out(pair) else pair.outcome
    text = (
        f"Between {a} and {b} ({format_length(pair.path.length_m, units)} of main): {heard}. "
        f"Probability of a leak between them {percent(pair.probability_between)}.",
        "The evidence fits too much of the main. Better clocks or a measured wave speed may help."
        if is_spread_out(pair)
        else "Silence is not proof: a leak may be too quiet for this distance and material, drowned by other "
        "noise, or the pressure was too low. Nearer fittings and a quieter hour hear more.",
    )
    noticed = sentences([*pair.notes, *(text for e in pair.evidence for text in e.notes)], units=units)
    return Section("", text), Section("What was assumed or noticed", tuple(noticed))


def _silent(pair: PairFix, fix: SurveyFix, units: UnitSystem) -> list[str]:
    first, noticed = silent_sections(pair, fix, units=units)
    return [
        *(line for part in first.texts for line in _wrap(part)),
        *_section(noticed.title, noticed.texts),
    ]


def pair_behind(candidate: Candidate, fix: SurveyFix) -> PairFix:
    """Pair that a candidate belongs to."""
    found = pair_of(candidate, fix)
    if found is None:
        raise ExportError(
            f"candidate {candidate.candidate_id}",
            found="no pair of the survey has its sensors",
            remedy="give the answer as netcorr.position made it",
        )
    return found


def _section(title: str, texts: Iterable[str], *, numbered: bool = False) -> list[str]:
    """Title and its texts, each from a mark on; nothing when there are none."""
    listed = list(texts)
    if not listed:
        return []
    marks = [f"  {number}. " if numbered else "  - " for number in range(1, len(listed) + 1)]
    return [
        "",
        title,
        *(line for mark, text in zip(marks, listed, strict=True) for line in _wrap(text, mark)),
    ]


def _wrap(text: str, mark: str = "") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=mark, subsequent_indent=" " * len(mark))
