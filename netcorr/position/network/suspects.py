"""One logger whose evidence contradicts what all others say: a wrong fitting, a wrong clock, or a deaf one.

The others alone say where a source is likely. There the delays of the pairs of the logger in question are
foretold; had it stood at another fitting, or were its clock off, they would be others. What makes all its
pairs together much more likely than the table does, and more than anything else of the kind, is named.
Nothing is changed to what was tried.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import logsumexp

from netcorr.position.network.hearing import LEAST_PEAK, LOUD, weight_of_pairs
from netcorr.position.network.look import blurred_ratio, pair_delays
from netcorr.position.network.speeds import prior_grid
from netcorr.position.network.times import Places, even_places, times_at

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.position.network.evidence import NetworkEvidence
    from netcorr.position.network.hearing import BlurredRatio, PairHearing
    from netcorr.position.network.times import PlaceTimes, SensorTimes

    Floats = NDArray[np.float64]

#: Places of the look, farther apart on long networks so that there are about so many. [m]
SPACING_M, MANY_PLACES = 3.0, 6000
#: Pairs of a place and speeds that the others find most likely: only these are looked at for one logger.
LIKELY = 400
#: Of more pairs than this only those are looked at that hear something.
MANY_PAIRS = 100
#: Fewer loggers that hear something beyond doubt place nothing.
FEWEST_LOUD = 3
#: Clocks are tried so far off, in such steps. [s]
FARTHEST_S, STEP_S = 0.1, 0.0005


@dataclass(frozen=True)
class Explanation:
    """What would make the pairs of one logger fit.

    Attributes
    ----------
    sensor : int
        Number of the sensor.
    gain : float
        Log of how much more likely all pairs are with it than with the table.
    fitting : str
        Where it would stand; empty when it is its clock.
    late_s : float
        By how much its clock would be ahead of the others. [s]
    """

    sensor: int
    gain: float
    fitting: str = ""
    late_s: float = 0.0


@dataclass(frozen=True, eq=False)
class _Others:
    """What all pairs but those of one sensor say, where they find a source most likely."""

    places: Places
    factor: Floats
    log_others: Floats
    ways: tuple[PlaceTimes, ...]


class Suspicion:
    """All pairs at all places, ready to leave any one logger out.

    Parameters
    ----------
    evidence : NetworkEvidence
        Mains, ways and evidence.
    """

    def __init__(self, evidence: NetworkEvidence) -> None:
        weight = weight_of_pairs(evidence.hearings)
        if len(evidence.hearings) > MANY_PAIRS:  # what hears nothing tells next to nothing apart
            telling = tuple(one for one in evidence.hearings if one.heard >= LEAST_PEAK)
            evidence = replace(evidence, hearings=telling)
        self._evidence = evidence
        total_m = float(evidence.pipes.length_m.sum())
        self._places = even_places(evidence.pipes, spacing_m=max(SPACING_M, total_m / MANY_PLACES))
        self._grid = prior_grid(evidence.pipes)
        self._weight = weight
        self._ways = tuple(times_at(evidence.pipes, sensor, self._places) for sensor in evidence.sensors)
        shape = (self._grid.factor.shape[0], self._places.piece.size)
        self._of_sensor = np.zeros((len(evidence.sensors), *shape))
        self._curves: list[BlurredRatio] = []
        for hearing in evidence.hearings:
            _, sd_s = self._delays(evidence, hearing, self._places, self._ways)
            largest_sd_s = 1.5 * float(sd_s[np.isfinite(sd_s)].max(initial=0.0))
            self._curves.append(blurred_ratio(hearing, alone=False, largest_sd_s=largest_sd_s))
        for number, hearing in enumerate(evidence.hearings):
            log_pair = self._log_pair(number)
            for sensor in (hearing.a, hearing.b):
                self._of_sensor[sensor] += log_pair
        # every pair is in the sums of two sensors
        prior = self._grid.log_prior[:, None] + np.log(self._places.width_m)[None, :]
        self._all: Floats = prior + self._of_sensor.sum(axis=0) / 2

    def _log_pair(self, number: int) -> Floats:
        """What one pair says of every place with every speed."""
        hearing, curve = self._evidence.hearings[number], self._curves[number]
        by_group_s, sd_s = self._delays(self._evidence, hearing, self._places, self._ways)
        heard = np.isfinite(sd_s)
        log_pair = np.zeros((self._grid.factor.shape[0], self._places.piece.size))
        for row, factor in zip(log_pair, self._grid.factor, strict=True):
            row[heard] = self._weight * curve.log_at(by_group_s[heard] @ factor, sd_s[heard])
        return log_pair

    def _delays(
        self,
        evidence: NetworkEvidence,
        hearing: PairHearing,
        places: Places,
        ways: Sequence[PlaceTimes],
    ) -> tuple[Floats, Floats]:
        """Delays by group, and their standard deviation; not finite where no way leads."""
        by_group_s, variance_s2 = pair_delays(evidence, hearing, places, ways=ways)
        with np.errstate(invalid="ignore"):
            reached = ways[hearing.a].time_s + ways[hearing.b].time_s
            sd_s = np.sqrt(variance_s2 + (by_group_s**2) @ self._grid.blur_share**2)
        return by_group_s, np.where(np.isfinite(reached), sd_s, np.inf)

    def as_stated(self) -> float:
        """Log of how likely all pairs are with every logger as the table has it."""
        return float(logsumexp(self._all))

    def explanations(self, sensor: int, fittings: Mapping[str, SensorTimes]) -> list[Explanation]:
        """What would make one logger fit, most likely first.

        Parameters
        ----------
        sensor : int
            Its number.
        fittings : mapping of str to SensorTimes
            Where it could have stood instead, with the ways from there.

        Returns
        -------
        list of Explanation
            The best offset of its clock, and every fitting.
        """
        others = self._without(sensor)
        before = self.as_stated()
        found = [self._clock(sensor, others, before)]
        for fitting, times in fittings.items():
            log_mine = np.zeros(others.log_others.size)
            for curve, _, delay_s, sd_s in self._at(sensor, others, times):
                heard = np.isfinite(sd_s)
                log_mine[heard] += self._weight * curve.log_at(delay_s[heard], sd_s[heard])
            gain = float(logsumexp(others.log_others + log_mine)) - before
            found.append(Explanation(sensor, gain, fitting=fitting))
        return sorted(found, key=lambda one: -one.gain)

    def exchanged(self, a: int, b: int) -> float:
        """Log of how much more likely all pairs are with two loggers at each other's fitting.

        Parameters
        ----------
        a, b : int
            Numbers of the sensors.

        Returns
        -------
        float
            Against the table.
        """
        between = next((k for k, one in enumerate(self._evidence.hearings) if {one.a, one.b} == {a, b}), None)
        of_both = self._of_sensor[a] + self._of_sensor[b]
        if between is not None:
            of_both = of_both - self._log_pair(between)
        others = self._likely(self._all - of_both)
        sensors, ways = list(self._evidence.sensors), list(others.ways)
        sensors[a], sensors[b] = sensors[b], sensors[a]
        ways[a], ways[b] = ways[b], ways[a]
        log_both = np.zeros(others.log_others.size)
        for curve, _, delay_s, sd_s in self._pairs_at({a, b}, others, sensors, ways):
            heard = np.isfinite(sd_s)
            log_both[heard] += self._weight * curve.log_at(delay_s[heard], sd_s[heard])
        return float(logsumexp(others.log_others + log_both)) - self.as_stated()

    def nearness(self, sensor: int) -> float:
        """Probability, by all others, that a sensor is nearer to the source than the second that hears it.

        Parameters
        ----------
        sensor : int
            Its number.

        Returns
        -------
        float
            0 where fewer than two others hear anything clearly.
        """
        loud = {
            k
            for one in self._evidence.hearings
            if one.heard >= LOUD and sensor not in (one.a, one.b)
            for k in (one.a, one.b)
        }
        if len(loud) < FEWEST_LOUD:
            return 0.0
        log_others = logsumexp(self._all - self._of_sensor[sensor], axis=0)
        probability = np.exp(log_others - logsumexp(log_others))
        second_s = np.sort([self._ways[k].time_s for k in sorted(loud)], axis=0)[1]
        return float(probability @ (self._ways[sensor].time_s < second_s))

    def _without(self, sensor: int) -> _Others:
        """Places and speeds that all other sensors find most likely."""
        return self._likely(self._all - self._of_sensor[sensor])

    def _likely(self, log_all: Floats) -> _Others:
        log_others = log_all.ravel()
        kept = np.argsort(-log_others)[:LIKELY]
        speeds, rows = np.unravel_index(kept, self._all.shape)
        every = self._places
        places = Places(every.piece[rows], every.from_m[rows], every.width_m[rows])
        ways = tuple(times_at(self._evidence.pipes, one, places) for one in self._evidence.sensors)
        return _Others(places, self._grid.factor[speeds], log_others[kept], ways)

    def _at(
        self, sensor: int, others: _Others, times: SensorTimes
    ) -> Iterator[tuple[BlurredRatio, PairHearing, Floats, Floats]]:
        """Pairs of a sensor that stands elsewhere: delays at the likely places, and their deviation."""
        sensors, ways = list(self._evidence.sensors), list(others.ways)
        sensors[sensor] = times
        ways[sensor] = times_at(self._evidence.pipes, times, others.places)
        return self._pairs_at({sensor}, others, sensors, ways)

    def _pairs_at(
        self,
        which: set[int],
        others: _Others,
        sensors: Sequence[SensorTimes],
        ways: Sequence[PlaceTimes],
    ) -> Iterator[tuple[BlurredRatio, PairHearing, Floats, Floats]]:
        evidence = replace(self._evidence, sensors=tuple(sensors))
        for curve, hearing in zip(self._curves, evidence.hearings, strict=True):
            if which & {hearing.a, hearing.b}:
                by_group_s, sd_s = self._delays(evidence, hearing, others.places, ways)
                yield curve, hearing, (by_group_s * others.factor).sum(axis=1), sd_s

    def _clock(self, sensor: int, others: _Others, before: float) -> Explanation:
        """The offset of its clock that makes a sensor fit best."""
        late_s = np.arange(-FARTHEST_S, FARTHEST_S + STEP_S / 2, STEP_S)
        log_mine = np.zeros((late_s.size, others.log_others.size))
        for curve, hearing, delay_s, sd_s in self._at(sensor, others, self._evidence.sensors[sensor]):
            heard = np.isfinite(sd_s)
            sign = 1.0 if hearing.b == sensor else -1.0
            late_there_s = delay_s[None, heard] + sign * late_s[:, None]
            wide_s = np.broadcast_to(np.hypot(sd_s[heard], STEP_S / 2), late_there_s.shape)
            log_mine[:, heard] += self._weight * curve.log_at(late_there_s, wide_s)
        gains = logsumexp(others.log_others[None, :] + log_mine, axis=1) - before
        best = int(np.argmax(gains))
        return Explanation(sensor, float(gains[best]), late_s=float(late_s[best]))
