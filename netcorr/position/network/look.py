"""A look at places: what all pairs together say of a leak at each, for each combination of speeds.

For a leak at a place and given speeds a pair has one delay for every combination of a way to each sensor.
What the pair says is the mean over these, each counted by the odds that the map makes it the loudest.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Protocol

import numpy as np

from netcorr.delay.products import product
from netcorr.position.network.arrivals import heard_ways
from netcorr.position.network.times import times_at
from netcorr.position.side_by_side import side_by_side

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from netcorr.position.network.arrivals import HeardWay
    from netcorr.position.network.evidence import NetworkEvidence
    from netcorr.position.network.hearing import BlurredRatio, PairHearing
    from netcorr.position.network.speeds import SpeedGrid
    from netcorr.position.network.times import Places, PlaceTimes

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Of the ways by which a source is heard those with so much of the loudest one's strength show as well.
ALSO_SHOWS = 0.3


@dataclass(frozen=True, eq=False)
class Look:
    """Places with what the pairs say of them.

    Attributes
    ----------
    places : Places
        Where.
    log_ratio : numpy.ndarray
        Shape (c, k): log of the likelihood ratio for each combination of speeds, prior of speeds included.
    bracketed : numpy.ndarray
        Shape (k,): whether some pair hears a leak there from either side.
    nearest_s : numpy.ndarray
        Shape (k,): way to the nearest sensor. [s]
    """

    places: Places
    log_ratio: Floats
    bracketed: Flags
    nearest_s: Floats


def look_at(
    evidence: NetworkEvidence, places: Places, grid: SpeedGrid, *, weight: float, only_which: bool = False
) -> Look:
    """Sum what the pairs say at places; a few pairs' blurred likelihoods are in memory at a time.

    Parameters
    ----------
    evidence : NetworkEvidence
        Mains, ways and evidence.
    places : Places
        Where.
    grid : SpeedGrid
        Combinations of speeds.
    weight : float
        How much each pair counts.
    only_which : bool
        Nothing is summed: which places some pair brackets is all that is asked.

    Returns
    -------
    Look
        Of these places.
    """
    ways = tuple(times_at(evidence.pipes, sensor, places) for sensor in evidence.sensors)
    log_ratio = np.repeat(grid.log_prior[:, None], places.piece.size, axis=1)
    nearest_s = np.min([way.time_s for way in ways], axis=0)
    if not only_which:
        say = partial(_says, evidence, places=places, grid=grid, ways=ways)
        for heard, rows in side_by_side(say, evidence.hearings):
            log_ratio[:, heard] += weight * rows
    return Look(places, log_ratio, _bracketed(evidence, ways), nearest_s)


def _bracketed(evidence: NetworkEvidence, ways: Sequence[PlaceTimes]) -> Flags:
    """Places that lie between the sensors of some pair."""
    between = np.zeros(ways[0].time_s.size, dtype=bool)
    for hearing in evidence.hearings:
        a, b = ways[hearing.a], ways[hearing.b]
        between |= np.isfinite(a.time_s) & np.isfinite(b.time_s) & (a.by_first_end != b.by_first_end)
    return between


@dataclass(frozen=True, eq=False)
class PairAt:
    """What a pair may show of a source at the places that both its sensors reach, for any speeds.

    Attributes
    ----------
    heard : numpy.ndarray
        Shape (k,): whether both sensors are reached; h places are.
    by_group_s : numpy.ndarray
        Shape (h, g): delay by the quickest ways, in each group of pipes. [s]
    sd_s : numpy.ndarray
        Shape (h,): standard deviation of the delay. [s]
    by_way : tuple of HeardWay
        Ways of the pair.
    """

    heard: Flags
    by_group_s: Floats
    sd_s: Floats
    by_way: tuple[HeardWay, ...]

    @property
    def largest_sd_s(self) -> float:
        """Largest standard deviation of the delay by any way. [s]"""
        by_way_s = [float(np.hypot(self.sd_s[way.rows], way.sd_s).max()) for way in self.by_way]
        return max(by_way_s, default=float(self.sd_s.max(initial=0.0)))


def pair_at(
    evidence: NetworkEvidence,
    hearing: PairHearing,
    places: Places,
    *,
    ways: Sequence[PlaceTimes] | Mapping[int, PlaceTimes],
    blur_share: Floats,
) -> PairAt:
    """Foretell what a pair shows of a source at places.

    Parameters
    ----------
    evidence : NetworkEvidence
        Mains, ways and rays.
    hearing : PairHearing
        The pair.
    places : Places
        Where.
    ways : sequence of PlaceTimes, or mapping of int to it
        Quickest ways from every sensor to the places, or by the numbers of the two that are needed.
    blur_share : numpy.ndarray
        Shape (g,): what is uncertain of the slowness factors beside the speeds that are tried.

    Returns
    -------
    PairAt
        Of the places that both its sensors reach.
    """
    a_s, b_s = ways[hearing.a].time_s, ways[hearing.b].time_s
    heard = np.isfinite(a_s) & np.isfinite(b_s)
    by_group_s, variance_s2 = pair_delays(evidence, hearing, places, ways=ways)
    by_group_s = by_group_s[heard]
    sd_s = np.sqrt(variance_s2[heard] + (by_group_s**2) @ blur_share**2)
    by_way = ways_of_pair(evidence, hearing, places.take(heard), direct_s=(a_s[heard], b_s[heard]))
    return PairAt(heard, by_group_s, sd_s, by_way)


def _says(
    evidence: NetworkEvidence,
    hearing: PairHearing,
    *,
    places: Places,
    grid: SpeedGrid,
    ways: Sequence[PlaceTimes],
) -> tuple[Flags, Floats]:
    """Places that both sensors of a pair reach, and log of what it says of them, shape (speeds, places)."""
    at = pair_at(evidence, hearing, places, ways=ways, blur_share=grid.blur_share)
    curve = hearing.blurred(alone=len(evidence.hearings) == 1, largest_sd_s=at.largest_sd_s)
    delay_s = product(grid.factor, at.by_group_s.T)
    later = (grid.factor @ evidence.pipes.time_shares)[:, None]
    share = share_by_ways(curve, at.by_way, delay_s=delay_s, sd_s=at.sd_s, factor=later)
    return at.heard, curve.log_of(share)


@dataclass(frozen=True, eq=False)
class Shares:
    """What each pair shows of a source at places, for speeds that are known.

    Attributes
    ----------
    share : numpy.ndarray
        Shape (asked, k): likelihood ratio as a share of the pair's highest.
    bracketed : numpy.ndarray
        Shape (k,): whether some pair hears a leak there from either side.
    nearest_s : numpy.ndarray
        Shape (k,): way to the nearest sensor. [s]
    """

    share: Floats
    bracketed: Flags
    nearest_s: Floats


def shares_at(
    evidence: NetworkEvidence, places: Places, speeds: KnownSpeeds, *, asked: Sequence[int]
) -> Shares:
    """Ask pairs what they show of a source at each place.

    Parameters
    ----------
    evidence : NetworkEvidence
        Mains, ways and evidence of several pairs.
    places : Places
        Where.
    speeds : KnownSpeeds
        As the survey has them.
    asked : sequence of int
        Numbers of the pairs.

    Returns
    -------
    Shares
        Of a pair that no way leads to, the mean over all delays.
    """
    ways = tuple(times_at(evidence.pipes, sensor, places) for sensor in evidence.sensors)
    factor = float(speeds.slowness @ evidence.pipes.time_shares)
    share = np.empty((len(asked), places.piece.size))
    for row, hearing in zip(share, (evidence.hearings[number] for number in asked), strict=True):
        at = pair_at(evidence, hearing, places, ways=ways, blur_share=speeds.slowness_sd)
        curve = hearing.blurred(alone=False, largest_sd_s=at.largest_sd_s)
        delay_s = at.by_group_s @ speeds.slowness
        row[:] = curve.otherwise_share
        row[at.heard] = share_by_ways(curve, at.by_way, delay_s=delay_s, sd_s=at.sd_s, factor=factor)
    return Shares(share, _bracketed(evidence, ways), np.min([way.time_s for way in ways], axis=0))


def ways_of_pair(
    evidence: NetworkEvidence, hearing: PairHearing, places: Places, *, direct_s: tuple[Floats, Floats]
) -> tuple[HeardWay, ...]:
    """Combinations of ways by which a pair may hear a leak at places; none where only the direct one counts.

    Parameters
    ----------
    evidence : NetworkEvidence
        Mains and rays.
    hearing : PairHearing
        The pair.
    places : Places
        Where, reached by both sensors.
    direct_s : (numpy.ndarray, numpy.ndarray)
        Shape (k,): time of the quickest way to A and to B, leads included. [s]

    Returns
    -------
    tuple of HeardWay
        Shares of each place sum to 1.
    """
    if evidence.arrivals is None:
        return ()
    quickest = [
        time_s - float(sensor.time_s[sensor.node])
        for time_s, sensor in zip(
            direct_s, (evidence.sensors[hearing.a], evidence.sensors[hearing.b]), strict=True
        )
    ]
    return heard_ways(
        evidence.arrivals.sensors[hearing.a],
        evidence.arrivals.sensors[hearing.b],
        places,
        evidence.pipes,
        quickest_s=(quickest[0], quickest[1]),
        delay_s=direct_s[1] - direct_s[0],
        within_s=(float(hearing.grid_s[0]), float(hearing.grid_s[-1])),
    )


class KnownSpeeds(Protocol):
    """Slowness factors of the groups of pipes with their standard deviations, shape (g,)."""

    @property
    def slowness(self) -> Floats:
        """Slowness factors."""
        ...

    @property
    def slowness_sd(self) -> Floats:
        """Their standard deviations."""
        ...


def direct_delay(
    evidence: NetworkEvidence,
    hearing: PairHearing,
    place: Places,
    *,
    ways: Sequence[PlaceTimes],
    speeds: KnownSpeeds,
) -> tuple[float, float]:
    """Delay of a pair for a source at one place by the quickest ways, and its standard deviation.

    Parameters
    ----------
    evidence, hearing, place, ways, speeds
        As for `delays_shown`.

    Returns
    -------
    (float, float)
        Not finite where no way leads. [s]
    """
    by_group_s, variance_s2 = pair_delays(evidence, hearing, place, ways=ways)
    sd_s = float(np.sqrt(variance_s2[0] + (by_group_s[0] ** 2) @ speeds.slowness_sd**2))
    return float(by_group_s[0] @ speeds.slowness), sd_s


def delays_shown(
    evidence: NetworkEvidence,
    hearing: PairHearing,
    place: Places,
    *,
    ways: Sequence[PlaceTimes],
    speeds: KnownSpeeds,
) -> tuple[tuple[float, float], ...]:
    """Delays at which a source at one place shows in a pair, by whatever ways are loud.

    Parameters
    ----------
    evidence : NetworkEvidence
        Mains, ways and evidence.
    hearing : PairHearing
        The pair.
    place : Places
        One place.
    ways : sequence of PlaceTimes
        Quickest ways from every sensor to it.
    speeds : KnownSpeeds
        As the survey has them.

    Returns
    -------
    tuple of (float, float)
        Delays and their standard deviations, that of the quickest ways first; none where no way leads. [s]
    """
    direct_s = (ways[hearing.a].time_s, ways[hearing.b].time_s)
    if not np.isfinite(direct_s[0][0] + direct_s[1][0]):
        return ()
    delay_s, sd_s = direct_delay(evidence, hearing, place, ways=ways, speeds=speeds)
    factor = float(speeds.slowness @ evidence.pipes.time_shares)
    round_about = {
        (delay_s + factor * float(way.later_s[0]), float(np.hypot(sd_s, way.sd_s[0])))
        for way in ways_of_pair(evidence, hearing, place, direct_s=direct_s)
        if way.strength[0] >= ALSO_SHOWS
    }
    return ((delay_s, sd_s), *(round_about - {(delay_s, sd_s)}))


def share_by_ways(
    curve: BlurredRatio, by_way: Sequence[HeardWay], *, delay_s: Floats, sd_s: Floats, factor: float | Floats
) -> Floats:
    """The likelihood ratio at places as a share of the highest, whichever ways are the loudest.

    Parameters
    ----------
    curve : BlurredRatio
        What the pair shows.
    by_way : sequence of HeardWay
        Ways; without any the direct one is meant.
    delay_s : numpy.ndarray
        Shape (..., k): delay by the direct ways. [s]
    sd_s : numpy.ndarray
        Shape (k,): its standard deviation. [s]
    factor : float or numpy.ndarray
        Slowness factor of what comes round about, one for all or shape (..., k).

    Returns
    -------
    numpy.ndarray
        Shape (..., k).
    """
    if not by_way:
        return curve.share_at(delay_s, sd_s)
    rows = np.concatenate([way.rows for way in by_way])
    later_s, detour_s = (
        np.concatenate([getattr(way, name) for way in by_way]) for name in ("later_s", "sd_s")
    )
    at_s = delay_s[..., rows] + np.broadcast_to(factor, delay_s.shape)[..., rows] * later_s
    shares = curve.share_at(at_s, np.hypot(sd_s[rows], detour_s))
    total, start = np.zeros(delay_s.shape), 0
    for way in by_way:
        stop = start + way.rows.size
        total[..., way.rows] += way.share * shares[..., start:stop]
        start = stop
    return total


def pair_delays(
    evidence: NetworkEvidence,
    hearing: PairHearing,
    places: Places,
    *,
    ways: Sequence[PlaceTimes] | Mapping[int, PlaceTimes],
) -> tuple[Floats, Floats]:
    """Delay of a leak at each place by group, and its variance without that of the groups.

    Parameters
    ----------
    evidence : NetworkEvidence
        For lengths, leads and the time between the two sensors.
    hearing : PairHearing
        The pair.
    places : Places
        Places.
    ways : sequence of PlaceTimes, or mapping of int to it
        Ways from every sensor to the places, or by the numbers of the two that are needed.

    Returns
    -------
    by_group_s : numpy.ndarray
        Shape (k, g): arrival at B less arrival at A, time spent in each group. [s]
    variance_s2 : numpy.ndarray
        Shape (k,): of own errors of the pipes, lengths, leads, clocks, the model and the stretch. [s2]
    """
    a, b, settings = ways[hearing.a], ways[hearing.b], evidence.settings
    at_a, at_b = evidence.sensors[hearing.a], evidence.sensors[hearing.b]
    lead_a, lead_b = float(at_a.time_s[at_a.node]), float(at_b.time_s[at_b.node])
    time_a, time_b = a.time_s - lead_a, b.time_s - lead_b
    between_s = float(at_a.time_s[at_b.node]) - lead_a
    same = a.by_first_end == b.by_first_end
    # what both ways have in common next to the place cancels; where no way leads nothing is asked
    with np.errstate(invalid="ignore"):
        common_s = np.where(same, np.maximum((time_a + time_b - between_s) / 2, 0.0), 0.0)
        left_a = 1 - np.minimum(common_s / np.maximum(time_a, 1e-9), 1.0)
        left_b = 1 - np.minimum(common_s / np.maximum(time_b, 1e-9), 1.0)
    slowness = 1 / evidence.pipes.speed_m_s[places.piece]
    own_s = evidence.pipes.own_share[places.piece] * (b.run_s - a.run_s)
    way_m = left_a * a.length_m + left_b * b.length_m
    length_m = np.hypot(settings.length_sd_m, settings.length_sd_share * way_m)
    leads_s = settings.lead_sd_share * np.hypot(lead_a, lead_b)
    # a place stands for a stretch: over it a delay changes by twice its time, where the pair hears it change
    stretch_s = np.where(same, 0.0, 2 * slowness * places.width_m / np.sqrt(12))
    variance_s2 = np.asarray(
        left_a * a.before_s2
        + left_b * b.before_s2
        + own_s**2
        + (length_m**2 + (2 * settings.model_sd_m) ** 2) * slowness**2
        + leads_s**2
        + stretch_s**2
        + hearing.clock_sd_s**2,
        dtype=np.float64,
    )
    return b.by_group_s - a.by_group_s, variance_s2
