"""A whole district of 2,000 mains with 60 loggers in one survey: time and memory, and what a larger map adds.

Loggers are spread evenly, all pairs within the usual reach are compared in two rounds, and all are weighed
together. The same survey is located once more on a map of four times as many mains about it.
"""

from __future__ import annotations

import math
import multiprocessing
import resource
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from bench_district_scenes import (
    BANDS_HZ,
    CLOCK_SD_S,
    SPEED_COMMON_SD,
    SPEED_PIPE_SD,
    draw_district,
    draw_sensor,
)
from bench_table import Target, table

from netcorr.path import correlation_path, point_at, segment_at
from netcorr.position import locate_survey
from netcorr.rehearsal import as_recordings
from netcorr.rehearsal.places import along_pipes_m, place_on
from netcorr.simulation import Conditions, LeakSource, draw_speeds, simulate_survey

if TYPE_CHECKING:
    from netcorr.network import PipeNetwork
    from netcorr.simulation import Place

#: Crossings of the district and of the larger map around it, east and north.
DISTRICT, CITY = (35, 37), (70, 74)
LOGGERS, ROUNDS = 60, (1, 2)
#: What has to be reached. [s], [MB], and time on the larger map over that on the district
MOST_S, MOST_MB, MOST_GROWTH = 60.0, 2000.0, 1.5
PIPES: tuple[Literal["iron", "plastic"], ...] = ("iron", "plastic")


@dataclass(frozen=True)
class Run:
    """One survey located.

    Attributes
    ----------
    pipes : str
        Material.
    mains, pairs : int
        Of the map; compared.
    seconds : float
        By the clock. [s]
    peak_mb : float
        Most memory of the process. [MB]
    error_m : float
        From the best candidate to the leak, along the pipes. [m]
    """

    pipes: str
    mains: int
    pairs: int
    seconds: float
    peak_mb: float
    error_m: float


def bench_large(*, seed: int = 1) -> list[Target]:
    """Run each survey in a process of its own, print the table and judge it."""
    runs: list[list[Run]] = []
    for pipes in PIPES:
        runs.append([])
        for crossings in (DISTRICT, CITY):
            with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
                runs[-1].append(pool.submit(run_survey, pipes, seed=seed, crossings=crossings).result())
    print(f"{LOGGERS} loggers, {len(ROUNDS)} rounds of 10 s at 4 kHz\n")
    header = ("pipes", "mains", "pairs", "time [s]", "peak [MB]", "off [m]")
    print(
        table(
            header,
            [
                (r.pipes, r.mains, r.pairs, f"{r.seconds:.0f}", f"{r.peak_mb:.0f}", f"{r.error_m:.1f}")
                for of_pipes in runs
                for r in of_pipes
            ],
        )
    )
    targets = []
    for small, large in runs:
        growth = large.seconds / small.seconds
        targets += [
            _most(f"{small.pipes}: time", small.seconds, MOST_S, "s"),
            _most(f"{small.pipes}: memory", max(small.peak_mb, large.peak_mb), MOST_MB, "MB"),
            _most(f"{small.pipes}: four times the map", growth, MOST_GROWTH, "times"),
        ]
    return targets


def _most(name: str, value: float, limit: float, unit: str) -> Target:
    shown = f"{value:.0f}" if value >= 10 else f"{value:.2f}"
    return Target(name, f"{shown} {unit}", f"at most {limit:g} {unit}", value <= limit)


def run_survey(pipes: Literal["iron", "plastic"], *, seed: int, crossings: tuple[int, int] = DISTRICT) -> Run:
    """Draw, simulate and locate one survey: the loggers and the leak stand in the middle of the map."""
    rng = np.random.default_rng([seed, *crossings])
    network, _ = draw_district(
        rng, pipes=pipes, columns=crossings[0], rows=crossings[1], dead_ends=round(0.1 * math.prod(crossings))
    )
    columns, rows = DISTRICT
    corner = ((crossings[0] - columns) // 2, (crossings[1] - rows) // 2)
    sites = [
        f"N{(corner[0] + east) * crossings[1] + corner[1] + north}"
        for east in range(columns // 2 - 6, columns // 2 + 6, 2)
        for north in range(rows // 2 - LOGGERS // 6, rows // 2 + LOGGERS // 6, 2)
    ]
    sensors = [draw_sensor(rng, k, fitting) for k, fitting in enumerate(sites, start=1)]
    speeds = draw_speeds(network, rng, common_sd=SPEED_COMMON_SD, pipe_sd=SPEED_PIPE_SD)
    leak = _between(network, sites[LOGGERS // 2 + 4], sites[LOGGERS // 2 + 5])  # neighbours in one street
    rounds = simulate_survey(
        network,
        sensors=sensors,
        leak=LeakSource(leak),
        conditions=Conditions(snr_db=6.0, band_hz=BANDS_HZ[pipes], duration_s=10.0),
        rng=rng,
        speeds=speeds,
        rounds=ROUNDS,
    )
    recordings = as_recordings(rounds, clock_sd_s=CLOCK_SD_S)
    before = time.perf_counter()
    fix = locate_survey(network, recordings)
    seconds = time.perf_counter() - before
    error_m = math.inf
    if fix.candidates:
        best = fix.candidates[0]
        found = place_on(network, best.point, best.pipe_id)
        error_m = along_pipes_m(network, found, leak) if found else math.inf
    unit = 1024.0**2 if sys.platform == "darwin" else 1024.0
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit
    return Run(pipes, network.graph.number_of_edges(), len(fix.pairs), seconds, peak_mb, error_m)


def _between(network: PipeNetwork, a: str, b: str) -> Place:
    """A place on the way from one fitting to another, nearer the first."""
    path = correlation_path(network, a, fitting_b=b)
    from_a_m = 0.4 * path.length_m
    number, _ = segment_at(path, from_a_m)
    place = place_on(network, point_at(path, from_a_m), path.segments[number].pipe_id)
    assert place is not None, "a point of a path lies on its main"
    return place
