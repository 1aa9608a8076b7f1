"""Everything that a report shows of one candidate, or of one pair that has none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

from netcorr.export.cautions import caution_for
from netcorr.export.report.advice import BudgetLine, budget_lines
from netcorr.export.report.along import along_figure
from netcorr.export.report.along_data import something_heard
from netcorr.export.report.sound import HeardPair, Recordings, listening_copy
from netcorr.export.report.spectra import rounds_figure, spectra_figure
from netcorr.export.report.spectrogram import spectrogram_figure
from netcorr.export.sentences import fitting_label, percent
from netcorr.export.words import (
    Section,
    candidate_sections,
    candidate_title,
    pair_behind,
    sensors_text,
    silent_sections,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from netcorr.export.report.figure import Figure
    from netcorr.position.fix import Candidate, PairFix, SurveyFix
    from netcorr.units import UnitSystem

#: So many candidates, and so many pairs without one, get a card of their own.
MOST_CANDIDATES = 12
MOST_SILENT = 6
#: Sounds of so many pairs are put into the page: 0.26 MB each.
MOST_HEARD = 12
#: Noise up to here is hard to hear, and small loudspeakers leave it out. [Hz]
LOW_HZ = 250.0


@dataclass(frozen=True)
class Sound:
    """A recording to listen to.

    Attributes
    ----------
    label : str
        Which sensor.
    name : str
        Name of the file.
    uri : markupsafe.Markup
        The sound itself.
    """

    label: str
    name: str
    uri: Markup


@dataclass(frozen=True)
class Card:
    """What is shown of a candidate or a pair.

    Attributes
    ----------
    anchor : str
        Its id in the page.
    title, lead : str
        Heading, and which logger stood where.
    caution : str
        What must be read first; empty for a pair without a candidate.
    sections : tuple of Section
        Words.
    figures : tuple of Figure
        Pictures.
    budget : tuple of BudgetLine
        Parts of the uncertainty.
    sounds : tuple of Sound
        Both recordings, when they were found.
    sound_words : str
        What was done to them, or why there are none.
    is_low : bool
        Whether their noise is too low for small loudspeakers.
    also : str
        Anchor of the card that has the pictures of this pair, when it is not this one.
    in_bracket : bool
        False where nobody digs at the point.
    """

    anchor: str
    title: str
    lead: str
    caution: str
    sections: tuple[Section, ...]
    figures: tuple[Figure, ...]
    budget: tuple[BudgetLine, ...]
    sounds: tuple[Sound, ...]
    sound_words: str
    is_low: bool
    also: str
    in_bracket: bool = True


def make_cards(
    fix: SurveyFix,
    recordings: Recordings,
    *,
    units: UnitSystem,
    ground: Mapping[str, tuple[str, ...]] | None = None,
) -> tuple[tuple[Card, ...], tuple[Card, ...]]:
    """Cards of a survey.

    Parameters
    ----------
    fix : SurveyFix
        The answer, read back from its file.
    recordings : Recordings
        Where the recordings are.
    units : {'metric', 'us'}
        Units of words and axes.
    ground : mapping of str to tuple of str, optional
        What the ground said, by candidate id.

    Returns
    -------
    candidates, silent : tuple of Card
        One for each of the best candidates, and for each of the most telling pairs without one.
    """
    maker = _Maker(fix, recordings, units, ground or {})
    candidates = tuple(maker.candidate(one) for one in fix.candidates[:MOST_CANDIDATES])
    quiet = sorted((p for p in fix.pairs if not p.candidates), key=lambda pair: pair.probability_none)
    silent = tuple(maker.silent(pair, number) for number, pair in enumerate(quiet[:MOST_SILENT], start=1))
    return candidates, silent


class _Maker:
    """Makes cards; pictures of a pair are made once."""

    def __init__(
        self,
        fix: SurveyFix,
        recordings: Recordings,
        units: UnitSystem,
        ground: Mapping[str, tuple[str, ...]],
    ) -> None:
        self._fix, self._recordings, self._units, self._ground = fix, recordings, units, ground
        self._shown: dict[int, str] = {}
        self._heard = 0

    def candidate(self, one: Candidate) -> Card:
        """Card of a candidate."""
        fix, units = self._fix, self._units
        pair = pair_behind(one, fix)
        budget = budget_lines(pair.budget, units=units) if pair.budget and one.in_bracket else ()
        return self._card(
            pair,
            one,
            anchor=f"candidate-{one.rank}",
            title=candidate_title(one, fix),
            caution=caution_for(one),
            sections=(
                Section("What the ground said", self._ground.get(one.candidate_id, ())),
                *candidate_sections(one, pair, fix, units=units),
            ),
            budget=budget,
        )

    def silent(self, pair: PairFix, number: int) -> Card:
        """Card of a pair without a candidate."""
        a, b = (fitting_label(end, self._fix) for end in (pair.path.sensor_a, pair.path.sensor_b))
        return self._card(
            pair,
            None,
            anchor=f"pair-{number}",
            title=f"Between {a} and {b}: {pair.outcome} ({percent(pair.probability_between)} for a leak)",
            caution="",
            sections=silent_sections(pair, self._fix, units=self._units),
            budget=(),
        )

    def _card(
        self,
        pair: PairFix,
        candidate: Candidate | None,
        *,
        anchor: str,
        title: str,
        caution: str,
        sections: tuple[Section, ...],
        budget: tuple[BudgetLine, ...],
    ) -> Card:
        also = self._shown.setdefault(id(pair), anchor)
        heard: HeardPair | None = None
        sounds: tuple[Sound, ...] = ()
        words = ""
        if also == anchor:
            heard = self._find(pair)
            sounds, words = self._sounds(pair, heard)
        return Card(
            anchor=anchor,
            title=title,
            lead=sensors_text(pair, self._fix),
            caution=caution,
            sections=tuple(section for section in sections if section.texts),
            figures=tuple(self._figures(pair, candidate, heard, first=also == anchor)),
            budget=budget,
            sounds=sounds,
            sound_words=words,
            is_low=heard is not None and _band(pair, heard)[1] < LOW_HZ,
            also="" if also == anchor else also,
            in_bracket=candidate is None or candidate.in_bracket,
        )

    def _figures(
        self, pair: PairFix, candidate: Candidate | None, heard: HeardPair | None, *, first: bool
    ) -> Iterator[Figure]:
        yield along_figure(pair, candidate, network=self._fix.network, units=self._units)
        if first and any(one.frequency_hz.size for one in pair.evidence):
            yield spectra_figure(pair)
        if heard is not None:
            yield spectrogram_figure(pair, heard)
        if pair.evidence:
            yield rounds_figure(pair, candidate, units=self._units)

    def _find(self, pair: PairFix) -> HeardPair | None:
        if self._heard >= MOST_HEARD or not pair.evidence:
            return None
        found = self._recordings.best_round(pair)
        self._heard += found is not None
        return found

    def _sounds(self, pair: PairFix, heard: HeardPair | None) -> tuple[tuple[Sound, ...], str]:
        if heard is None:
            if not pair.evidence:
                return (), "The curves of this pair were not kept: it says less than the others."
            if self._heard >= MOST_HEARD:
                return (), "No sounds here: the page holds those of the first pairs only."
            return (
                (),
                "The recordings were not found beside the result, so there is nothing to hear or see here.",
            )
        band = _band(pair, heard)
        fittings = (pair.path.sensor_a, pair.path.sensor_b)
        sounds = tuple(
            Sound(
                f"{letter}: {fitting_label(fitting, self._fix)}",
                name,
                listening_copy(samples, rate, band_hz=band),
            )
            for letter, fitting, name, samples, rate in zip(
                "AB", fittings, heard.names, heard.samples, heard.rates_hz, strict=True
            )
        )
        words = (
            f"Round {heard.round_number}, both from the same moment, a few seconds each, filtered to "
            f"{band[0]:.0f} to {band[1]:.0f} Hz and made equally loud."
        )
        return sounds, words


def _band(pair: PairFix, heard: HeardPair) -> tuple[float, float]:
    """Band to hear: the one that carries the evidence, or all where there is none."""
    if not something_heard(pair):
        return 20.0, 0.4 * min(*heard.rates_hz, 8000.0)
    return next(one.band_hz for one in pair.evidence if one.round_number == heard.round_number)
