"""Single sentences about a leak, a path or a recording, in the units of the reader."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

import numpy as np

from netcorr.export.directions import fitting_words, measure_out
from netcorr.export.pipe_words import material_text
from netcorr.export.plain_text import plain_text
from netcorr.position.fix import BESIDE_NOTE
from netcorr.units import INCH_M, UnitSystem, format_diameter, format_speed
from netcorr.units import format_length as plain_length

if TYPE_CHECKING:
    from netcorr.path.correlation_path import CorrelationPath
    from netcorr.position.fix import Candidate, ErrorBudget, PairFix, SurveyFix
    from netcorr.recordings.recording import Rejected

#: From here on the evidence is called strong; below it a leak that usage imitates is too likely.
STRONG = 0.9
#: Rounds that agree more closely than a crew can measure are said to agree this well. [m]
TAPE_M = 0.05

#: A shift of the point by less than this is not worth a word. [m]
_WORTH_A_WORD_M = 0.05

_BUDGET_WORDS = {
    "speed_m": "the wave speed",
    "length_m": "the lengths on the map",
    "clock_m": "the clocks of the loggers",
    "delay_m": "noise in the recordings",
    "model_m": "what the method leaves out",
}


def format_length(length_m: float, units: UnitSystem) -> str:
    r"""Length whose number and unit stay on one line: the space between them does not break.

    Examples
    --------
    >>> format_length(12.0, "metric")
    '12.0\xa0m'
    """
    return plain_length(length_m, units).replace(" ", "\xa0")


def percent(probability: float) -> str:
    """Probability as people read it, never as a certainty.

    Examples
    --------
    >>> percent(0.973), percent(0.9999), percent(0.0004)
    ('97 %', 'over 99 %', 'under 1 %')
    """
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else f"{100 * probability:.0f} %"


#: Where a point spreads by so many times what a pair's budget explains, something else is the cause.
_BEYOND_BUDGET = 2.0


def strength(probability: float) -> str:
    """How strong the evidence is, in one word.

    Examples
    --------
    >>> strength(0.95), strength(0.7), strength(0.2)
    ('strong', 'fair', 'weak')
    """
    if probability >= STRONG:
        return "strong"
    return "fair" if probability >= 0.5 else "weak"


def fitting_label(fitting: str, fix: SurveyFix) -> str:
    """Fitting with its kind, such as ``hydrant H-12``."""
    return fitting_words(fix.network, fitting)


def pipe_label(material: str | None, diameter_mm: float, units: UnitSystem) -> str:
    """Material and size of a pipe."""
    size = format_diameter(diameter_mm, units) if math.isfinite(diameter_mm) else "size unknown"
    return f"{plain_text(material_text(material))}, {size}"


def how_to_measure(
    candidate: Candidate, path: CorrelationPath, fix: SurveyFix, *, units: UnitSystem
) -> Iterator[str]:
    """Say how to get to the point from either fitting along the main, and how to check it."""
    return measure_out(candidate, path, fix.network, units=units)


def stretch_to_search(candidate: Candidate, *, units: UnitSystem) -> str:
    """Say which stretch of the main the leak may lie on."""
    ends = [
        f"{format_length(low, units)} to {format_length(high, units)}" for low, high in candidate.stretch_m
    ]
    if not ends:
        ends = [f"{format_length(candidate.low_m, units)} to {format_length(candidate.high_m, units)}"]
    total_m = sum(high - low for low, high in candidate.stretch_m) or candidate.high_m - candidate.low_m
    beside = " and the side pipes named below, together" if candidate.branches else ","
    return (
        f"Search {' and '.join(ends)} from {plain_text(candidate.sensor_a)}: {format_length(total_m, units)} "
        f"of main{beside} made to hold the leak 95 times in 100."
    )


def main_at_the_point(candidate: Candidate, *, units: UnitSystem) -> str:
    """Say which main it is."""
    return (
        f"The main there is {plain_text(candidate.pipe_id)} "
        f"({pipe_label(candidate.material, candidate.diameter_mm, units)}; wave speed "
        f"{format_speed(candidate.speed_m_s, units)})."
    )


def side_branches(candidate: Candidate, *, units: UnitSystem) -> Iterator[str]:
    """Say which side pipes give the same answer."""
    for branch in candidate.branches:
        mains = ", ".join(plain_text(pipe) for pipe in dict.fromkeys(branch.pipe_ids))
        yield (
            f"A side pipe ({mains}) leaves the main {format_length(branch.from_a_m, units)} from "
            f"{plain_text(candidate.sensor_a)}. A leak anywhere on it gives the same delay: look there too."
        )


def is_spread_out(pair: PairFix) -> bool:
    """Whether a pair heard noise from between its sensors and still cannot name a place."""
    return pair.probability_between > 0.5 and not any(one.in_bracket for one in pair.candidates)


def rounds_agree(pair: PairFix, candidate: Candidate, *, units: UnitSystem) -> str:
    """Say whether the rounds place the leak at the same spot."""
    delays_s = np.array([evidence.peak_delay_s for evidence in pair.evidence])
    spread_m = float(np.ptp(delays_s)) * candidate.speed_m_s / 2 if delays_s.size else 0.0
    used = f"{candidate.rounds_used} of {len(pair.evidence)} rounds carry the evidence"
    if BESIDE_NOTE in candidate.note:
        return f"{used}, which shows when the louder source between the same sensors is taken out of them."
    if len(pair.evidence) < 2:
        return "There is only one round: a second one at another time would show whether the noise stays."
    if candidate.rounds_used == len(pair.evidence):
        apart = format_length(max(spread_m, TAPE_M), units)
        return f"{used}, and they place it within about {apart} of each other."
    return f"{used}; taken alone, the rounds lie up to {format_length(spread_m, units)} apart."


def match_of_recordings(pair: PairFix, candidate: Candidate | None = None) -> Iterator[str]:
    """Say for each round how well the two recordings match, or of a second source when B hears it."""
    if candidate is not None and BESIDE_NOTE in candidate.note:
        yield f"B hears this one {_later(candidate.delay_s)} A."
        return
    for evidence in pair.evidence:
        low_hz, high_hz = evidence.band_hz
        band = f"coherence {evidence.coherence:.2f} from {low_hz:.0f} to {high_hz:.0f} Hz"
        yield (
            f"Round {evidence.round_number}: B hears it {_later(evidence.peak_delay_s)} A; {band}; "
            f"{_chance(evidence.significance)}."
        )


def spread_of_position(candidate: Candidate, budget: ErrorBudget | None, *, units: UnitSystem) -> str:
    """Say how far off the point may be, and what the largest cause is."""
    text = f"Standard deviation of the point {format_length(candidate.sd_m, units)}"
    if budget is None:
        return text + "."
    parts = {name: getattr(budget, name) ** 2 for name in _BUDGET_WORDS}
    whole = sum(parts.values())
    if not whole > 0:
        return text + "."
    if candidate.branches and candidate.sd_m > _BEYOND_BUDGET * math.sqrt(whole):
        # the budget is that of one pair on its path, to which a set of pipes is not bound
        return f"{text}, side pipes counted in."
    first, second = sorted(parts, key=lambda name: -parts[name])[:2]
    shares = [f"{_BUDGET_WORDS[name]} ({100 * parts[name] / whole:.0f} %)" for name in (first, second)]
    return f"{text}; its variance is mostly from {shares[0]} and {shares[1]}."


def second_opinion(pair: PairFix, candidate: Candidate, *, units: UnitSystem) -> str | None:
    """Say how far plain correlation is from the answer, where it matters and no note says so already."""
    if any("plain correlation" in note for evidence in pair.evidence for note in evidence.notes):
        return None
    apart_s = [abs(evidence.second_opinion_s - evidence.peak_delay_s) for evidence in pair.evidence]
    apart_m = max(apart_s, default=0.0) * candidate.speed_m_s / 2
    if apart_m < max(_WORTH_A_WORD_M, candidate.sd_m):
        return None
    return f"Plain correlation, as a second opinion, points up to {format_length(apart_m, units)} elsewhere."


def second_way(path: CorrelationPath, *, units: UnitSystem) -> str | None:
    """Say that noise may take another way between the sensors."""
    if path.second_length_m is None:
        return None
    return (
        f"A second way by pipe is {format_length(path.second_length_m, units)} long against "
        f"{format_length(path.length_m, units)}. If noise came that way, the point is wrong: record again "
        "with a valve on it shut, or on sensors without a second way."
    )


def rejected_recording(item: Rejected, number: int | None) -> str:
    """Say which recording was left out and why."""
    row = item.deployment
    when = f" in round {number}" if number is not None else ""
    return plain_text(f"{row.logger}{when} ({row.recording.name}, {row.table} row {row.row}): {item.reason}")


def sentences(texts: Iterable[str], *, units: UnitSystem) -> list[str]:
    """Notes as sentences in the reader's units, each once, without those that another one holds.

    Examples
    --------
    >>> sentences(["M-1: hum", "hum", "M-2: hum", "wall of M-2 taken as 8 mm"], units="us")
    ['M-1, M-2: hum.', 'Wall of M-2 taken as 0.315 in.']
    """
    told = _grouped(dict.fromkeys(plain_text(text).strip() for text in texts))
    kept: list[str] = []
    for text in sorted(told, key=len, reverse=True):
        if text and not any(text.rstrip(".") in other for other in kept):
            kept.append(text)
    return [_sentence(text, units) for text in told if text in kept]


def _grouped(texts: Iterable[str]) -> list[str]:
    """Join notes that say the same of several things: ``M-1, M-2: water at 10 deg C``."""
    heads: dict[str, list[str]] = {}
    for text in texts:
        head, colon, tail = text.partition(": ")
        heads.setdefault(tail if colon else text, []).append(head if colon else "")
    return [
        f"{', '.join(named)}: {tail}" if (named := [head for head in found if head]) else tail
        for tail, found in heads.items()
    ]


def _sentence(text: str, units: UnitSystem) -> str:
    """Text with a capital, unless it begins with an id, and a full stop."""
    first = text[0].upper() + text[1:] if _WORD_FIRST.match(text) else text
    told = _IN_METRES.sub(_in_us, first) if units == "us" else first
    return told if told.endswith((".", "!", "?")) else f"{told}."


_WORD_FIRST = re.compile(r"[a-z]+[ ,:]")
_IN_METRES = re.compile(r"(?<![\w.])(-?\d+(?:\.\d+)?) (m/s|mm|m)\b(?!/)")


def _in_us(found: re.Match[str]) -> str:
    value, unit = float(found[1]), found[2]
    if unit == "m":
        return format_length(value, "us")
    return format_speed(value, "us") if unit == "m/s" else f"{value / 1000 / INCH_M:.3g} in"


def _later(delay_s: float) -> str:
    return f"{abs(delay_s) * 1000:.2f} ms {'after' if delay_s >= 0 else 'before'}"


def _chance(significance: float) -> str:
    if significance < 1e-6:
        return "noise alone would not do this once in a million times"
    return f"noise alone would do this {100 * significance:.2g} times in 100"
