"""Loggers that are not as the table says: how much better all pairs fit with them elsewhere or another clock.

For any table every pair has its delays at every place, by whatever ways, and hears it as clearly as the map
foretells. So the survey as a whole is more or less likely by a table, wherever the source is. Two loggers at
each other's fitting, one at another fitting, one with another clock: each makes the survey this much more
likely than what the table says. Nothing is changed to what was tried.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import logsumexp

from netcorr.position.network.arrivals import sensor_arrivals
from netcorr.position.network.hearing import LOUD, pairs_asked, weight_of_pairs
from netcorr.position.network.look import pair_at, share_by_ways
from netcorr.position.network.loudness import HeardLevels
from netcorr.position.network.mended import exchanged_pair
from netcorr.position.network.speeds import prior_grid
from netcorr.position.network.times import Places, even_places, times_at
from netcorr.position.network.weigh import log_near

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from numpy.typing import NDArray

    from netcorr.position.network.arrivals import HeardWay, NetworkArrivals, SensorArrivals
    from netcorr.position.network.evidence import NetworkEvidence
    from netcorr.position.network.hearing import BlurredRatio, PairHearing
    from netcorr.position.network.times import PlaceTimes, SensorTimes

    Floats = NDArray[np.float64]

#: Places of the look, farther apart on long networks so that there are about so many. [m]
SPACING_M, MANY_PLACES = 3.0, 6000
#: Speeds of the look, by the number of groups gone through: fewer than an answer needs.
SPEEDS = {1: 7, 2: 5}
#: Pairs of a place and speeds that the others find most likely: only these are looked at for one logger, and
#: fewer for its clock, of which many are tried.
LIKELY, LIKELY_OF_CLOCK = 400, 150
#: For two loggers exchanged so many places are looked at first; those that are less likely than the best of
#: them by more than this, whatever the pairs not yet asked may say, are left out. [nats]
LIKELY_FIRST, NEGLIGIBLE = 32, 20.0
#: Fewer loggers that hear something beyond doubt place nothing.
FEWEST_LOUD = 3
#: Clocks are tried so far off, in such steps, and about the best of them in finer ones. [s]
FARTHEST_S, STEP_S, FINE_STEP_S = 0.1, 0.001, 0.00025
#: All places.
ALL = slice(None)


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
class _Look:
    """Places with speeds, and what they have in common for all pairs.

    Attributes
    ----------
    places : Places
        Shape (k,).
    factor : numpy.ndarray
        Shape (c, k, g): slowness factors to try at each place.
    later : numpy.ndarray
        Shape (c, k): the same of what comes round about.
    ways : mapping of int to PlaceTimes
        Quickest ways by the numbers of the sensors: of all, or of those that are needed.
    """

    places: Places
    factor: Floats
    later: Floats
    ways: Mapping[int, PlaceTimes]

    def only(self, rows: NDArray[np.intp], sensors: tuple[int, int]) -> _Look:
        """Some of the places, with the ways from two sensors."""
        ways = {sensor: self.ways[sensor].take(rows) for sensor in sensors}
        return _Look(self.places.take(rows), self.factor[:, rows], self.later[:, rows], ways)


@dataclass(frozen=True, eq=False)
class _PairAt:
    """Delays of one pair at places by the quickest ways, and what else may be heard.

    Attributes
    ----------
    heard : numpy.ndarray
        Shape (k,): whether both sensors are reached.
    delay_s, sd_s : numpy.ndarray
        Shape (c, h), (h,): of the places that both reach. [s]
    later : numpy.ndarray
        Shape (c, h): slowness factor of what comes round about.
    by_way : tuple of HeardWay
        Ways of the pair.
    largest_sd_s : float
        Largest standard deviation by any of them. [s]
    """

    heard: NDArray[np.bool_]
    delay_s: Floats
    sd_s: Floats
    later: Floats
    by_way: tuple[HeardWay, ...]
    largest_sd_s: float


class Suspicion:
    """All pairs at all places, ready for other tables.

    Parameters
    ----------
    evidence : NetworkEvidence
        Mains, ways and evidence.
    """

    def __init__(self, evidence: NetworkEvidence) -> None:
        self._weight = weight_of_pairs(evidence.hearings)
        asked = tuple(evidence.hearings[number] for number in pairs_asked(evidence.hearings))
        evidence = replace(evidence, hearings=asked)
        self._evidence = evidence
        self._rays: dict[int, SensorArrivals] = {}
        total_m = float(evidence.pipes.length_m.sum())
        places = even_places(evidence.pipes, spacing_m=max(SPACING_M, total_m / MANY_PLACES))
        grid = prior_grid(evidence.pipes, points=SPEEDS)
        self._blur_share, shape = grid.blur_share, (len(grid.factor), places.piece.size)
        self._look = self._look_at(
            places, np.broadcast_to(grid.factor[:, None, :], (*shape, grid.factor.shape[1]))
        )
        nearest_s = np.min([way.time_s for way in self._look.ways.values()], axis=0)
        self._log_prior: Floats = grid.log_prior[:, None] + np.log(places.width_m) + log_near(nearest_s)
        self._curves: list[BlurredRatio] = []
        self._log_pair: list[NDArray[np.float32]] = []
        for hearing in evidence.hearings:
            at = self._pair_at(evidence, hearing, self._look)
            curve = hearing.blurred(alone=False, largest_sd_s=1.5 * at.largest_sd_s)
            self._curves.append(curve)
            self._log_pair.append(self._log_of(curve, at).astype(np.float32))
        self._all: Floats = self._log_prior + np.sum(self._log_pair, axis=0, dtype=np.float64)
        self._levels = HeardLevels(evidence.hearings)
        self._pressure = _pressure_at(evidence, places)
        self._stated = float(logsumexp(self._all + self._loudness(self._pressure)))

    def as_stated(self) -> float:
        """Log of how likely all pairs are with every logger as the table has it."""
        return self._stated

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
        moved = {
            number: exchanged_pair(self._evidence.hearings[number], a, b) for number in self._pairs_of({a, b})
        }
        pressure = self._pressure
        if pressure is not None:
            pressure = pressure.copy()
            pressure[[a, b]] = pressure[[b, a]]
        return self._log_total(moved, self._without(moved), pressure) - self._stated

    def _log_total(
        self, moved: Mapping[int, PairHearing], log_others: Floats, pressure: Floats | None
    ) -> float:
        """Log of how likely all pairs are, some of them with other sensors, over all places and speeds.

        The pairs that have moved are asked one after the other, each of the places that may still matter.
        """
        most = {number: max(self._most(number), 0.0) for number in moved}
        still = sum(most.values())
        best = log_others.max(axis=0)
        few = np.argsort(-best)[:LIKELY_FIRST]
        log_few = log_others[:, few]
        for number, hearing in moved.items():
            log_few = log_few + self._says(number, hearing, few)
        matters = float((log_few + self._loudness(pressure, few)).max()) - NEGLIGIBLE
        rows = np.flatnonzero(best + still >= matters)
        log_all = log_others[:, rows]
        for number, hearing in moved.items():
            log_all = log_all + self._says(number, hearing, rows)
            still -= most[number]
            kept = log_all.max(axis=0) + still >= matters
            rows, log_all = rows[kept], log_all[:, kept]
        return float(logsumexp(log_all + self._loudness(pressure, rows)))

    def _most(self, number: int) -> float:
        """The most that a pair can say for a place."""
        return self._weight * float(self._curves[number].log_of(np.array(self._curves[number].most_share)))

    def _says(self, number: int, hearing: PairHearing, rows: NDArray[np.intp]) -> Floats:
        """What a pair says of some places of the look, with the sensors that it is given."""
        at = self._pair_at(self._evidence, hearing, self._look.only(rows, (hearing.a, hearing.b)))
        return self._log_of(self._curves[number], at)

    def clock(self, sensor: int) -> Explanation:
        """The offset of its clock that makes a logger fit best.

        Parameters
        ----------
        sensor : int
            Its number.

        Returns
        -------
        Explanation
            With what is gained by it, 0 or nearly so where it fits as it is.
        """
        look, log_likely = self._likely(self._without(self._pairs_of({sensor})), LIKELY_OF_CLOCK)
        log_likely = log_likely + self._loudness(_pressure_at(self._evidence, look.places))
        pairs = [
            (k, self._pair_at(self._evidence, self._evidence.hearings[k], look))
            for k in self._pairs_of({sensor})
        ]
        best_s, best = 0.0, -np.inf
        for reach_s, step_s in ((FARTHEST_S, STEP_S), (STEP_S, FINE_STEP_S)):
            late_s = best_s + _steps(reach_s, step_s)
            log_all = np.tile(log_likely, (late_s.size, 1))
            for k, at in pairs:
                sign = 1.0 if self._evidence.hearings[k].b == sensor else -1.0
                off = replace(
                    at,
                    delay_s=at.delay_s + sign * late_s[:, None],
                    sd_s=np.hypot(at.sd_s, step_s / 2),
                    later=np.tile(at.later, (late_s.size, 1)),
                )
                log_all += self._log_of(self._curves[k], off)
            gains = logsumexp(log_all, axis=1) - self._stated
            best_s, best = float(late_s[int(np.argmax(gains))]), float(gains.max())
        return Explanation(sensor, best, late_s=best_s)

    def elsewhere(self, sensor: int, fittings: Mapping[str, SensorTimes]) -> list[Explanation]:
        """What one logger would fit at other fittings, best first.

        Parameters
        ----------
        sensor : int
            Its number.
        fittings : mapping of str to SensorTimes
            Where it could have stood instead, with the ways from there.

        Returns
        -------
        list of Explanation
            Every fitting.
        """
        look, log_likely = self._likely(self._without(self._pairs_of({sensor})), LIKELY)
        pressure = _pressure_at(self._evidence, look.places)
        found = []
        for fitting, times in fittings.items():
            there, seen = self._moved(sensor, times, look)
            if pressure is not None and there.arrivals is not None:
                pressure[sensor] = there.arrivals.pressure_of(there.arrivals.sensors[sensor], look.places)
            log_all = log_likely + self._loudness(pressure)
            for number in self._pairs_of({sensor}):
                at = self._pair_at(there, there.hearings[number], seen)
                log_all += self._log_of(self._curves[number], at)[0]
            found.append(Explanation(sensor, float(logsumexp(log_all)) - self._stated, fitting=fitting))
        return sorted(found, key=lambda one: -one.gain)

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
        log_others = logsumexp(self._without(self._pairs_of({sensor})), axis=0)
        probability = np.exp(log_others - logsumexp(log_others))
        second_s = np.sort([self._look.ways[k].time_s for k in sorted(loud)], axis=0)[1]
        return float(probability @ (self._look.ways[sensor].time_s < second_s))

    def _pairs_of(self, which: set[int]) -> list[int]:
        """Numbers of the pairs of some sensors."""
        return [k for k, one in enumerate(self._evidence.hearings) if which & {one.a, one.b}]

    def _without(self, pairs: Collection[int]) -> Floats:
        """What all but some pairs say of places and speeds."""
        of_pairs = np.sum([self._log_pair[number] for number in pairs], axis=0, dtype=np.float64)
        return np.asarray(self._all - of_pairs)

    def _likely(self, log_all: Floats, most: int) -> tuple[_Look, Floats]:
        """Pairs of a place and speeds that are most likely, and the log of that."""
        flat = log_all.ravel()
        kept = np.argsort(-flat)[:most]
        speeds, rows = np.unravel_index(kept, log_all.shape)
        return self._look_at(self._look.places.take(rows), self._look.factor[speeds, rows][None]), flat[kept]

    def _look_at(self, places: Places, factor: Floats) -> _Look:
        pipes = self._evidence.pipes
        ways = {
            number: times_at(pipes, sensor, places) for number, sensor in enumerate(self._evidence.sensors)
        }
        return _Look(places, factor, factor @ pipes.time_shares, ways)

    def _moved(self, sensor: int, times: SensorTimes, look: _Look) -> tuple[NetworkEvidence, _Look]:
        """The evidence with one sensor elsewhere, and the places seen from there."""
        evidence = self._evidence
        sensors = list(evidence.sensors)
        sensors[sensor] = times
        ways = {**look.ways, sensor: times_at(evidence.pipes, times, look.places)}
        arrivals = evidence.arrivals
        if arrivals is not None:
            rays = list(arrivals.sensors)
            rays[sensor] = self._rays_of(arrivals, times.node)
            arrivals = replace(arrivals, sensors=tuple(rays))
        there = replace(evidence, sensors=tuple(sensors), arrivals=arrivals)
        return there, replace(look, ways=ways)

    def _rays_of(self, arrivals: NetworkArrivals, row: int) -> SensorArrivals:
        """Rays of a sensor at a node, followed once."""
        if row not in self._rays:
            pipes = self._evidence.pipes
            self._rays[row] = sensor_arrivals(arrivals.waves, pipes, int(pipes.nodes[row]))
        return self._rays[row]

    def _pair_at(self, evidence: NetworkEvidence, hearing: PairHearing, look: _Look) -> _PairAt:
        """Delays of a pair at places."""
        at = pair_at(evidence, hearing, look.places, ways=look.ways, blur_share=self._blur_share)
        delay_s = np.einsum("ckg,kg->ck", look.factor[:, at.heard], at.by_group_s)
        return _PairAt(at.heard, delay_s, at.sd_s, look.later[:, at.heard], at.by_way, at.largest_sd_s)

    def _log_of(self, curve: BlurredRatio, at: _PairAt) -> Floats:
        """What a pair says of places, shape (c, k)."""
        log_pair = np.zeros((len(at.delay_s), at.heard.size))
        share = share_by_ways(curve, at.by_way, delay_s=at.delay_s, sd_s=at.sd_s, factor=at.later)
        log_pair[:, at.heard] = self._weight * curve.log_of(share)
        return log_pair

    def _loudness(self, pressure: Floats | None, rows: NDArray[np.intp] | slice = ALL) -> Floats | float:
        """Log of the likelihood of how clearly the pairs hear, shape (k,), 0 at most."""
        return 0.0 if pressure is None else self._levels.log_of(pressure[:, rows])


def _pressure_at(evidence: NetworkEvidence, places: Places) -> Floats | None:
    """Pressure that each sensor gets from each place, shape (sensors, k); None without rays."""
    return None if evidence.arrivals is None else evidence.arrivals.pressure_at(places)


def _steps(reach_s: float, step_s: float) -> Floats:
    """Steps to either side of nothing. [s]"""
    count = round(reach_s / step_s)
    return step_s * np.arange(-count, count + 1, dtype=np.float64)
