"""How few sites cover a network, how much some cover, and in how many visits: against figures known."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from bench_coverage import coverage_of_a_city
from bench_plan_networks import district, published
from bench_table import Target, table

from netcorr.planning import ChoiceProblem, choose_sites, plan_sweep
from netcorr.planning.cover_rows import Targets
from netcorr.planning.local_search import ChosenSites, fill_up, swap

#: Network, reach [m], fewest sites known.
PUBLISHED = (("Net3", 6000.0, 27), ("ky4", 600.0, 482), ("ky10", 600.0, 414))
#: Crossings on a side of a district, time there is [s], gap allowed.
DISTRICTS = ((18, 20.0, 0.0), (28, 150.0, 0.005), (36, 220.0, 0.007))
MOST_VISITS = 1.15
#: Network, loggers, and what was reached and proven before on that network, or on one as large. [% of metres]
BUDGETS: tuple[tuple[str, Callable[[], ChoiceProblem], int, float, float], ...] = (
    ("Net3", lambda: published("Net3", reach_m=6000.0), 19, 76.5, 76.6),
    ("district 18", lambda: district(18), 165, 95.1, 97.1),
    ("district 18", lambda: district(18), 110, 79.0, 86.7),
    ("district 18", lambda: district(18), 55, 42.9, 56.6),
    ("ky4", lambda: published("ky4", reach_m=600.0), 192, 42.3, 45.8),
    ("district 28", lambda: district(28), 382, 93.1, 96.4),
)
#: Time for a choice with so many loggers, and for a city. [s]
BUDGET_S, CITY_S = 90.0, 480.0
#: Crossings on a side of a city of some 20,000 mains.
CITY_SIDE = 97


def bench_plan() -> list[Target]:
    """Choose sites for published networks and invented districts, and sweep two of these."""
    targets, rows = [], []
    for name, reach_m, known in PUBLISHED:
        choice = choose_sites(published(name, reach_m=reach_m), time_limit_s=20.0)
        count = len(choice.sites)
        rows.append((name, count, f"{choice.bound:.0f}", f"{choice.seconds:.1f}"))
        met = choice.proven and count <= known and choice.seconds <= 20
        targets.append(Target(f"{name}, fewest sites", f"{count}, {choice.seconds:.1f} s", f"{known}", met))
    for side, limit_s, gap in DISTRICTS:
        choice = choose_sites(district(side), time_limit_s=limit_s)
        rows.append((f"district {side}", len(choice.sites), f"{choice.bound:.0f}", f"{choice.seconds:.1f}"))
        measured = f"gap {100 * choice.gap:.2f} %, {choice.seconds:.0f} s"
        wanted = f"{100 * gap:g} % in {limit_s:.0f} s"
        targets.append(Target(f"district {side}, fewest sites", measured, wanted, choice.gap <= gap + 1e-6))
    print(table(("network", "sites", "bound", "s"), rows) + "\n")
    return [*targets, *_budgets(), *_sweeps(), *_city(), *coverage_of_a_city(seed=1)]


def _greedy(problem: ChoiceProblem, loggers: int) -> tuple[float, float]:
    """Weight that greedy choice covers, and with swaps after it."""
    targets = Targets.of(problem)
    state = ChosenSites(problem, targets, weight=targets.weight)
    everyone = np.ones(len(problem.sites), dtype=bool)
    fill_up(state, allowed=everyone, most_sites=loggers)
    before = state.weight
    swap(state, allowed=everyone, fixed=~everyone, rng=np.random.default_rng(1))
    return before, max(state.weight, before)


def _budgets() -> list[Target]:
    targets, rows, tighter = [], [], 0
    for name, make, loggers, known, known_bound in BUDGETS:
        problem = make()
        total = problem.stretches.weight.sum() / 100
        greedy, swapped = (value / total for value in _greedy(problem, loggers))
        choice = choose_sites(problem, most_sites=loggers, time_limit_s=BUDGET_S)
        value, bound = choice.value / total, choice.bound / total
        closer = bound - value < known_bound - known
        tighter += closer
        rows.append(
            (
                name,
                loggers,
                f"{greedy:.1f}",
                f"{swapped:.1f}",
                f"{value:.1f}",
                f"{bound:.1f}",
                f"{bound - value:.1f}",
                f"{known_bound - known:.1f}",
                f"{choice.seconds:.0f}",
            )
        )
        title = f"{name}, {loggers} loggers"
        targets.append(
            Target(title, f"{value:.1f} %", f"greedy with swaps {swapped:.1f} %", value >= swapped - 1e-9)
        )
    head = ("network", "loggers", "greedy", "swaps", "covered", "bound", "between", "known", "s")
    print(table(head, rows) + "\n")
    half = len(BUDGETS) / 2
    wanted = f"at least {half:g}"
    targets.append(Target("bound nearer than known", f"{tighter} of {len(BUDGETS)}", wanted, tighter >= half))
    return targets


def _sweeps() -> list[Target]:
    targets = []
    for side in (12, 18):
        problem = district(side)
        sites = choose_sites(problem, time_limit_s=20.0).sites
        for loggers in (16, 32):
            sweep = plan_sweep(problem, sites, loggers=loggers, time_limit_s=60.0)
            ratio = len(sweep.setups) / sweep.least_setups
            measured = f"{len(sweep.setups)} of at least {sweep.least_setups}"
            name = f"district {side}, visits of {loggers} loggers"
            targets.append(Target(name, measured, f"{MOST_VISITS:g} times", ratio <= MOST_VISITS))
    return targets


def _city() -> list[Target]:
    start_s = time.perf_counter()
    problem = district(CITY_SIDE)
    built_s = time.perf_counter() - start_s
    choice = choose_sites(problem, time_limit_s=CITY_S)
    took_s = time.perf_counter() - start_s
    row = (len(problem.stretches), len(problem.pair_sites), f"{built_s:.1f}", len(choice.sites))
    head = ("city: mains", "pairs", "paths, s", "sites", "bound", "s")
    print(table(head, [(*row, f"{choice.bound:.0f}", f"{took_s:.0f}")]) + "\n")
    covers = bool((choice.coverage.covered() == problem.coverable()).all())
    measured = f"{took_s:.0f} s, gap {100 * choice.gap:.2f} %"
    return [
        Target(
            "city of 20,000 mains, fewest sites", measured, "all covered in 600 s", covers and took_s <= 600
        )
    ]
