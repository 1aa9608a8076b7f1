"""Loggers whose evidence contradicts the rest: exchanged, at another fitting, with a wrong clock, or deaf.

A logger of whose loud pairs most do not meet where all pairs together place the source is suspected. What
would explain it is tried against all pairs (`netcorr.position.network.suspects`); an explanation that makes
them much more likely, and much more so than any other logger's, is named, and what the logger says counts
less. The answer itself is never changed to what was tried.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING, Literal

import numpy as np

from netcorr.position.network.hearing import LOUD, wrong_share
from netcorr.position.network.look import delays_shown
from netcorr.position.network.suspects import Explanation, Suspicion
from netcorr.position.network.times import sensor_times, times_at
from netcorr.position.side_by_side import side_by_side

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.position.network.evidence import NetworkEvidence
    from netcorr.position.network.times import SensorTimes
    from netcorr.position.network.weigh import Weighed
    from netcorr.position.sites import Site

#: A pair is loud when its highest peak is more likely right than wrong, and fits a place when it lies within
#: so many standard deviations of the delay foretold and this. [s]
FITS_SD = 3.0
FITS_S = 0.002
#: A logger is suspected when it has so many loud pairs or more, and of those no more than this share fit;
LEAST_PAIRS, FIT_OF_LOGGER = 2, 0.5
#: nothing is tried with fewer loud pairs than this. Of more loggers than so many only the worst are tried,
#: and those only with a suspect among them: the true one may fit where the wrong place is.
FEWEST_LOUD, MOST_TRIED = 3, 12
#: Loggers exchanged must make all pairs more likely by this much, and by so much more than any other two.
#: In 24 simulated surveys (8 loggers, iron, +6 dB) the two that were exchanged did so by 8.7 to 33, and in 23
#: by so much more than any others; in 86 sound ones no two did so by more than 2.5. [nats]
EXCHANGE_GAIN, EXCHANGE_LEAD = 3.5, 2.0
#: One logger elsewhere or a slow clock by this much; a clock that is fast by the second: what comes round
#: about by a way that the map makes faint delays all pairs of a logger just so. By so much more than any
#: other logger. In the sound surveys the most was 7.1 (two leaks) and 8.2. A clock, which can be off by
#: anything, costs something. Other fittings are tried for a suspect, or where a clock gains so much. A logger
#: all of whose loud pairs fit is not accused alone: three of four false accusations in 192 sound surveys were
#: of such loggers. [nats]
ONE_GAIN, FAST_GAIN, ONE_LEAD = 8.0, 9.0, 2.4
CLOCK_COSTS, CLOCK_HINTS = 0.7, 2.0
#: A clock that is off by less than this is not told from echoes and speeds. [s]
LEAST_LATE_S = 0.004
#: An exchange comes before one logger alone when it is no less likely than by this. Of one logger what is
#: that near is told as well. [nats]
AS_GOOD = 1.5
#: Fittings tried for one logger: the nearest along the mains.
MOST_FITTINGS = 40
#: A logger is deaf that hears no more than this in any pair, [nats]
QUIET = 8.0
#: and is as surely nearer to the source than the second that hears it.
SURELY_NEAR = 0.98

Kind = Literal["exchanged", "elsewhere", "clock", "deaf"]


@dataclass(frozen=True)
class Doubt:
    """Loggers that do not fit the rest, and what would explain it.

    Attributes
    ----------
    kind : {'exchanged', 'elsewhere', 'clock', 'deaf'}
        What would explain it best.
    sensors : tuple of int
        Numbers of the sensors: two that are exchanged, one otherwise.
    gain : float
        Log of how much more likely all pairs are with it; 0 for a deaf one.
    fitting : str
        Where the logger would stand; empty when no fitting explains it.
    late_s : float
        By how much its clock would be fast; 0 when no clock explains it. [s]
    """

    kind: Kind
    sensors: tuple[int, ...]
    gain: float = 0.0
    fitting: str = ""
    late_s: float = 0.0

    def note(self, heard: Sequence[Site], *, mended: str = "") -> str:
        """A few sentences for the result.

        Parameters
        ----------
        heard : sequence of Site
            Sites in the order of the sensors.
        mended : str
            Where the source would be with two loggers exchanged, if that is what is in doubt.

        Returns
        -------
        str
            Which loggers, why, and what to do.
        """
        one, *others = (heard[sensor] for sensor in self.sensors)
        if self.kind == "exchanged":
            other = others[0]
            return (
                f"{one.logger} fits {other.fitting} better than {one.fitting}, and {other.logger} "
                f"{one.fitting} better than {other.fitting}: were they swapped? What these two say counts "
                "less in this answer, whose first place is right about half of the time. "
                f"{mended + '. ' if mended else ''}Check the table and locate again before anyone digs"
            )
        if self.kind == "deaf":
            return (
                f"{one.logger} at {one.fitting} hears nothing of what the others hear, though it stands "
                "nearer to it than most of them: was it switched on, and in good contact? What it says "
                "counts less in this answer"
            )
        clock = f"a clock {1000 * abs(self.late_s):.0f} ms {'fast' if self.late_s > 0 else 'slow'}"
        if self.kind == "clock":
            also = f", or {self.fitting} in place of {one.fitting}" if self.fitting else ""
            why = f"{one.logger} does not fit the others: {clock} would explain it{also}."
        else:
            also = f" {clock[0].upper()}{clock[1:]} would explain it as well." if self.late_s else ""
            why = (
                f"{one.logger} fits {self.fitting} better than {one.fitting} by what the others hear: did it "
                f"stand there?{also}"
            )
        return f"{why} What it says counts less in this answer; check the table and locate again"


def pairs_that_fit(
    evidence: NetworkEvidence,
    weighed: Weighed,
    *,
    place: int | None = None,
    among: Sequence[int] | None = None,
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
    among : sequence of int, optional
        Pairs to take as loud; those whose highest peak is more likely right than wrong when not given.

    Returns
    -------
    loud, fitting : list of int
        Numbers of pairs.
    """
    one = weighed.places.at(weighed.best if place is None else place)
    ways = tuple(times_at(evidence.pipes, sensor, one) for sensor in evidence.sensors)
    loud, fitting = [], []
    for number, hearing in enumerate(evidence.hearings):
        if wrong_share(hearing) > 0.5 if among is None else number not in among:
            continue
        loud.append(number)
        shown = delays_shown(evidence, hearing, one, ways=ways, speeds=weighed)
        if any(abs(delay_s - hearing.best_s) <= FITS_SD * sd_s + FITS_S for delay_s, sd_s in shown):
            fitting.append(number)
    return loud, fitting


def find_doubt(
    evidence: NetworkEvidence, weighed: Weighed, *, network: PipeNetwork, taken: Collection[str]
) -> Doubt | None:
    """Look for loggers that do not fit the rest.

    Parameters
    ----------
    evidence : NetworkEvidence
        Mains, ways and evidence.
    weighed : Weighed
        Probability along the mains as the table has the loggers.
    network : PipeNetwork
        For the fittings.
    taken : collection of str
        Fittings of all loggers.

    Returns
    -------
    Doubt or None
        What stands out; None where all is well, or too little is heard to tell.
    """
    heard = [number for number, one in enumerate(evidence.hearings) if one.heard >= LOUD]
    loud, fitting = pairs_that_fit(evidence, weighed, among=heard)
    if len(loud) < FEWEST_LOUD:
        return None
    share = _share_that_fits(evidence, loud, fitting)
    suspected = any(one <= FIT_OF_LOGGER for one in share.values())
    every = list(range(len(evidence.sensors)))
    worst = sorted(share, key=share.__getitem__)[:MOST_TRIED] if suspected else []
    tried = every if len(every) <= MOST_TRIED else worst
    quiet = [k for k in every if _heard(evidence, k) <= QUIET]
    if not tried and not quiet:
        return None
    suspicion = Suspicion(evidence)
    doubt = _misplaced(suspicion, evidence, share, tried, network=network, taken=taken)
    if doubt is not None:
        return doubt
    # with two that seem deaf, the source is rather not where the others put it
    deaf = [k for k in quiet if suspicion.nearness(k) >= SURELY_NEAR]
    return Doubt("deaf", (deaf[0],)) if len(deaf) == 1 else None


def _heard(evidence: NetworkEvidence, sensor: int) -> float:
    """Highest peak of all pairs of a sensor. [nats]"""
    return max((one.heard for one in evidence.hearings if sensor in (one.a, one.b)), default=0.0)


def _share_that_fits(
    evidence: NetworkEvidence, loud: Sequence[int], fitting: Sequence[int]
) -> dict[int, float]:
    """Of each logger with loud pairs enough, the share of them that fits."""
    count, fits = np.zeros((2, len(evidence.sensors)))
    for number in loud:
        for sensor in (evidence.hearings[number].a, evidence.hearings[number].b):
            count[sensor] += 1
            fits[sensor] += number in fitting
    heard = np.flatnonzero(count >= LEAST_PAIRS).tolist()
    return {k: float(fits[k] / count[k]) for k in heard}


def _misplaced(
    suspicion: Suspicion,
    evidence: NetworkEvidence,
    share: Mapping[int, float],
    tried: Sequence[int],
    *,
    network: PipeNetwork,
    taken: Collection[str],
) -> Doubt | None:
    """The exchange, place or clock that stands out among all that would explain what does not fit."""
    pairs = list(combinations(sorted(tried), 2))
    gains = side_by_side(lambda pair: suspicion.exchanged(*pair), pairs)
    swaps = sorted(zip(gains, pairs, strict=True), reverse=True)
    singles = sorted(
        (
            _best_of(
                suspicion,
                evidence,
                k,
                network=network,
                taken=taken,
                suspect=share.get(k, 1.0) <= FIT_OF_LOGGER,
            )
            for k in tried
        ),
        key=lambda found: -found[0].gain,
    )
    best_single = singles[0][0].gain if singles else 0.0
    if swaps and swaps[0][0] >= max(EXCHANGE_GAIN, best_single - AS_GOOD):
        gain, pair = swaps[0]
        rival = swaps[1][0] if len(swaps) > 1 else 0.0
        # of two exchanges that explain it alike neither is told
        return Doubt("exchanged", pair, gain=gain) if gain >= rival + EXCHANGE_LEAD else None
    return _of_one(singles, share)


def _of_one(
    singles: Sequence[tuple[Explanation, Explanation | None]], share: Mapping[int, float]
) -> Doubt | None:
    """What explains one logger, unless another would do as well, or all that it hears fits as it is."""
    if not singles:
        return None
    best, also = singles[0]
    if share.get(best.sensor, 0.0) == 1:
        return None
    told = [one for one in (best, also) if one is not None]
    alone = len(singles) < 2 or best.gain >= singles[1][0].gain + ONE_LEAD
    if not alone or all(one.gain < (FAST_GAIN if one.late_s > 0 else ONE_GAIN) for one in told):
        return None
    return Doubt(
        "elsewhere" if best.fitting else "clock",
        (best.sensor,),
        gain=best.gain,
        fitting=next((one.fitting for one in told if one.fitting), ""),
        late_s=next((one.late_s for one in told if not one.fitting), 0.0),
    )


def _best_of(
    suspicion: Suspicion,
    evidence: NetworkEvidence,
    sensor: int,
    *,
    network: PipeNetwork,
    taken: Collection[str],
    suspect: bool,
) -> tuple[Explanation, Explanation | None]:
    """What explains a logger best, and what of the other kind does nearly as well."""
    clock = suspicion.clock(sensor)
    found = []
    if suspect or clock.gain >= CLOCK_HINTS:
        found = suspicion.elsewhere(sensor, _fittings_near(evidence, sensor, network=network, taken=taken))
    if abs(clock.late_s) >= LEAST_LATE_S:
        found.append(replace(clock, gain=clock.gain - CLOCK_COSTS))
    found.sort(key=lambda one: -one.gain)
    if not found:
        return Explanation(sensor, 0.0), None
    best = found[0]
    other = next((one for one in found[1:] if bool(one.fitting) != bool(best.fitting)), None)
    return best, other if other is not None and other.gain >= best.gain - AS_GOOD else None


def _fittings_near(
    evidence: NetworkEvidence, sensor: int, *, network: PipeNetwork, taken: Collection[str]
) -> dict[str, SensorTimes]:
    """Fittings at which a logger could have stood instead, with the ways from there."""
    pipes, times = evidence.pipes, evidence.sensors[sensor]
    nodes = {int(node): row for row, node in enumerate(pipes.nodes)}
    rows = network.fittings[network.fittings["node"].isin(set(nodes))]
    away_s = {str(name): float(times.time_s[nodes[int(node)]]) for name, node in rows["node"].items()}
    near = sorted(
        (name for name in away_s if name not in taken and np.isfinite(away_s[name])), key=away_s.__getitem__
    )
    near = near[:MOST_FITTINGS]
    lead_s = float(times.time_s[times.node])
    beside = (pipes.ends == times.node).any(axis=1)
    lead_m = lead_s * float(pipes.speed_m_s[beside].max())
    ways = (
        sensor_times(pipes, [network.node_of(name) for name in near], lead_m=[lead_m] * len(near))
        if near
        else ()
    )
    return dict(zip(near, ways, strict=True))


def believed_less(
    evidence: NetworkEvidence, sensors: Collection[int], *, share: float = 0.2
) -> NetworkEvidence:
    """The same evidence with the pairs of doubtful loggers counting less."""
    return replace(
        evidence,
        hearings=tuple(
            replace(one, believed=one.believed * share) if {one.a, one.b} & set(sensors) else one
            for one in evidence.hearings
        ),
    )
