"""Ways by which the sound of a leak on any piece of main reaches each sensor: direct, and round about.

On a mesh of mains what comes directly is often not what is heard best: a way round a block that passes fewer
tees may be louder, and the delay that a pair shows is then that of two such ways. From each sensor rays are
followed through the map (`netcorr.position.rays`), once for all places. For a pair the strongest combinations
of a way to one sensor and a way to the other are listed for every piece of main.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

import numpy as np

from netcorr.position.rays import TIME_STEP_S, Waves, trace_rays

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.position.network.pipes import ReachedPipes
    from netcorr.position.network.times import Places, SensorTimes
    from netcorr.position.rays import Arrivals
    from netcorr.position.settings import LocateSettings

    Floats = NDArray[np.float64]

#: Rays that keep less than this share of the pressure are not followed, nor for longer than this. [s]
LEAST_PRESSURE = 0.001
LATEST_S = 0.8
#: Nor those much weaker than what ran into the same pipe before. So all places, far and near, have what comes
#: round about: were only loud rays followed, a far place would have the direct way alone and be told by it.
LEAST_SHARE = 0.2
MOST_RAYS = 16_000
#: What arrives within this is heard as one. [s]
ONE_ARRIVAL_S = 1e-3
#: Arrivals kept at either end of a piece, combinations kept for each pair and piece, and the least strength
#: of one against the strongest.
MOST_ARRIVALS = 5
MOST_WAYS = 8
#: Combinations among which those are looked for that make the same peak.
MOST_JOINED = 30
LEAST_STRENGTH = 0.2
#: Probability that a combination is the loudest goes with this power of its strength (chosen with
#: `netcorr.position.network.hearing.HEIGHT_POWER`); combinations with less than so much of it are left out.
STRONGEST_POWER = 7.0
LEAST_ODDS = 1e-5
#: Standard deviation of a detour, as a share of it: speeds and lengths of its pipes.
DETOUR_SD_SHARE = 0.015


@dataclass(frozen=True, eq=False)
class SensorArrivals:
    """Rays of one sensor as they run into every piece of main.

    Attributes
    ----------
    time_s : numpy.ndarray
        Shape (p, 2, k): when they run in by the first and by the second end. [s]
    pressure : numpy.ndarray
        Shape (p, 2, k): share of the pressure, 0 where there is no such ray.
    """

    time_s: Floats
    pressure: Floats
    _ways: WeakKeyDictionary[SensorArrivals, PairWays] = field(
        default_factory=WeakKeyDictionary, init=False, repr=False
    )

    def into(self, pieces: NDArray[np.int64]) -> SensorArrivals:
        """Those that run into some of the pieces."""
        return SensorArrivals(self.time_s[pieces], self.pressure[pieces])

    @cached_property
    def loudest(self) -> Floats:
        """Shape (p, 2): pressure of the loudest ray by either end."""
        return np.asarray(self.pressure.max(axis=2))

    @cached_property
    def reached(self) -> NDArray[np.bool_]:
        """Shape (p,): pieces that any ray runs into."""
        return np.asarray((self.pressure != 0).any(axis=(1, 2)))

    def ways_with(self, other: SensorArrivals) -> tuple[NDArray[np.int64], PairWays]:
        """Pieces that rays of this sensor and of another run into, and the ways there, worked out once."""
        pieces = np.flatnonzero(self.reached & other.reached)
        if other not in self._ways:
            self._ways[other] = pair_ways(self.into(pieces), other.into(pieces))
        return pieces, self._ways[other]


@dataclass(frozen=True, eq=False)
class NetworkArrivals:
    """Rays of all sensors.

    Attributes
    ----------
    sensors : tuple of SensorArrivals
        One for each sensor.
    kept : numpy.ndarray
        Shape (p,): share of the pressure that is left at the other end of each piece.
    length_m : numpy.ndarray
        Shape (p,): length of each piece. [m]
    waves : Waves
        The pipes as waves feel them: rays of more sensors.
    """

    sensors: tuple[SensorArrivals, ...]
    kept: Floats
    length_m: Floats
    waves: Waves

    def pressure_at(self, places: Places) -> Floats:
        """Pressure that each sensor gets by the best way from each place, shape (sensors, k)."""
        return np.stack([self.pressure_of(one, places) for one in self.sensors])

    def pressure_of(self, sensor: SensorArrivals, places: Places) -> Floats:
        """Pressure that a sensor gets by the best way from each place, shape (k,)."""
        piece = places.piece
        into = places.from_m / self.length_m[piece]
        by_first, by_second = sensor.loudest[piece].T
        heard = np.maximum(by_first * self.kept[piece] ** into, by_second * self.kept[piece] ** (1 - into))
        pressure: Floats = np.maximum(heard, LEAST_PRESSURE / 3)
        return pressure


@dataclass(frozen=True, eq=False)
class PairWays:
    """Combinations of a way to each sensor of a pair, for every piece, the strongest first.

    Attributes
    ----------
    time_a_s, time_b_s : numpy.ndarray
        Shape (p, m): when the ways run into the piece. [s]
    first_a, first_b : numpy.ndarray
        Shape (p, m): whether by its first end.
    strength : numpy.ndarray
        Shape (p, m): product of both pressures over that of the strongest; 0 where there is none such.
    """

    time_a_s: Floats
    time_b_s: Floats
    first_a: NDArray[np.bool_]
    first_b: NDArray[np.bool_]
    strength: Floats


def network_arrivals(
    network: PipeNetwork,
    pipes: ReachedPipes,
    sensors: Sequence[SensorTimes],
    *,
    frequency_hz: float,
    settings: LocateSettings,
) -> NetworkArrivals:
    """Follow rays from every sensor.

    Parameters
    ----------
    network : PipeNetwork
        The map.
    pipes : ReachedPipes
        Mains within reach.
    sensors : sequence of SensorTimes
        Where the sensors stand.
    frequency_hz : float
        In the middle of the band that carries the evidence. [Hz]
    settings : LocateSettings
        Water temperature.

    Returns
    -------
    NetworkArrivals
        What runs into every piece.
    """
    speed_m_s = dict(zip(pipes.edges, pipes.speed_m_s.tolist(), strict=True))
    waves = Waves(network, frequency_hz, settings, float(np.median(pipes.speed_m_s)), speed_m_s)
    found = tuple(sensor_arrivals(waves, pipes, int(pipes.nodes[sensor.node])) for sensor in sensors)
    kept = np.array([waves.pipe(edge).kept for edge in pipes.edges])
    return NetworkArrivals(found, kept, pipes.length_m, waves)


def sensor_arrivals(waves: Waves, pipes: ReachedPipes, node: int) -> SensorArrivals:
    """Follow rays from one node.

    Parameters
    ----------
    waves : Waves
        The pipes as waves feel them.
    pipes : ReachedPipes
        Mains within reach.
    node : int
        Node of the network's graph.

    Returns
    -------
    SensorArrivals
        What runs into every piece.
    """
    rays = trace_rays(
        waves, node, least=LEAST_PRESSURE, latest_s=LATEST_S, least_share=LEAST_SHARE, most=MOST_RAYS
    )
    time_s = np.zeros((len(pipes.edges), 2, MOST_ARRIVALS))
    pressure = np.zeros_like(time_s)
    for edge, arrivals in rays.items():
        for row, end in pipes.entries.get(edge, ()):
            for k, (at_s, share) in enumerate(_strongest(arrivals)):
                time_s[row, end, k], pressure[row, end, k] = at_s, share
    return SensorArrivals(time_s, pressure)


def _strongest(rays: Arrivals) -> Arrivals:
    """Arrivals that are heard as one joined, the strongest first."""
    joined: list[list[float]] = []
    for at_s, pressure in sorted(rays):
        if joined and at_s - joined[-1][0] <= ONE_ARRIVAL_S:
            joined[-1][1] += pressure**2
        else:
            joined.append([at_s, pressure**2])
    strongest = sorted(((at_s, float(np.sqrt(power))) for at_s, power in joined), key=lambda one: -one[1])
    return strongest[:MOST_ARRIVALS]


def pair_ways(a: SensorArrivals, b: SensorArrivals) -> PairWays:
    """Strongest combinations of a way to each of two sensors.

    Parameters
    ----------
    a, b : SensorArrivals
        Rays of the two.

    Returns
    -------
    PairWays
        For every piece.
    """
    pieces, _, k = a.pressure.shape
    flat_a, flat_b = (one.pressure.reshape(pieces, 2 * k) for one in (a, b))
    product = (flat_a[:, :, None] * flat_b[:, None, :]).reshape(pieces, 4 * k * k)
    best = np.argsort(-product, axis=1, kind="stable")[:, :MOST_JOINED]
    strength = np.take_along_axis(product, best, axis=1)
    times = [one.time_s.reshape(pieces, 2 * k) for one in (a, b)]
    of_a, of_b = best // (2 * k), best % (2 * k)
    time_a_s, time_b_s = (np.take_along_axis(*one, axis=1) for one in zip(times, (of_a, of_b), strict=True))
    first_a, first_b = of_a < k, of_b < k
    strength = _joined(strength, time_b_s - time_a_s, first_b.astype(np.int8) - first_a)
    order = np.argsort(-strength, axis=1, kind="stable")[:, :MOST_WAYS]
    strength = np.take_along_axis(strength, order, axis=1)
    strongest = np.maximum(strength[:, :1], 1e-30)
    return PairWays(
        time_a_s=np.take_along_axis(time_a_s, order, axis=1),
        time_b_s=np.take_along_axis(time_b_s, order, axis=1),
        first_a=np.take_along_axis(first_a, order, axis=1),
        first_b=np.take_along_axis(first_b, order, axis=1),
        strength=np.where(strength >= LEAST_STRENGTH * strongest, strength / strongest, 0.0),
    )


def _joined(strength: Floats, delay_s: Floats, turn: NDArray[np.int8]) -> Floats:
    """Strengths with those of all combinations added that make the same peak; only the strongest is kept.

    A way to A and a way to B make a peak where their times differ. An echo that goes on to both sensors by
    the same ways makes the peak of the direct sound higher: it is no peak of its own. `delay_s` is that of a
    leak at the first end, and changes along a piece as `turn` says; shapes (p, m), the strongest first.
    """
    joined = strength.copy()
    for first in range(1, strength.shape[1]):
        same = (np.abs(delay_s[:, :first] - delay_s[:, first, None]) <= ONE_ARRIVAL_S) & (
            turn[:, :first] == turn[:, first, None]
        )
        same &= joined[:, :first] > 0
        row = np.flatnonzero(same.any(axis=1))
        joined[row, same[row].argmax(axis=1)] += strength[row, first]
        joined[row, first] = 0.0
    return joined


@dataclass(frozen=True, eq=False)
class HeardWay:
    """One combination of ways at the places where it may be the loudest.

    Attributes
    ----------
    rows : numpy.ndarray
        Shape (l,): rows of the places.
    share : numpy.ndarray
        Shape (l,): probability that it is the loudest.
    strength : numpy.ndarray
        Shape (l,): product of both pressures over that of the strongest combination.
    later_s : numpy.ndarray
        Shape (l,): its delay less that of the direct ways. [s]
    sd_s : numpy.ndarray
        Shape (l,): what is uncertain of that. [s]
    """

    rows: NDArray[np.intp]
    share: Floats
    strength: Floats
    later_s: Floats
    sd_s: Floats


def heard_ways(
    a: SensorArrivals,
    b: SensorArrivals,
    places: Places,
    pipes: ReachedPipes,
    *,
    quickest_s: tuple[Floats, Floats],
    delay_s: Floats,
    within_s: tuple[float, float],
) -> tuple[HeardWay, ...]:
    """Combinations of ways with the probability of each to be the loudest.

    Parameters
    ----------
    a, b : SensorArrivals
        Rays of the two sensors.
    places : Places
        Where.
    pipes : ReachedPipes
        The mains.
    quickest_s : (numpy.ndarray, numpy.ndarray)
        Shape (k,): time of the quickest way to each sensor, without leads. [s]
    delay_s : numpy.ndarray
        Shape (k,): delay by the quickest ways. [s]
    within_s : (float, float)
        Delays that were looked at: what lies outside cannot be what shows. [s]

    Returns
    -------
    tuple of HeardWay
        Shares of each place sum to 1.
    """
    pieces, ways = a.ways_with(b)
    # most of a large map is heard by one of the two at most
    reached = np.flatnonzero((a.reached & b.reached)[places.piece])
    row, near = np.searchsorted(pieces, places.piece[reached]), places.take(reached)
    near_s = (quickest_s[0][reached], quickest_s[1][reached])
    later_a_s, later_b_s = _detours(ways, row, places=near, pipes=pipes, quickest_s=near_s)
    later_s = later_b_s - later_a_s
    at_s = delay_s[reached] + later_s
    inside = (at_s >= within_s[0]) & (at_s <= within_s[1])
    odds = np.where(inside, (ways.strength**STRONGEST_POWER).T[:, row], 0.0)
    total = odds.sum(axis=0)
    heard = []
    for number, kept in enumerate(odds > LEAST_ODDS * total):
        on = np.flatnonzero(kept)
        if on.size:
            of_way = odds[number, on]
            sd_s = DETOUR_SD_SHARE * np.hypot(later_a_s[number, on], later_b_s[number, on])
            strength = of_way ** (1 / STRONGEST_POWER)
            heard.append(HeardWay(reached[on], of_way / total[on], strength, later_s[number, on], sd_s))
    silent = np.ones(places.piece.size, dtype=bool)
    silent[reached[total > 0]] = False
    if (rest := np.flatnonzero(silent)).size:
        # so little comes there by any way that the map says nothing of which
        none = np.zeros(rest.size)
        heard.append(HeardWay(rest, none + 1, none + 1, none, none))
    return tuple(heard)


def _detours(
    ways: PairWays,
    row: NDArray[np.intp],
    *,
    places: Places,
    pipes: ReachedPipes,
    quickest_s: tuple[Floats, Floats],
) -> tuple[Floats, Floats]:
    """How much later all combinations arrive than the quickest, at either sensor, shape (m, k). [s]

    `row` says for each place which of the pieces of `ways` it lies on.
    """
    piece = places.piece
    into_s = places.from_m / pipes.speed_m_s[piece]
    rest_s = pipes.travel_s[piece] - into_s
    later = []
    for time_s, first, direct_s in (
        (ways.time_a_s, ways.first_a, quickest_s[0]),
        (ways.time_b_s, ways.first_b, quickest_s[1]),
    ):
        by = time_s.T[:, row] + np.where(first.T[:, row], into_s, rest_s) - direct_s
        # rays are timed in steps, and what is so near to the direct way is the direct way
        later.append(np.where(by < 4 * TIME_STEP_S, 0.0, by))
    return later[0], later[1]
