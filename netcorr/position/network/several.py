"""Several sources in one survey: the clearest is explained away, and what is left is weighed again.

A survey may hold more than one leak, each heard by its own pairs or several by the same ones. After the
clearest source the delays at which it shows are taken out of every pair; what remains may hold another. In
the end each source is weighed with all the others taken out: two leaks, each heard by pairs of its own, do
not speak against each other.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from netcorr.position.network.hearing import LEAST_PEAK
from netcorr.position.network.look import delays_shown
from netcorr.position.network.times import times_at
from netcorr.position.network.weigh import weigh

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray
    from shapely import Point

    from netcorr.position.network.evidence import NetworkEvidence
    from netcorr.position.network.hearing import PairHearing
    from netcorr.position.network.weigh import Weighed

    Floats = NDArray[np.float64]

#: So many sources are told apart at most.
MOST_SOURCES = 4
#: Prior odds of one more source against those of the first (judgement).
ANOTHER = 0.02
#: One more source is looked at from this probability on.
LEAST_ANOTHER = 0.5
#: What a known source shows in a pair lies within so many standard deviations of the delay foretold.
WITHIN_SD = 3.0
WITHIN_S = 0.002
#: Where both sensors of a pair hear a known source, what else it shows is mostly echoes: so much is believed.
BELIEVED_BESIDE = 0.1


@dataclass(frozen=True, eq=False)
class Source:
    """One source of a survey.

    Attributes
    ----------
    weighed : Weighed
        Probability along the mains with all other sources taken out; `leak` is that of this source.
    evidence : NetworkEvidence
        What it was weighed from.
    """

    weighed: Weighed
    evidence: NetworkEvidence


@dataclass(frozen=True, eq=False)
class KnownSource:
    """A source that was found already.

    Attributes
    ----------
    point : shapely.Point
        Where it is.
    shows : tuple of tuple of (float, float)
        For each pair the delays at which it shows there, and half the width that each takes. [s]
    """

    point: Point
    shows: tuple[tuple[tuple[float, float], ...], ...]


def find_sources(evidence: NetworkEvidence) -> tuple[Source, ...]:
    """Find all sources that a survey speaks for, the clearest first.

    Parameters
    ----------
    evidence : NetworkEvidence
        Mains, ways and evidence.

    Returns
    -------
    tuple of Source
        At least one, which may be improbable.
    """
    first = weigh(evidence)
    known = [known_source(evidence, first)]
    found = [Source(first, evidence)]
    while len(found) < MOST_SOURCES and found[-1].weighed.leak >= LEAST_ANOTHER:
        left = without(evidence, known)
        weighed = _less_likely(weigh(left))
        if weighed.leak < LEAST_ANOTHER:
            break
        found.append(Source(weighed, left))
        known.append(known_source(evidence, weighed))
    if len(found) == 1:
        return tuple(found)
    return tuple(_by_itself(evidence, known, number, one) for number, one in enumerate(found))


def _by_itself(
    evidence: NetworkEvidence, known: Sequence[KnownSource], number: int, source: Source
) -> Source:
    """Weigh a source again with all others taken out, those found later too."""
    if number == len(known) - 1:
        return source
    left = without(evidence, [one for k, one in enumerate(known) if k != number], echoes=number > 0)
    weighed = weigh(left)
    return Source(weighed if number == 0 else _less_likely(weighed), left)


def _less_likely(weighed: Weighed) -> Weighed:
    """Probability of a source that is not the first: what is left may be echoes from no common place."""
    log_odds = np.log(weighed.leak / max(1 - weighed.leak, 1e-12))
    against_echoes = weighed.log_evidence - weighed.log_scattered
    odds = ANOTHER * float(np.exp(np.clip(min(log_odds, against_echoes), -700, 700)))
    return replace(weighed, leak=odds / (1 + odds))


def without(
    evidence: NetworkEvidence, known: Sequence[KnownSource], *, echoes: bool = True
) -> NetworkEvidence:
    """Take known sources out of every pair.

    Parameters
    ----------
    evidence : NetworkEvidence
        All that was heard.
    known : sequence of KnownSource
        Sources that were found already.
    echoes : bool
        Whether what else such a pair shows is taken to be mostly echoes.

    Returns
    -------
    NetworkEvidence
        The same without what the known sources explain.
    """
    taken = [
        _explained(hearing, [one.shows[number] for one in known])
        for number, hearing in enumerate(evidence.hearings)
    ]
    hear = {
        sensor
        for hearing, near in zip(evidence.hearings, taken, strict=True)
        for sensor in (hearing.a, hearing.b)
        if near.any() and float(hearing.lasting[near].max()) >= LEAST_PEAK
    }
    return replace(
        evidence,
        known=tuple(one.point for one in known),
        hearings=tuple(
            _without(hearing, near, echoes=echoes and {hearing.a, hearing.b} <= hear)
            for hearing, near in zip(evidence.hearings, taken, strict=True)
        ),
    )


def _explained(hearing: PairHearing, at: Sequence[Sequence[tuple[float, float]]]) -> NDArray[np.bool_]:
    """Delays at which known sources show in a pair, by whatever ways."""
    near = np.zeros(hearing.grid_s.size, dtype=bool)
    for delay_s, half_s in (way for source in at for way in source):
        near |= np.abs(hearing.grid_s - delay_s) <= half_s
    return near


def _without(hearing: PairHearing, near: NDArray[np.bool_], *, echoes: bool) -> PairHearing:
    """Rows in which nothing is known near the delays of known sources."""
    left = replace(hearing, rows=np.where(near, np.minimum(hearing.rows, 0.0), hearing.rows))
    if not echoes:
        return left
    # also what is louder than the known source: tees may throw back more than they let through
    return replace(left, believed=hearing.believed * BELIEVED_BESIDE)


def known_source(evidence: NetworkEvidence, weighed: Weighed) -> KnownSource:
    """Where the most probable place of a source is, and the delays at which it shows in each pair.

    Parameters
    ----------
    evidence : NetworkEvidence
        Mains, ways and evidence.
    weighed : Weighed
        Probability of the source.

    Returns
    -------
    KnownSource
        To be taken out before another is looked for.
    """
    one = weighed.places.at(weighed.best)
    ways = tuple(times_at(evidence.pipes, sensor, one) for sensor in evidence.sensors)
    shows = tuple(
        tuple(
            (delay_s, WITHIN_SD * sd_s + max(WITHIN_S, hearing.apart_s))
            for delay_s, sd_s in delays_shown(evidence, hearing, one, ways=ways, speeds=weighed)
        )
        for hearing in evidence.hearings
    )
    piece = int(one.piece[0])
    share = float(one.from_m[0] / evidence.pipes.length_m[piece])
    return KnownSource(evidence.pipes.data[piece]["geometry"].interpolate(share, normalized=True), shows)
