"""A whole city's map: time and memory of cleaning it, of opening it again, and of others at the same work.

Every figure comes from a process of its own, so that none pays for what another left behind.
"""

from __future__ import annotations

import ctypes
import gc
import importlib
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from bench_table import Target, table

MAINS = 200_000
#: Mains for the comparison with tools that would take hours on a city.
FEW_MAINS = 50_000
MANY_MAINS = 1_000_000
FITTINGS_PER_MAIN = 0.3
RUNS = 3
FITTING_M = 5.0

Figures = dict[str, float]


def bench_network(*, seed: int, mains: int = MAINS, most: int = MANY_MAINS) -> list[Target]:
    """Measure, print what came out, and return the targets.

    Parameters
    ----------
    seed : int
        Another seed gives another city.
    mains : int
        Mains of the city.
    most : int
        Mains of the largest city, to see how time grows.

    Returns
    -------
    list of Target
        Time against the bare minimum and against other tools, memory, growth, opening a saved network.
    """
    with tempfile.TemporaryDirectory() as folder:
        whole = _drawn(Path(folder, "city.gpkg"), mains, seed)
        saved = _child("save", whole)
        checked = _child("check", whole)
        runs = [{job: _child(job, whole) for job in ("clean", "bare", "open")} for _ in range(RUNS)]
        clean, bare, opened = (_quickest([run[job] for run in runs]) for job in ("clean", "bare", "open"))
        few = _drawn(Path(folder, "few.gpkg"), FEW_MAINS, seed)
        here, there = (_quickest([_child(job, few) for _ in range(RUNS)]) for job in ("build", "others"))
        large = {mains: clean}
        if most > mains:
            large[most] = _child("clean", _drawn(Path(folder, "large.gpkg"), most, seed))
    _print(mains, clean, bare=bare, opened=opened, saved=saved, checked=checked)
    _print_others(here, there)
    _print_growth(large)
    return _targets(
        mains, clean, bare=bare, opened=opened, faster=there["cpu_s"] / here["cpu_s"], large=large
    )


def _targets(
    mains: int, clean: Figures, *, bare: Figures, opened: Figures, faster: float, large: dict[int, Figures]
) -> list[Target]:
    times = clean["cpu_s"] / bare["cpu_s"]
    part = opened["cpu_s"] / clean["cpu_s"]
    bytes_each = clean["kept_bytes"] / mains
    each = [figures["cpu_s"] / count for count, figures in large.items()]
    growth = each[-1] / each[0]
    return [
        Target(
            "read and clean, against read and add to a graph", f"{times:.2f} times", "4 or less", times <= 4
        ),
        Target("memory of the network", f"{bytes_each:.0f} B a main", "3000 or less", bytes_each <= 3000),
        Target("open a saved network, against cleaning", f"{part:.2f}", "1/3 or less", part <= 1 / 3),
        Target("momepy.gdf_to_nx and wntr.gis.snap", f"{faster:.1f} times as long", "5 or more", faster >= 5),
        Target(f"time a main at {max(large):,}", f"{growth:.2f} times", "1.5 or less", growth <= 1.5),
    ]


def _print(
    mains: int, clean: Figures, *, bare: Figures, opened: Figures, saved: Figures, checked: Figures
) -> None:
    print(
        f"A drawn city of {mains:,} mains and {mains * FITTINGS_PER_MAIN:,.0f} fittings; "
        f"{clean['edges']:,.0f} edges, {clean['changes']:,.0f} changes.\n"
        f"Quickest of {RUNS} runs, each in a process of its own; saving and checking once.\n"
    )
    rows = [
        ("read and clean (read_network_layers, build_network)", clean),
        ("read (pyogrio) and add the same edges (networkx)", bare),
        ("open the saved network (open_network)", opened),
        ("save it (save_network)", saved),
        ("netcorr check on the map, with its layers", checked),
    ]
    print(table(("", "cpu s", "wall s", "MB kept", "MB most"), [_row(name, one) for name, one in rows]))


def _row(name: str, one: Figures) -> tuple[str, ...]:
    kept, most = one["kept_bytes"] / 1e6, one["most_bytes"] / 1e6
    return name, f"{one['cpu_s']:.1f}", f"{one['wall_s']:.1f}", f"{kept:.0f}", f"{most:.0f}"


def _print_others(here: Figures, there: Figures) -> None:
    print(f"\n{FEW_MAINS:,} mains and {FEW_MAINS * FITTINGS_PER_MAIN:,.0f} fittings that are in memory:\n")
    rows = [
        (name, f"{one['cpu_s']:.1f}", f"{1e6 * one['cpu_s'] / FEW_MAINS:.0f}")
        for name, one in (("build_network", here), ("momepy.gdf_to_nx, wntr.gis.snap", there))
    ]
    print(table(("", "cpu s", "microseconds a main"), rows))


def _print_growth(large: dict[int, Figures]) -> None:
    rows = [
        (
            f"{count:,}",
            f"{one['cpu_s']:.1f}",
            f"{1e6 * one['cpu_s'] / count:.0f}",
            f"{one['kept_bytes'] / count:.0f}",
        )
        for count, one in large.items()
    ]
    print("\nGrowth of reading and cleaning:\n")
    print(table(("mains", "cpu s", "microseconds a main", "bytes a main"), rows))


def _drawn(path: Path, mains: int, seed: int) -> Path:
    subprocess.run([sys.executable, __file__, "draw", path, str(mains), str(seed)], check=True)
    return path


def _child(job: str, path: Path) -> Figures:
    done = subprocess.run(
        [sys.executable, __file__, job, path], check=True, stdout=subprocess.PIPE, text=True
    )
    figures: Figures = json.loads(done.stdout.splitlines()[-1])
    return figures


def _quickest(runs: list[Figures]) -> Figures:
    return min(runs, key=lambda run: run["cpu_s"])


def _measured(work: Callable[[], Any], *, amid: bool = False) -> tuple[Any, Figures]:
    """Time of some work, and the memory that its result keeps. What is there before is left out.

    Where the work stands `amid` many objects made before, these are kept from the search for garbage, which
    would go through them too.
    """
    _warm_up()
    gc.collect()
    if amid:
        gc.freeze()
    before = _resident_bytes()
    wall_s, cpu_s = time.perf_counter(), time.process_time()
    result = work()
    wall_s, cpu_s = time.perf_counter() - wall_s, time.process_time() - cpu_s
    most = _most_bytes() - before
    gc.collect()
    _give_back()
    return result, {
        "wall_s": wall_s,
        "cpu_s": cpu_s,
        "kept_bytes": _resident_bytes() - before,
        "most_bytes": most,
    }


def _warm_up() -> None:
    """Do everything once on a few mains, so that loading libraries is in no figure."""
    from netcorr.export import save_network
    from netcorr.layers import read_network_layers
    from netcorr.network import build_network, open_network

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "few.gpkg")
        draw(path, 300, 1)
        save_network(build_network(read_network_layers(path)), _saved(path))
        open_network(_saved(path))


def _resident_bytes() -> float:
    """Memory that the process holds; 0 where the system does not tell."""
    pages = Path("/proc/self/statm")
    return float(pages.read_text().split()[1]) * resource.getpagesize() if pages.exists() else 0.0


def _most_bytes() -> float:
    return 1024.0 * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def _give_back() -> None:
    """Give memory that is free back to the system, where that can be asked for."""
    if sys.platform == "linux":
        ctypes.CDLL(None).malloc_trim(0)


def _saved(path: Path) -> Path:
    return path.with_name("saved_" + path.name)


def clean(path: Path) -> Figures:
    from netcorr.layers import read_network_layers
    from netcorr.network import build_network

    network, figures = _measured(lambda: build_network(read_network_layers(path)))
    return {**figures, "edges": network.graph.number_of_edges(), "changes": len(network.log)}


def save(path: Path) -> Figures:
    from netcorr.export import save_network
    from netcorr.layers import read_network_layers
    from netcorr.network import build_network

    network = build_network(read_network_layers(path))
    return _measured(lambda: save_network(network, _saved(path)))[1]


def check(path: Path) -> Figures:
    from netcorr.tools.check import check as run

    return _measured(lambda: run(network=path, output=path.with_name("check_" + path.name)))[1]


def reopen(path: Path) -> Figures:
    from netcorr.network import open_network

    return _measured(lambda: open_network(_saved(path)))[1]


def bare(path: Path) -> Figures:
    import networkx as nx
    import pyogrio

    from netcorr.network import open_network

    edges = [(u, v, dict(data)) for u, v, data in open_network(_saved(path)).graph.edges(data=True)]

    def work() -> tuple[Any, ...]:
        frames = [pyogrio.read_dataframe(path, layer=layer) for layer in ("mains", "fittings")]
        graph = nx.MultiGraph()
        graph.add_edges_from(edges)
        return *frames, graph

    return _measured(work, amid=True)[1]


def build(path: Path) -> Figures:
    from netcorr.layers import read_network_layers
    from netcorr.network import build_network

    layers = read_network_layers(path)
    return _measured(lambda: build_network(layers))[1]


def others(path: Path) -> Figures:
    import pyogrio
    import wntr

    momepy = importlib.import_module("momepy")
    mains, fittings = (pyogrio.read_dataframe(path, layer=layer) for layer in ("mains", "fittings"))
    return _measured(lambda: (momepy.gdf_to_nx(mains), wntr.gis.snap(fittings, mains, FITTING_M)), amid=True)[
        1
    ]


def draw(path: Path, mains: int, seed: int) -> Figures:
    from bench_city import city

    frames = city(mains, fittings=round(FITTINGS_PER_MAIN * mains), seed=seed)
    for layer, frame in zip(("mains", "fittings"), frames, strict=True):
        frame.to_file(path, layer=layer)
    return {}


_JOBS: dict[str, Callable[[Path], Figures]] = {
    "clean": clean,
    "save": save,
    "check": check,
    "open": reopen,
    "bare": bare,
    "build": build,
    "others": others,
}

if __name__ == "__main__":
    job, file, *numbers = sys.argv[1:]
    if job == "draw":
        draw(Path(file), *map(int, numbers))
    else:
        print(json.dumps(_JOBS[job](Path(file))))
