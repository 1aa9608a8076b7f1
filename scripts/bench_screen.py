"""How fast all pairs are screened, against the transforms alone and scipy.signal, and what screening finds.

``.venv/bin/python scripts/bench_screen.py`` runs it by itself; the exit code is 1 when a target is missed.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from itertools import combinations

import networkx as nx
import numpy as np
from bench_table import Target, share, table
from numpy.typing import NDArray
from scipy import fft, signal, sparse
from scipy.sparse import csgraph

from netcorr.delay import PreparedRecording, delay_evidence, prepare_recording, prepare_round
from netcorr.delay.band_search import Level, search_levels
from netcorr.delay.cross_sums import group_spectra
from netcorr.delay.screen import Screening, screen_pairs

#: The best that was known before, and an estimate of what two cores can do at most. [pairs / s]
WANTED_PAIRS_S = 20_000
LIMIT_PAIRS_S = (35_000, 40_000)
MOST_TIMES_FLOOR = 3.0
LEAST_TIMES_QUICKER = 8.0
#: Longest delay of the 64 loggers: correlograms that repeat after 0.5 s, as half-second segments have. [s]
DELAY_OF_64_S = 0.125
#: The district: a street grid of this many blocks of this length, iron mains. [m], [m/s]
BLOCKS, BLOCK_M, REACH_M, SPEED_M_S = 20, 100.0, 400.0, 1200.0
ROUNDS = 3
#: A peak agrees when it is this close; evidence counts as something when noise does it less often. [s]
AGREE_S = 0.001
SIGNIFICANT = 0.01


@dataclass(frozen=True)
class Least:
    """The least of several runs, wall and processor time each by itself. [s]"""

    wall_s: float
    cpu_s: float

    def row(self, name: str) -> tuple[str, str, str]:
        """Set as a row of a table."""
        return name, f"{1000 * self.wall_s:.1f}", f"{1000 * self.cpu_s:.1f}"


def least(task: Callable[[], object], *, runs: int) -> Least:
    """Run a task several times: what others on the machine take is not the task's."""
    wall, cpu = [], []
    for _ in range(runs):
        wall_s, cpu_s = time.perf_counter(), time.process_time()
        task()
        wall.append(time.perf_counter() - wall_s)
        cpu.append(time.process_time() - cpu_s)
    return Least(min(wall), min(cpu))


def bench_screen(*, runs: int = 20, surveys: int | None = None, seed: int = 1) -> list[Target]:
    """Time screening, compare it with the full evidence, print both, and return the targets.

    Parameters
    ----------
    runs : int
        Runs of which the quickest counts.
    surveys : int, optional
        Simulated pairs of each kind; 40 by default.
    seed : int
        Of the simulated recordings.

    Returns
    -------
    list of Target
        Pairs a second, times against the floor and against scipy.signal, share found, false alarms.
    """
    rng = np.random.default_rng(seed)
    print(f"OpenBLAS settings of the environment: {_openblas()}\n")
    return [
        *_bench_64(rng, runs=runs),
        *_bench_district(rng, runs=max(runs // 4, 3)),
        *_bench_agreement(rng, draws=surveys or 40),
    ]


def _openblas() -> str:
    names = sorted(name for name in os.environ if name.startswith(("OPENBLAS_", "OMP_NUM")))
    return ", ".join(f"{name}={os.environ[name]}" for name in names) or "none"


def _bench_64(rng: np.random.Generator, *, runs: int) -> list[Target]:
    """All pairs of 64 loggers, 10 s at 4 kHz."""
    samples = rng.normal(size=(64, 40_000))
    pairs = np.array(list(combinations(range(64), 2)))
    prepared = prepare_round(samples, 4000.0, max_delay_s=0.25)
    cleaning = least(lambda: prepare_recording(samples[0], 4000.0, pad_s=0.25), runs=5)
    rows, rates, by_cpu = [], [], []
    for delay_s in (DELAY_OF_64_S, 2 * DELAY_OF_64_S):
        screened = least(partial(screen_pairs, prepared, pairs, max_delay_s=delay_s), runs=runs)
        floor = _floor([prepared], len(pairs), samples.astype(np.float32), max_delay_s=delay_s, runs=runs)
        rates.append(len(pairs) / screened.wall_s)
        by_cpu.append(2 * len(pairs) / screened.cpu_s)
        rows += [
            screened.row(f"screening, delays to {1000 * delay_s:.0f} ms"),
            floor.row(f"the transforms alone, delays to {1000 * delay_s:.0f} ms"),
        ]
        print(
            f"delays to {1000 * delay_s:.0f} ms: {rates[-1]:,.0f} pairs/s by the clock, "
            f"{by_cpu[-1]:,.0f} by the processor time of two cores; "
            f"{screened.wall_s / floor.wall_s:.1f} times the floor, by cpu {screened.cpu_s / floor.cpu_s:.1f}"
        )
    print(f"cleaning, not counted above: {1000 * cleaning.cpu_s:.1f} ms of cpu for each recording")
    print(table((f"64 loggers, {len(pairs)} pairs, least of {runs}", "wall ms", "cpu ms"), rows) + "\n")
    low, high = (100 * rates[0] / limit for limit in reversed(LIMIT_PAIRS_S))
    return [
        Target(
            "64 loggers, all pairs, 10 s at 4 kHz",
            f"{rates[0]:,.0f} pairs/s, {low:.0f}-{high:.0f} % of the limit (by cpu {by_cpu[0]:,.0f})",
            f"{WANTED_PAIRS_S:,} on two cores",
            rates[0] >= WANTED_PAIRS_S,
        )
    ]


def _floor(
    rounds: list[tuple[PreparedRecording, ...]],
    pairs: int,
    samples: NDArray[np.float32],
    *,
    max_delay_s: float,
    runs: int,
) -> Least:
    """Forward transform of every recording and the inverse ones of every pair, and nothing else."""
    spectra = group_spectra(rounds[0][:2], max_delay_s=max_delay_s)
    levels = search_levels(spectra.size, spectra.group_hz, max_delay_s=max_delay_s)
    inputs = [np.ones((_batch(level), level.size // 2 + 1), dtype=np.complex64) for level in levels]

    def transforms() -> None:
        for _ in rounds:
            for start in range(0, len(samples), 16):
                fft.rfft(samples[start : start + 16], axis=1, workers=2)
            for level, block in zip(levels, inputs, strict=True):
                for start in range(0, pairs * level.parts, len(block)):
                    fft.irfft(block[: pairs * level.parts - start], level.size, axis=1, workers=2)

    return least(transforms, runs=runs)


def _batch(level: Level) -> int:
    """Transforms that take about 2 MB together."""
    return max((1 << 21) // (8 * level.size), 8)


def _bench_district(rng: np.random.Generator, *, runs: int) -> list[Target]:
    """All pairs within reach of 200 loggers, three rounds of 10 s at 8 kHz."""
    pairs, reach_s = _district(rng)
    longest_s = float(reach_s.max())
    samples = rng.normal(size=(200, 80_000)).astype(np.float32)
    start_s = time.process_time()
    one_round = prepare_round(samples, 8000.0, max_delay_s=longest_s)
    cleaning_s = ROUNDS * (time.process_time() - start_s)
    # noise is noise: one round screened three times costs what three rounds do
    rounds = [one_round] * ROUNDS
    screened = least(lambda: [screen_pairs(one, pairs, max_delay_s=reach_s) for one in rounds], runs=runs)
    floor = _floor(rounds, len(pairs), samples, max_delay_s=longest_s, runs=runs)
    textbook = _textbook(
        samples, pairs[:20], segment=fft.next_fast_len(round(4 * 8000 * longest_s)), runs=runs
    )
    share_of_all = ROUNDS * len(pairs) / 20
    textbook = Least(textbook.wall_s * share_of_all, textbook.cpu_s * share_of_all)
    name = f"200 loggers, {len(pairs)} pairs to {1000 * longest_s:.0f} ms, {ROUNDS} rounds, least of {runs}"
    rows = [
        screened.row("screening"),
        floor.row("the transforms alone"),
        textbook.row("scipy.signal csd and coherence, from 20 pairs"),
        ("cleaning, not counted above", "-", f"{1000 * cleaning_s:.0f}"),
    ]
    print(table((name, "wall ms", "cpu ms"), rows))
    with_cleaning = textbook.cpu_s / (screened.cpu_s + cleaning_s)
    print(
        f"By cpu {screened.cpu_s / floor.cpu_s:.1f} times the floor and "
        f"{textbook.cpu_s / screened.cpu_s:.0f} times quicker than scipy.signal, "
        f"{with_cleaning:.1f} times with cleaning counted.\n"
    )
    times, quicker = screened.wall_s / floor.wall_s, textbook.wall_s / screened.wall_s
    return [
        Target(
            "district over the bare transforms",
            f"{times:.1f} times (by cpu {screened.cpu_s / floor.cpu_s:.1f})",
            f"{MOST_TIMES_FLOOR:g} or less",
            times <= MOST_TIMES_FLOOR,
        ),
        Target(
            "district against scipy.signal, cleaning counted",
            f"{with_cleaning:.1f} times quicker by cpu; {quicker:.0f} times by the clock with cleaning apart",
            f"{LEAST_TIMES_QUICKER:g} or more",
            with_cleaning >= LEAST_TIMES_QUICKER,
        ),
    ]


def _district(rng: np.random.Generator) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Pairs of 200 loggers within reach along the streets, and their longest delays. [s]"""
    streets = nx.grid_2d_graph(BLOCKS, BLOCKS)
    lengths_m = sparse.csr_array(nx.to_scipy_sparse_array(streets)) * BLOCK_M
    loggers = np.sort(rng.choice(BLOCKS**2, size=200, replace=False))
    apart_m = csgraph.dijkstra(lengths_m, indices=loggers, limit=REACH_M)[:, loggers]
    a, b = np.nonzero(np.triu(np.isfinite(apart_m), k=1))
    return np.stack([a, b], axis=1), apart_m[a, b] / SPEED_M_S


def _textbook(samples: NDArray[np.float32], pairs: NDArray[np.int64], *, segment: int, runs: int) -> Least:
    """Cross-spectrum and coherence of each pair by scipy.signal, in segments as long as ours in effect."""

    def each_pair() -> None:
        for a, b in pairs:
            signal.csd(samples[a], samples[b], fs=8000.0, nperseg=segment)
            signal.coherence(samples[a], samples[b], fs=8000.0, nperseg=segment)

    return least(each_pair, runs=runs)


#: Bands of the simulated sources: iron, iron far away, plastic. [Hz]
SOURCES_HZ = ((200.0, 900.0), (300.0, 1700.0), (20.0, 150.0))
SNRS_DB = (-10, -8, -6, 0, 6)


def _bench_agreement(rng: np.random.Generator, *, draws: int) -> list[Target]:
    """Screening against the full evidence on pairs with a known delay, and on noise."""
    rows, found_of, agree_of = [], [0, 0], [0, 0]
    for band_hz in SOURCES_HZ:
        for snr_db in SNRS_DB:
            full, kept, agree = _agreement(rng, band_hz=band_hz, snr_db=snr_db, draws=draws)
            name = f"{band_hz[0]:.0f}-{band_hz[1]:.0f} Hz, {snr_db:+d} dB"
            rows.append((name, draws, full, kept, agree))
            found_of = [found_of[0] + kept, found_of[1] + full]
            agree_of = [agree_of[0] + agree, agree_of[1] + kept]
    header = ("source", "pairs", "evidence right", "of these worth it", "of these within 1 ms")
    print(table(header, rows))
    alarms, tests = _alarms(rng)
    print(f"noise alone: significance below 0.1 for {share(alarms[0], of=tests)} pairs, ", end="")
    print(f"below 0.01 for {share(alarms[1], of=tests)}")
    return [
        Target(
            "what the evidence finds, flagged by screening",
            share(found_of[0], of=found_of[1]),
            "95 % or more",
            found_of[0] >= 0.95 * found_of[1],
        ),
        Target(
            "peaks of these within 1 ms of the evidence",
            share(agree_of[0], of=agree_of[1]),
            "95 % or more",
            agree_of[0] >= 0.95 * agree_of[1],
        ),
        Target(
            "false alarms at a stated 0.1",
            share(alarms[0], of=tests),
            "10 % or less",
            alarms[0] <= 0.1 * tests,
        ),
    ]


def _agreement(
    rng: np.random.Generator, *, band_hz: tuple[float, float], snr_db: float, draws: int
) -> tuple[int, int, int]:
    """Pairs where the evidence is right and significant; of these flagged; of these at the same delay."""
    full = kept = agree = 0
    for _ in range(draws):
        delay_s = float(rng.uniform(-0.19, 0.19))
        a, b = prepare_round(
            _heard(rng, delay_s=delay_s, snr_db=snr_db, band_hz=band_hz), 4000.0, max_delay_s=0.2
        )
        evidence = delay_evidence(a, b, max_delay_s=0.2)
        if evidence.significance > SIGNIFICANT or abs(evidence.peak_delay_s - delay_s) > AGREE_S:
            continue
        screened: Screening = screen_pairs((a, b), [(0, 1)], max_delay_s=0.2, threads=1)
        full += 1
        kept += bool(screened.worth[0])
        close = abs(float(screened.peak_delay_s[0]) - evidence.peak_delay_s) <= AGREE_S
        agree += bool(screened.worth[0]) and close
    return full, kept, agree


def _heard(
    rng: np.random.Generator, *, delay_s: float, snr_db: float, band_hz: tuple[float, float]
) -> NDArray[np.float64]:
    """A band of noise heard at two places, B later than A, in white noise: shape (2, 40000)."""
    size, rate_hz = 48_000, 4000.0
    source = fft.rfft(rng.normal(size=size))
    f = np.arange(source.size) * rate_hz / size
    source = np.where((f >= band_hz[0]) & (f <= band_hz[1]), source, 0.0)
    both = fft.irfft(np.stack([source, source * np.exp(-2j * np.pi * f * delay_s)]), size, axis=1)
    return np.asarray(10 ** (snr_db / 20) * both[:, 4000:44_000] + rng.normal(size=(2, 40_000)))


def _alarms(rng: np.random.Generator) -> tuple[tuple[int, int], int]:
    """Pairs of independent noise below a stated significance of 0.1 and of 0.01, and all of them."""
    low = lower = tests = 0
    pairs = np.arange(40).reshape(20, 2)  # each recording in one pair only: the tests are independent
    for _ in range(20):
        prepared = prepare_round(rng.normal(size=(40, 40_000)), 4000.0, max_delay_s=0.2)
        significance = screen_pairs(prepared, pairs, max_delay_s=0.2).significance
        low, lower = low + int((significance < 0.1).sum()), lower + int((significance < 0.01).sum())
        tests += len(pairs)
    return (low, lower), tests


def main(arguments: list[str]) -> int:
    """Run the benchmark by itself and return 0 when it meets its targets."""
    from bench_table import target_table

    parser = argparse.ArgumentParser(prog="bench_screen.py", description="Measure screening.")
    parser.add_argument(
        "--runs", type=int, default=20, help="runs of which the quickest counts (default: 20)"
    )
    parser.add_argument("--surveys", type=int, help="simulated pairs of each kind (default: 40)")
    parser.add_argument("--seed", type=int, default=1, help="another seed, other recordings (default: 1)")
    options = parser.parse_args(arguments)
    targets = bench_screen(runs=options.runs, surveys=options.surveys, seed=options.seed)
    print("\n" + target_table(targets))
    load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    print(f"{os.cpu_count()} cores{load}")
    return 0 if all(one.met for one in targets) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
