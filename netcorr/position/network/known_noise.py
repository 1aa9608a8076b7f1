"""A noise that was made at a known fitting, such as a tap run there: what its delays teach.

The ways of the noise to all loggers are known, so each pair has one delay foretold, and the peak of its
evidence near it is a measurement of the speeds and the clocks. On a network of tees a pair has peaks of
echoes as well, and a pair may hear something else: a peak counts by the odds that one of its height is the
direct sound, and those are kept that agree with each other within what was known before.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import networkx as nx
import numpy as np
from scipy import ndimage

from netcorr.position.network.hearing import LEAST_PEAK, LOUD, peaks_apart_s
from netcorr.position.network.linear import Learnt, Measured, Name, learn
from netcorr.position.network.speeds import group_shares
from netcorr.position.network.times import quickest_pieces

if TYPE_CHECKING:
    from netcorr.delay.evidence import DelayEvidence
    from netcorr.position.network.pipes import ReachedPipes
    from netcorr.position.settings import LocateSettings
    from netcorr.position.sites import Site

#: Odds that a peak is the direct one go with this power of its evidence: with half of it (3 dB less) one in
#: five (as in `netcorr.position.ways`; echoes are not foretold here).
HEIGHT_POWER = 2.25
#: A peak agrees with what was foretold within so many standard deviations.
FITS_SD = 3.0
#: Peaks that are less likely the direct sound than this, against the highest of their pair, are echoes.
LEAST_ODDS = 0.03
#: A pair that hears something else costs a choice of peaks this much of what one that agrees brings.
ELSE = 0.05
#: Peaks of a pair from which a choice is begun, and pairs, those with most evidence first.
SEEDS, SEED_PAIRS = 3, 24
#: Standard deviation of a peak by echoes that overlap it and mountings that differ (judgement). [s]
PICK_SD_S = 1e-4
#: Of the pairs that hear something beyond doubt this share must agree with the fitting, or it is not believed
#: that the noise was made there. On simulated districts half of the true ones pass; of wrong ones only those
#: next to it on the ways, with which the speeds are right as well. With a third wrong ones passed whose speed
#: was off by 5 deviations.
LEAST_AGREE = 0.5


@dataclass(frozen=True)
class Arrival:
    """Way of the noise to one logger.

    Attributes
    ----------
    time_s : float
        Travel time with the speeds as they were known. [s]
    parts : mapping of name to float
        How the arrival depends on each unknown.
    """

    time_s: float
    parts: Mapping[Name, float]


@dataclass(frozen=True, eq=False)
class NoiseWays:
    """Ways from the fitting of a noise to all loggers that they lead to.

    Attributes
    ----------
    arrivals : mapping of str to Arrival
        By logger.
    prior_sd : mapping of name to float
        Standard deviation of every unknown that the arrivals hold, clocks left out.
    """

    arrivals: Mapping[str, Arrival]
    prior_sd: Mapping[Name, float]


@dataclass(frozen=True)
class Peak:
    """A peak of a pair's evidence.

    Attributes
    ----------
    delay_s, sd_s : float
        Where, and its standard error. [s]
    evidence : float
        Its height. [nats]
    odds : float
        Odds that it is the direct sound, against the highest.
    """

    delay_s: float
    sd_s: float
    evidence: float
    odds: float


@dataclass(frozen=True)
class HeardPair:
    """What a pair hears in a round with a known noise.

    Attributes
    ----------
    foretold_s : float
        Delay of the noise by what was known before. [s]
    parts : mapping of name to float
        How it depends on each unknown.
    peaks : tuple of Peak
        Most likely the direct sound first; empty where nothing stands out.
    loud : bool
        Whether it hears something beyond doubt.
    noise_sd_s : float
        Standard deviation of its delay beside that of a peak. [s]
    """

    foretold_s: float
    parts: Mapping[Name, float]
    peaks: tuple[Peak, ...]
    loud: bool
    noise_sd_s: float


@dataclass(frozen=True, eq=False)
class Chosen:
    """Peaks that belong to the noise.

    Attributes
    ----------
    delays : tuple of Measured
        One for each pair that hears it.
    loud, agreeing : int
        Pairs that hear something beyond doubt, and those of them that hear the noise.
    """

    delays: tuple[Measured, ...]
    loud: int
    agreeing: int

    @property
    def heard(self) -> bool:
        """Whether most of what is heard is this noise."""
        return bool(self.delays) and self.agreeing >= max(LEAST_AGREE * self.loud, 1)


def noise_ways(
    pipes: ReachedPipes,
    source: tuple[str, int],
    sites: Sequence[Site],
    nodes: Sequence[int],
    *,
    settings: LocateSettings,
) -> NoiseWays:
    """Quickest ways from a fitting to the loggers, with what is uncertain of each.

    Parameters
    ----------
    pipes : ReachedPipes
        Mains within reach of the loggers and the fitting.
    source : (str, int)
        The fitting and its node.
    sites : sequence of Site
        The loggers.
    nodes : sequence of int
        Node at which each hears the mains.
    settings : LocateSettings
        Standard deviations.

    Returns
    -------
    NoiseWays
        For the loggers that a way leads to.

    Notes
    -----
    All loggers' ways are of one tree, so that what two of them have in common cancels in their delay. A
    logger on the very fitting hears the noise beside its lead, not through it: anything from none to twice
    the lead may be missing in its delays.
    """
    fitting, node = source
    graph = _quickest_pieces(pipes)
    start = pipes.row_of(node)
    time_s, ways = nx.single_source_dijkstra(graph, start, weight="time_s")
    prior: dict[Name, float] = {("source", fitting): settings.length_sd_m / math.sqrt(2)}
    shares = group_shares(pipes)
    arrivals = {}
    first_piece: int | None = None
    for site, at in zip(sites, nodes, strict=True):
        row = pipes.row_of(at)
        if row not in time_s:
            continue
        pieces = [graph.edges[u, v]["piece"] for u, v in zip(ways[row], ways[row][1:], strict=False)]
        beside = np.flatnonzero((pipes.ends == row).any(axis=1))
        slowness = 1 / float(pipes.speed_m_s[beside].max())
        lead_s = site.lead_m * slowness
        parts: dict[Name, float] = {}
        for piece in pieces:
            group, main = int(pipes.group[piece]), int(pipes.pipe[piece])
            taken_s = float(pipes.travel_s[piece])
            parts["group", group] = parts.get(("group", group), 0.0) + taken_s
            parts["main", main] = parts.get(("main", main), 0.0) + taken_s
            prior["group", group] = float(shares[group])
            own = math.hypot(float(pipes.own_share[piece]), settings.length_sd_share)
            prior["main", main] = max(own, prior.get(("main", main), 0.0))
        if pieces:
            first_piece = pieces[0] if first_piece is None else first_piece
            slower = 1 / float(pipes.speed_m_s[pieces[0]])
            parts["source", fitting] = slower if pieces[0] == first_piece else -slower
        seat: Name = ("seat", fitting, site.logger)
        parts[seat] = 1.0
        model_s = math.sqrt(2) * settings.model_sd_m * slowness
        placed_s = settings.length_sd_m / math.sqrt(2) * slowness
        if row == start:
            prior[seat] = math.hypot(lead_s / math.sqrt(3), model_s)
            lead_s = 0.0
        else:
            prior[seat] = math.hypot(model_s, placed_s, settings.lead_sd_share * lead_s)
        arrivals[site.logger] = Arrival(time_s[row] + lead_s, parts)
    return NoiseWays(arrivals, prior)


def _quickest_pieces(pipes: ReachedPipes) -> nx.Graph:
    """Graph of the rows of nodes; of parallel pieces the quickest."""
    graph = nx.Graph()
    travel_s = pipes.travel_s
    for (u, v), piece in quickest_pieces(pipes).items():
        graph.add_edge(u, v, time_s=float(travel_s[piece]), piece=piece)
    return graph


def clock_priors(
    sites: Sequence[Site], rounds: Sequence[int], *, settings: LocateSettings
) -> dict[Name, float]:
    """Standard deviations of the clocks: a part that stays and one that is new in each round.

    Parameters
    ----------
    sites : sequence of Site
        The loggers.
    rounds : sequence of int
        Numbers of the rounds with a known noise.
    settings : LocateSettings
        Share that is new.

    Returns
    -------
    dict of name to float
        ("clock", logger) and ("jitter", round, logger). [s]
    """
    prior: dict[Name, float] = {}
    for site in sites:
        jitter_s = settings.clock_jitter_share * site.clock_sd_s
        prior["clock", site.logger] = math.sqrt(site.clock_sd_s**2 - jitter_s**2)
        for number in rounds:
            prior["jitter", number, site.logger] = jitter_s
    return prior


def heard_pair(a: Arrival, b: Arrival, evidence: DelayEvidence, *, drift_sd_s: float) -> HeardPair:
    """What one pair hears in a round, beside what is foretold.

    Parameters
    ----------
    a, b : Arrival
        Ways of the noise to both loggers.
    evidence : DelayEvidence
        Of the round, A first.
    drift_sd_s : float
        What is uncertain of its delay because of drift. [s]

    Returns
    -------
    HeardPair
        Foretold delay, and the peaks of the evidence.
    """
    parts = dict(b.parts)
    for name, share in a.parts.items():
        parts[name] = parts.get(name, 0.0) - share
    for logger, sign in ((evidence.logger_a, -1.0), (evidence.logger_b, 1.0)):
        parts["clock", logger] = parts["jitter", evidence.round_number, logger] = sign
    peaks = peaks_of(evidence)
    return HeardPair(
        foretold_s=b.time_s - a.time_s,
        parts={name: share for name, share in parts.items() if share},
        peaks=peaks,
        loud=float(evidence.log_likelihood.max()) >= LOUD,
        noise_sd_s=math.hypot(PICK_SD_S, drift_sd_s),
    )


def peaks_of(evidence: DelayEvidence) -> tuple[Peak, ...]:
    """Peaks of the evidence with the odds that each is the direct sound, the highest having 1."""
    row, step_s = evidence.log_likelihood, evidence.step_s
    apart_s = peaks_apart_s(evidence.band_hz[1] - evidence.band_hz[0])
    reach = 2 * math.ceil(apart_s / step_s) + 1
    near = ndimage.maximum_filter1d(row, reach, mode="nearest")
    at = np.flatnonzero((row == near) & (row > LEAST_PEAK))
    if not at.size:
        return ()
    top = float(row[at].max())
    found = [
        Peak(
            delay_s=_vertex_s(evidence, int(k)),
            sd_s=evidence.standard_error_s * math.sqrt(top / float(row[k])),
            evidence=float(row[k]),
            odds=(float(row[k]) / top) ** HEIGHT_POWER,
        )
        for k in at
    ]
    return tuple(sorted((one for one in found if one.odds >= LEAST_ODDS), key=lambda one: -one.odds))


def _vertex_s(evidence: DelayEvidence, at: int) -> float:
    """Place of a peak between the points of the grid, by a parabola. [s]"""
    here = float(evidence.delay_s[at])
    if not 0 < at < evidence.delay_s.size - 1:
        return here
    before, top, after = (float(one) for one in evidence.log_likelihood[at - 1 : at + 2])
    bend = before - 2 * top + after
    return here if bend >= 0 else here + 0.5 * evidence.step_s * (before - after) / bend


def choose_peaks(pairs: Sequence[HeardPair], prior_sd: Mapping[Name, float]) -> Chosen:
    """Peaks that agree with each other and with what was known before.

    Parameters
    ----------
    pairs : sequence of HeardPair
        Of one round.
    prior_sd : mapping of name to float
        Standard deviations of all unknowns.

    Returns
    -------
    Chosen
        At most one peak of each pair.
    """
    loud = sum(pair.loud for pair in pairs)
    before = learn(prior_sd, [])
    best: tuple[float, list[Measured]] = (-math.inf, [])
    first = sorted((pair for pair in pairs if pair.peaks), key=lambda pair: not pair.loud)[:SEED_PAIRS]
    for pair in first:
        for peak in pair.peaks[:SEEDS]:
            value = _value(pair, peak, before)
            if value <= ELSE:
                continue
            seed = _measured(pair, peak)
            score, chosen = _agreeing(pairs, learn(prior_sd, [seed]))
            score += math.log(value)
            if score > best[0]:
                best = (score, [one for one, _ in chosen])
    delays = best[1]
    agreeing = 0
    for _ in range(3):
        _, chosen = _agreeing(pairs, learn(prior_sd, delays))
        delays, agreeing = [one for one, _ in chosen], sum(is_loud for _, is_loud in chosen)
    return Chosen(tuple(delays), loud, agreeing)


def _agreeing(pairs: Sequence[HeardPair], known: Learnt) -> tuple[float, list[tuple[Measured, bool]]]:
    """Of each pair the peak that agrees best, whether it is loud, and the log of how well all agree."""
    score, chosen = 0.0, []
    for pair in pairs:
        values = [(_value(pair, peak, known), peak) for peak in pair.peaks]
        value, peak = max(values, key=lambda one: one[0], default=(0.0, None))
        if peak is not None:
            score += math.log((ELSE + value) / (1 + ELSE))
        if peak is not None and value > 0:
            chosen.append((_measured(pair, peak), pair.loud))
    return score, chosen


def _value(pair: HeardPair, peak: Peak, known: Learnt) -> float:
    """Odds that a peak is the noise, by its height and by where it lies; 0 where it does not agree."""
    mean_s, sd_s = known.of(pair.parts)
    off = (peak.delay_s - pair.foretold_s - mean_s) / math.hypot(sd_s, peak.sd_s, pair.noise_sd_s)
    return peak.odds * math.exp(-0.5 * off**2) if abs(off) <= FITS_SD else 0.0


def _measured(pair: HeardPair, peak: Peak) -> Measured:
    return Measured(
        excess_s=peak.delay_s - pair.foretold_s,
        noise_sd_s=math.hypot(peak.sd_s, pair.noise_sd_s),
        parts=pair.parts,
    )
