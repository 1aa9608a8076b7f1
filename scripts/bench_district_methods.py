"""Published ways to place a source from several sensors, on the graph of the pipes: for comparison only.

All see the same recordings and the nominal speeds, and none knows that speeds are uncertain.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import networkx as nx
import numpy as np

from netcorr.delay.weightings import correlogram, cross_spectra
from netcorr.rehearsal.places import distances_m, ends_m
from netcorr.simulation import Place
from netcorr.speed import pipe_wave_speed

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench_district_scenes import DistrictSurvey
    from numpy.typing import NDArray

    from netcorr.position import PairFix

    Floats = NDArray[np.float64]

#: Spacing of the places that are tried. [m]
SPACING_M = 0.5
#: Longest residual that counts in the fit of picked delays; a worse pick counts as this. [s]
TRUNCATED_S = 0.01
#: Segments of the textbook's correlograms. [s]
SEGMENT_S = 2.0
#: A second maximum this near to the first is the same. [m]
SAME_M = 15.0

Method = Literal["best pair", "delay fit", "SRP-PHAT", "SRP-SCOT", "likelihood sum"]
METHODS: tuple[Method, ...] = ("best pair", "delay fit", "SRP-PHAT", "SRP-SCOT", "likelihood sum")


@dataclass(frozen=True, eq=False)
class Places:
    """Places along all mains near the loggers, with travel times.

    Attributes
    ----------
    places : list of Place
        k of them.
    time_s : numpy.ndarray
        Shape (sensors, k): travel time to each sensor by the quickest way, leads included. [s]
    """

    places: list[Place]
    time_s: Floats


@dataclass(frozen=True, eq=False)
class Curve:
    """Correlogram or likelihood of one pair over delay, arrival at B less arrival at A."""

    a: int
    b: int
    delay_s: Floats
    values: Floats

    def at(self, delay_s: Floats) -> Floats:
        """Values at some delays."""
        return np.asarray(np.interp(delay_s, self.delay_s, self.values))


def place_by_all(survey: DistrictSurvey, pairs: Sequence[PairFix]) -> dict[Method, list[Place]]:
    """First and second choice of every method.

    Parameters
    ----------
    survey : DistrictSurvey
        Recordings and map.
    pairs : sequence of PairFix
        The locator's pairs, for their likelihoods over delay; nothing else of them is used.

    Returns
    -------
    dict of str to list of Place
        The most likely place by each method, and the best one farther away than `SAME_M`.

    Notes
    -----
    'best pair': the delay of the pair whose correlogram stands out most, on the shortest path of that pair
    (weighting: Knapp and Carter, 1976). 'delay fit': picked delays of all pairs, least sum of residuals that
    count no more than `TRUNCATED_S`, in place of the least squares of Foy (1976). 'SRP-PHAT' and 'SRP-SCOT':
    correlograms summed at the delays predicted for each place (DiBiase, Silverman and Brandstein, 2001).
    'likelihood sum': the pairs' log-likelihoods over delay (`netcorr.delay`) summed in the same way, speeds
    taken as exact. Sources from memory.
    """
    grid = _places(survey)
    longest_s = float(np.ptp(grid.time_s, axis=0).max()) + 0.02
    scot = _correlograms(survey, "scot", longest_s)
    phat = _correlograms(survey, "phat", longest_s)
    row = {one.logger: k for k, one in enumerate(survey.recordings.rounds[0].recordings)}
    likelihood = [
        Curve(row[one.logger_a], row[one.logger_b], found.delay_s, found.log_likelihood)
        for one in pairs
        for found in one.evidence
    ]
    scores: dict[Method, Floats] = {
        "best pair": _best_pair(grid, scot),
        "delay fit": _delay_fit(grid, scot),
        "SRP-PHAT": _summed(grid, phat),
        "SRP-SCOT": _summed(grid, scot),
        "likelihood sum": _summed(grid, likelihood),
    }
    return {name: _two_best(survey, grid, score) for name, score in scores.items()}


def _places(survey: DistrictSurvey) -> Places:
    network = survey.network
    sensors = [r.deployment for r in survey.recordings.rounds[0].recordings]
    nodes = {network.node_of(str(one.fitting)): 0.0 for one in sensors}
    near = distances_m(network, nodes, cutoff_m=150.0)
    places, parts = [], []
    slowness = {}
    for u, v, key, data in network.graph.edges(keys=True, data=True):
        speed = pipe_wave_speed(data["material"], data["diameter_mm"], year=float(data["year"]))
        slowness[frozenset((u, v)), key] = 1 / speed.speed_m_s
        if u in near or v in near:
            count = max(int(data["length_m"] / SPACING_M), 2)
            offsets_m = (np.arange(count) + 0.5) * data["length_m"] / count
            places += [Place((u, v, key), float(at)) for at in offsets_m]
            parts.append((data["from_node"], data["to_node"], key, offsets_m, float(data["length_m"])))
    rows = []
    for one in sensors:
        node = network.node_of(str(one.fitting))
        away = _times_s(survey, node, slowness)
        main = next(iter(network.graph.edges(node, keys=True)))
        lead_s = one.lead_m * slowness[frozenset(main[:2]), main[2]]
        rows.append(
            np.concatenate(
                [
                    np.minimum(
                        away[start] + at_m * slowness[frozenset((start, end)), key],
                        away[end] + (length_m - at_m) * slowness[frozenset((start, end)), key],
                    )
                    for start, end, key, at_m, length_m in parts
                ]
            )
            + lead_s
        )
    return Places(places, np.array(rows))


def _times_s(
    survey: DistrictSurvey, node: int, slowness: Mapping[tuple[frozenset[int], int], float]
) -> dict[int, float]:
    """Travel time from a node to all others. [s]"""

    def weight(u: int, v: int, edges: Mapping[int, Mapping[str, float]]) -> float:
        return min(data["length_m"] * slowness[frozenset((u, v)), key] for key, data in edges.items())

    times: dict[int, float] = nx.single_source_dijkstra_path_length(survey.network.graph, node, weight=weight)
    return times


def _correlograms(survey: DistrictSurvey, name: Literal["scot", "phat"], longest_s: float) -> list[Curve]:
    [one] = survey.recordings.rounds
    rate_hz = one.sample_rate_hz
    curves = []
    for a, b in itertools.combinations(range(len(one.recordings)), 2):
        spectra = cross_spectra(
            one.samples[a], one.samples[b], sample_rate_hz=rate_hz, segment=round(SEGMENT_S * rate_hz)
        )
        delay_s, values = correlogram(spectra, name, band_hz=survey.condition.band_hz)
        inside = np.abs(delay_s) <= longest_s
        # in its own scatter; loggers may be wired the other way round, so both signs count
        scatter = float(np.sqrt(np.mean(values[inside] ** 2)))
        curves.append(Curve(a, b, delay_s[inside], np.abs(values[inside]) / scatter))
    return curves


def _predicted_s(grid: Places, curve: Curve) -> Floats:
    return np.asarray(grid.time_s[curve.b] - grid.time_s[curve.a])


def _summed(grid: Places, curves: list[Curve]) -> Floats:
    return np.asarray(sum(curve.at(_predicted_s(grid, curve)) for curve in curves))


def _picks(curves: list[Curve]) -> list[tuple[Curve, float, float]]:
    """Delay and height of the highest peak of every pair."""
    tops = [int(np.argmax(curve.values)) for curve in curves]
    return [
        (curve, float(curve.delay_s[top]), float(curve.values[top]))
        for curve, top in zip(curves, tops, strict=True)
    ]


def _delay_fit(grid: Places, curves: list[Curve]) -> Floats:
    residuals = [np.abs(_predicted_s(grid, curve) - delay_s) for curve, delay_s, _ in _picks(curves)]
    return np.asarray(-np.minimum(residuals, TRUNCATED_S).sum(axis=0))


def _best_pair(grid: Places, curves: list[Curve]) -> Floats:
    """Places on the shortest path of the clearest pair, by how well they fit its delay."""
    for curve, delay_s, _ in sorted(_picks(curves), key=lambda pick: -pick[2]):
        total_s = grid.time_s[curve.a] + grid.time_s[curve.b]
        on_path = total_s <= total_s.min() + 1e-4
        span_s = float(np.abs(_predicted_s(grid, curve)[on_path]).max())
        if abs(delay_s) <= span_s:  # else it comes from at or beyond a sensor
            fit = -np.abs(_predicted_s(grid, curve) - delay_s)
            return np.where(on_path, fit, -1.0)
    return np.zeros(len(grid.places))


def _two_best(survey: DistrictSurvey, grid: Places, score: Floats) -> list[Place]:
    """Best place, and the best one that is another."""
    network = survey.network
    first = int(np.argmax(score))
    best = grid.places[first]
    away = distances_m(network, ends_m(network, best), cutoff_m=SAME_M)
    apart = np.array(
        [
            min(
                (away[node] + rest for node, rest in ends_m(network, place).items() if node in away),
                default=math.inf,
            )
            if place.edge != best.edge
            else abs(place.offset_m - best.offset_m)
            for place in grid.places
        ]
    )
    second = int(np.argmax(np.where(apart > SAME_M, score, -np.inf)))
    return [best, grid.places[second]]
