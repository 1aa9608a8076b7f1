"""Loggers whose evidence contradicts the rest: exchanged with one another.

Where what the loud pairs hear does not meet at one place, each exchange of two loggers is tried. One that
makes all pairs together much more likely is named, and what the two say counts less. The answer itself is
never changed to what was tried.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from netcorr.position.network.hearing import wrong_share
from netcorr.position.network.times import times_at
from netcorr.position.network.weigh import first_look_evidence, pair_delays

if TYPE_CHECKING:
    from collections.abc import Sequence

    from netcorr.position.network.weigh import NetworkEvidence, Weighed

#: A pair is loud when its highest peak is more likely right than wrong, and fits a place when it lies within
#: so many standard deviations of the delay foretold and this. [s]
FITS_SD = 3.0
FITS_S = 0.002
#: Nothing is tried when so many of the loud pairs fit, or there are fewer of them than this.
ENOUGH_FIT = 0.7
#: Both loggers of an exchange have two loud pairs or more, and of those of one no more than this share fit.
FIT_OF_LOGGER = 0.5
FEWEST_LOUD = 3
#: An exchange must make the evidence more likely by this much, and more loud pairs fit. [nats]
LEAST_GAIN = 8.0
#: More exchanges than this are not tried: those of loggers with the fewest pairs that fit come first.
MOST_TRIED = 15


@dataclass(frozen=True)
class Doubt:
    """Two loggers that fit better exchanged.

    Attributes
    ----------
    a, b : int
        Numbers of the sensors.
    gain : float
        Log of how much more likely all pairs are when they are exchanged.
    """

    a: int
    b: int
    gain: float


def pairs_that_fit(
    evidence: NetworkEvidence, weighed: Weighed, *, place: int | None = None
) -> tuple[list[int], list[int]]:
    """Loud pairs, and those of them that hear a place.

    Parameters
    ----------
    evidence : NetworkEvidence
        Mains, ways and evidence.
    weighed : Weighed
        Probability along the mains.
    place : int, optional
        Row of the place; the most probable one when not given.

    Returns
    -------
    loud, fitting : list of int
        Numbers of pairs.
    """
    best = np.zeros(weighed.probability.size, dtype=bool)
    best[int(np.argmax(weighed.probability / weighed.places.width_m)) if place is None else place] = True
    one = weighed.places.take(best)
    ways = tuple(times_at(evidence.pipes, sensor, one) for sensor in evidence.sensors)
    loud, fitting = [], []
    for number, hearing in enumerate(evidence.hearings):
        if wrong_share(hearing) > 0.5:
            continue
        loud.append(number)
        if not np.isfinite(ways[hearing.a].time_s[0] + ways[hearing.b].time_s[0]):
            continue
        by_group_s, variance_s2 = pair_delays(evidence, hearing, one, ways=ways)
        sd_s = float(np.sqrt(variance_s2[0] + (by_group_s[0] ** 2) @ weighed.slowness_sd**2))
        if abs(float(by_group_s[0] @ weighed.slowness) - hearing.best_s) <= FITS_SD * sd_s + FITS_S:
            fitting.append(number)
    return loud, fitting


def exchanged(evidence: NetworkEvidence, a: int, b: int) -> NetworkEvidence:
    """The same evidence as if two loggers had changed places."""
    sensors = list(evidence.sensors)
    sensors[a], sensors[b] = sensors[b], sensors[a]
    return replace(evidence, sensors=tuple(sensors))


def find_exchange(evidence: NetworkEvidence, weighed: Weighed) -> Doubt | None:
    """Look for two loggers that fit much better exchanged.

    Parameters
    ----------
    evidence : NetworkEvidence
        Mains, ways and evidence.
    weighed : Weighed
        Probability along the mains as the table has the loggers.

    Returns
    -------
    Doubt or None
        None where most loud pairs meet at one place, or no exchange stands out.
    """
    loud, fitting = pairs_that_fit(evidence, weighed)
    if len(loud) < FEWEST_LOUD or len(fitting) >= ENOUGH_FIT * len(loud):
        return None
    before = first_look_evidence(evidence)
    gains = [
        Doubt(a, b, first_look_evidence(exchanged(evidence, a, b)) - before)
        for a, b in _worth_trying(evidence, loud, fitting)
    ]
    gains.sort(key=lambda one: -one.gain)
    if not gains or gains[0].gain < LEAST_GAIN:
        return None
    if len(gains) > 1 and gains[0].gain < gains[1].gain + LEAST_GAIN / 4:
        return None  # several exchanges would do as well: none is named
    return gains[0]


def _worth_trying(
    evidence: NetworkEvidence, loud: Sequence[int], fitting: Sequence[int]
) -> list[tuple[int, int]]:
    """Exchanges in the order in which they may explain what does not fit."""
    count, fits = np.zeros((2, len(evidence.sensors)))
    for number in loud:
        for sensor in (evidence.hearings[number].a, evidence.hearings[number].b):
            count[sensor] += 1
            fits[sensor] += number in fitting
    heard = np.flatnonzero(count >= 2).tolist()
    doubtful = {k for k in heard if fits[k] <= FIT_OF_LOGGER * count[k]}
    every = [pair for pair in combinations(heard, 2) if doubtful & set(pair)]
    return sorted(every, key=lambda pair: float(fits[list(pair)].sum() / count[list(pair)].sum()))[
        :MOST_TRIED
    ]


def believed_less(evidence: NetworkEvidence, doubt: Doubt, *, share: float = 0.2) -> NetworkEvidence:
    """The same evidence with the pairs of doubtful loggers counting less."""
    return replace(
        evidence,
        hearings=tuple(
            replace(one, believed=one.believed * share) if {one.a, one.b} & {doubt.a, doubt.b} else one
            for one in evidence.hearings
        ),
    )
