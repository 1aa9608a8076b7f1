"""What a survey learns before its pairs are compared: which of many deserve it, and how fast clocks part.

Spectra of the rounds are needed for each of these and for comparing: they are kept while they are few.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol, TypeVar

from netcorr.delay import estimate_drift, pool_drifts, prepare_round
from netcorr.delay.drift import LEAST_DURATION_S
from netcorr.position.compare import drift_is_known
from netcorr.position.fix import LeftOut
from netcorr.position.screening import FEW_PAIRS, pairs_worth_comparing

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from netcorr.delay.drift import DriftEstimate
    from netcorr.delay.prepare import PreparedRecording
    from netcorr.position.sites import Site
    from netcorr.position.travel import PathTimes
    from netcorr.recordings.recording import Round

#: Spectra of all rounds are kept when they take no more than this. [bytes]
MOST_KEPT_BYTES = 400_000_000
#: Why a pair was left out.
SCREENED = (
    "left out by screening: in no round do the two hold more in common than noise does in one of ten pairs"
)


class Planned(Protocol):
    """A pair of sites within reach of each other."""

    @property
    def a(self) -> Site:
        """Where A stands."""

    @property
    def b(self) -> Site:
        """Where B stands."""

    @property
    def times(self) -> PathTimes:
        """Of the path between them."""


@dataclass(eq=False)
class PreparedRounds:
    """Spectra of the recordings of each round, by logger; prepared again when too many to keep.

    Attributes
    ----------
    rounds : sequence of Round
        Of the survey.
    longest_s : float
        Longest delay that will be asked for. [s]
    band_hz : (float, float) or None
        Band to use. [Hz]
    """

    rounds: Sequence[Round]
    longest_s: float
    band_hz: tuple[float, float] | None
    _kept: dict[int, Mapping[str, PreparedRecording]] = field(default_factory=dict)

    def of(self, one: Round) -> Mapping[str, PreparedRecording]:
        """Spectra of one round."""
        if one.number in self._kept:
            return self._kept[one.number]
        made = prepare_round(
            one.samples, one.sample_rate_hz, max_delay_s=self.longest_s, band_hz=self.band_hz
        )
        by_logger = {row.logger: spectrum for row, spectrum in zip(one.recordings, made, strict=True)}
        size = sum(spectrum.spectrum.nbytes + spectrum.amplitude.nbytes for spectrum in made)
        if size * len(self.rounds) <= MOST_KEPT_BYTES:
            self._kept[one.number] = by_logger
        return by_logger

    def __iter__(self) -> Iterator[Mapping[str, PreparedRecording]]:
        return (self.of(one) for one in self.rounds)


AnyPair = TypeVar("AnyPair", bound=Planned)


def worth_comparing(
    planned: Sequence[AnyPair], prepared: PreparedRounds
) -> tuple[list[AnyPair], tuple[LeftOut, ...], str]:
    """Of many pairs those in which something common may be heard.

    Parameters
    ----------
    planned : sequence
        Pairs within reach.
    prepared : PreparedRounds
        Spectra of the rounds.

    Returns
    -------
    kept : list
        In the same order; all when they are few.
    left_out : tuple of LeftOut
        The others, with the reason.
    note : str
        How many and by which rule; empty when none.
    """
    if len(planned) <= FEW_PAIRS:
        return list(planned), (), ""
    worth, note = pairs_worth_comparing(
        prepared,
        [(one.a.logger, one.b.logger) for one in planned],
        longest_delay_s=[one.times.longest_delay_s for one in planned],
    )
    kept = [one for one, good in zip(planned, worth, strict=True) if good]
    left_out = tuple(
        LeftOut(one.a.logger, one.b.logger, one.a.fitting, one.b.fitting, SCREENED)
        for one, good in zip(planned, worth, strict=True)
        if not good
    )
    return kept, left_out, note


def clock_drifts(
    planned: Sequence[Planned], prepared: PreparedRounds
) -> dict[tuple[str, str], DriftEstimate]:
    """Drift of each pair of clocks, from all rounds that are long enough to tell.

    Parameters
    ----------
    planned : sequence
        Pairs that will be compared.
    prepared : PreparedRounds
        Spectra of the rounds.

    Returns
    -------
    dict of (str, str) to DriftEstimate
        By loggers A and B; without pairs whose drift the table states.
    """
    found: dict[tuple[str, str], list[DriftEstimate]] = {}
    for one in prepared.rounds:
        if one.samples.shape[1] < LEAST_DURATION_S * one.sample_rate_hz:
            continue
        rows = {recording.logger: recording for recording in one.recordings}
        spectra = prepared.of(one)
        for pair in planned:
            a, b = pair.a.logger, pair.b.logger
            if a in rows and b in rows and not drift_is_known(rows[a], rows[b]):
                drift = estimate_drift(spectra[a], spectra[b], max_delay_s=pair.times.longest_delay_s)
                found.setdefault((a, b), []).append(drift)
    return {pair: pool_drifts(estimates) for pair, estimates in found.items()}
