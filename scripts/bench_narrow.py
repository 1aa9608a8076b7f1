"""Whether a source in a narrow band is given to the right cycle as often as its probability says.

A band much narrower than its middle frequency repeats every cycle, and noise decides between neighbours.
Where the band lies among the sub-bands of the evidence must not matter: some of these lie across two.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from bench_pool import run_all
from bench_table import Target, interval, table
from numpy.typing import NDArray

from netcorr.delay import DelayEvidence, delay_evidence, prepare_round
from netcorr.position import LocateSettings, PathTimes, pair_posterior
from netcorr.position.region import highest_density_stretches
from netcorr.position.reliability import candidate_probability, reliable

#: Bands of the source [Hz]; sub-bands part at 42, 58 and 106 Hz: the first ones lie across two.
BANDS_HZ = ((55.0, 65.0), (53.0, 63.0), (57.0, 63.0), (98.0, 112.0), (42.0, 58.0), (62.0, 72.0))
#: Signal over noise in the band, at either sensor.
RATIOS = (0.7, 1.5, 3.0)
#: A plastic main, and where on it the leak is. [m], [m/s]
LENGTH_M, LEAK_M, SPEED_M_S = 60.0, 22.0, 400.0
#: Two rounds of so long. [s], [Hz]
ROUNDS, DURATION_S, RATE_HZ = 2, 10.0, 1000.0
MAX_DELAY_S = 0.2
#: Draws of each band and ratio in a full benchmark.
SURVEYS = 16
CLASSES = (0.05, 0.2, 0.5, 0.8, 1.0)
#: The mean of a class lies this near to what is right, or chance explains it (95 %).
NEAR_DIAGONAL = 0.08


@dataclass(frozen=True)
class NarrowJob:
    """One survey: the same job always gives the same."""

    band_hz: tuple[float, float]
    ratio: float
    seed: int
    number: int


@dataclass(frozen=True)
class NarrowAnswer:
    """Stated probability of each place, and whether the leak is in it."""

    job: NarrowJob
    places: tuple[tuple[float, bool], ...]


def bench_narrow(*, surveys: int | None, seed: int, workers: int) -> list[Target]:
    """Run all bands, print how often places of each stated probability are right, and return the targets.

    Parameters
    ----------
    surveys : int or None
        Of each band and ratio; None for the full benchmark.
    seed : int
        Another seed gives other noise.
    workers : int
        Processes.

    Returns
    -------
    list of Target
        One for each class of stated probability.
    """
    count = surveys or SURVEYS
    jobs = [
        NarrowJob(band, ratio, seed, number)
        for band, ratio in itertools.product(BANDS_HZ, RATIOS)
        for number in range(count)
    ]
    answers = run_all(run_narrow, jobs, workers=workers)
    print(
        f"A flat source in white noise, {ROUNDS} rounds of {DURATION_S:.0f} s, signal over noise "
        f"{', '.join(f'{ratio:g}' for ratio in RATIOS)}, {count} draws of each.\n"
        "Places by stated probability: how many, stated mean, how many hold the leak.\n"
    )
    classes = list(itertools.pairwise(CLASSES))
    rows = []
    for band in (None, *BANDS_HZ):
        of = [place for one in answers if band in (None, one.job.band_hz) for place in one.places]
        name = "all" if band is None else f"{band[0]:.0f}-{band[1]:.0f} Hz"
        rows.append((name, *(_words(_inside(of, *ends)) for ends in classes)))
    print(table(("source", *(f"{low:g} to {high:g}" for low, high in classes)), rows))
    listed = [place for one in answers for place in one.places]
    return [_target(_inside(listed, low, high), low=low, high=high) for low, high in classes]


def _inside(places: list[tuple[float, bool]], low: float, high: float) -> list[tuple[float, bool]]:
    return [place for place in places if low < place[0] <= high]


def _words(places: list[tuple[float, bool]]) -> str:
    if not places:
        return "-"
    return f"{len(places)}, {np.mean([p for p, _ in places]):.2f}, {sum(right for _, right in places)}"


def _target(places: list[tuple[float, bool]], *, low: float, high: float) -> Target:
    hits = sum(right for _, right in places)
    stated = float(np.mean([p for p, _ in places])) if places else math.nan
    share = hits / len(places) if places else math.nan
    least, most = interval(hits, of=len(places)) if places else (0.0, 1.0)
    return Target(
        f"places stated {low:g} to {high:g}: right",
        f"{hits} of {len(places)} for a mean of {stated:.2f}",
        f"within {NEAR_DIAGONAL}, or by chance",
        not places or abs(share - stated) <= NEAR_DIAGONAL or least <= stated <= most,
    )


def run_narrow(job: NarrowJob) -> NarrowAnswer:
    """Draw one survey and list the places that the locator names between the sensors."""
    times = _times()
    evidence = [_evidence(job, number) for number in range(1, ROUNDS + 1)]
    posterior = reliable(pair_posterior(times, evidence, settings=LocateSettings()))
    stretches = highest_density_stretches(
        posterior.position_m, posterior.density_per_m, level=0.95, sure_level=0.95
    )
    places = [
        (candidate_probability(one.mass * posterior.between), bool(one.low_m <= LEAK_M <= one.high_m))
        for one in stretches
    ]
    return NarrowAnswer(job, tuple(places))


def _evidence(job: NarrowJob, number: int) -> DelayEvidence:
    a, b = prepare_round(_record(job, number), RATE_HZ, max_delay_s=MAX_DELAY_S)
    return delay_evidence(a, b, max_delay_s=MAX_DELAY_S, round_number=number)


def _record(job: NarrowJob, number: int) -> NDArray[np.float64]:
    """Two recordings, shape (2, n); the delay is a turn of phase of the whole record."""
    rng = np.random.default_rng([job.seed, job.number, number, round(job.band_hz[0]), round(10 * job.ratio)])
    size = round(DURATION_S * RATE_HZ)
    f = np.fft.rfftfreq(size, 1 / RATE_HZ)
    inside = (f >= job.band_hz[0]) & (f <= job.band_hz[1])
    source, *noise = (rng.normal(size=f.size) + 1j * rng.normal(size=f.size) for _ in range(3))
    later = np.exp(-2j * np.pi * f * (LENGTH_M - 2 * LEAK_M) / SPEED_M_S)
    heard = math.sqrt(job.ratio) * inside * source * np.stack([np.ones(f.size), later]) + np.stack(noise)
    return np.asarray(np.fft.irfft(heard, size), dtype=np.float64)


def _times() -> PathTimes:
    """Delays along a main whose length, speed and clocks are known well: what is in doubt is the cycle."""
    x = np.linspace(0.0, LENGTH_M, round(LENGTH_M / 0.05) + 1)
    none, small = np.zeros(x.size), np.full(x.size, 2 * 0.05 / SPEED_M_S)
    return PathTimes(
        position_m=x,
        delay_s=(LENGTH_M - 2 * x) / SPEED_M_S,
        speed_m_s=np.full(x.size, SPEED_M_S),
        speed_sd_s=none,
        length_sd_s=small,
        model_sd_s=small,
        clock_sd_s=5e-5,
        lead_a_s=0.0,
        lead_b_s=0.0,
    )
