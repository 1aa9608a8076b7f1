"""How few sites cover a network, how surely, and in how many visits: against figures known before."""

from __future__ import annotations

from bench_plan_networks import district, published
from bench_table import Target, table

from netcorr.planning import choose_sites, plan_sweep

#: Network, reach [m], fewest sites known.
PUBLISHED = (("Net3", 6000.0, 27), ("ky4", 600.0, 482), ("ky10", 600.0, 414))
#: Crossings on a side of a district, time there is [s], gap allowed.
DISTRICTS = ((18, 20.0, 0.0), (28, 150.0, 0.005), (36, 220.0, 0.007))
MOST_VISITS = 1.15


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
    return [*targets, *_sweeps()]


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
