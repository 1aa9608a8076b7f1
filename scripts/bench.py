"""Measure netcorr: accuracy, delay estimates, times. Run it by the environment's own Python.

``.venv/bin/python scripts/bench.py NAME``, a name of `BENCHES`; the exit code is 1 when a target is missed.
"""

from __future__ import annotations

import argparse
import importlib
import os
import platform
import sys
import time
from pathlib import Path

from bench_table import Target, target_table

#: Each benchmark: `scripts/bench_NAME.py` with a function `bench_NAME`, and the options that it takes.
BENCHES: dict[str, tuple[str, ...]] = {
    "locate": ("surveys", "seed", "workers"),
    "delay": ("surveys", "seed", "workers"),
    "calibration": ("surveys", "seed", "workers", "outcomes"),
    "narrow": ("surveys", "seed", "workers"),
    "learning": ("surveys", "seed", "workers"),
    "screen": ("surveys", "seed"),
    "network": ("seed",),
    "start": (),
    "plan": (),
    "known": ("surveys", "seed", "workers"),
    "district": ("surveys", "seed", "workers", "outcomes", "kind"),
    "large": ("seed",),
}


def main(arguments: list[str]) -> int:
    """Run one benchmark and return 0 when it meets its targets."""
    options = _parser().parse_args(arguments)
    start_s = time.perf_counter()
    print(f"bench.py {' '.join(arguments)}: Python {platform.python_version()}, {_machine()}\n", flush=True)
    targets = _run(options)
    print(f"\n{target_table(targets)}\n\n{time.perf_counter() - start_s:.0f} s, {_machine()}")
    return 0 if all(one.met for one in targets) else 1


def _run(options: argparse.Namespace) -> list[Target]:
    """Load the one benchmark that was asked for and run it."""
    name = f"bench_{options.what}"
    function = getattr(importlib.import_module(name), name)
    targets: list[Target] = function(**{word: getattr(options, word) for word in BENCHES[options.what]})
    return targets


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="bench.py", description="Measure netcorr against its targets.")
    parser.add_argument("what", choices=tuple(BENCHES))
    parser.add_argument("--surveys", type=_positive, help="surveys or draws of each kind (default: all)")
    parser.add_argument("--seed", type=int, default=1, help="another seed, other surveys (default: 1)")
    parser.add_argument(
        "--outcomes",
        type=Path,
        help="file to keep the outcome of every survey in (calibration, district): a run that was broken off "
        "goes on from there; for calibration, unless code of netcorr has changed since",
    )
    parser.add_argument("--workers", type=_positive, default=2, help="processes (default: 2)")
    parser.add_argument("--kind", help="kinds of surveys, joined by commas (default: all)")
    return parser


def _positive(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError("give 1 or more")
    return number


def _machine() -> str:
    """Cores and how busy they are: times mean little on a busy machine."""
    load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    return f"{os.cpu_count()} cores{load}"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
