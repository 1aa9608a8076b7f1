"""How long the command line takes to start, and to do the main job on the sample."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from bench_table import Target, table

ROOT = Path(__file__).resolve().parent.parent
SAMPLE = ROOT / "sample_network"
SURVEYS = ("survey_iron", "survey_mixed", "survey_quiet")
LONGEST_HELP_S = 0.35
LONGEST_LOCATE_S = 4.0
#: What --help must not load.
HEAVY = ("geopandas", "scipy", "pandas", "matplotlib", "shapely", "numpy")

_HELP_MODULES = f"""
import sys
from netcorr.cli import main
try:
    main(["--help"])
except SystemExit:
    pass
print(*(name for name in {HEAVY!r} if name in sys.modules), file=sys.stderr)
"""

_FLOOR = """
import sys
import geopandas, pyogrio, scipy.fft, scipy.ndimage, scipy.spatial
for layer, _ in pyogrio.list_layers(sys.argv[1]):
    pyogrio.read_dataframe(sys.argv[1], layer=layer)
"""


@dataclass(frozen=True)
class Timing:
    """The quickest of several runs: what others on the machine take is not netcorr's.

    Attributes
    ----------
    wall_s : float
        By the clock. [s]
    cpu_s : float or None
        Processor time of the run that needed least; None where the system does not tell. [s]
    """

    wall_s: float
    cpu_s: float | None

    def row(self, name: str) -> tuple[str, str, str]:
        """Set as a row of a table."""
        return name, f"{self.wall_s:.2f}", "-" if self.cpu_s is None else f"{self.cpu_s:.2f}"


def bench_start(*, runs: int = 3) -> list[Target]:
    """Time the commands, print what came out, and return the targets.

    Parameters
    ----------
    runs : int
        Of `netcorr locate` on each survey; others run 7 times.

    Returns
    -------
    list of Target
        Time of --help, what it loads, and time of locate.
    """
    program = str(Path(sys.executable).with_name("netcorr"))
    bare = time_of([sys.executable, "-c", "pass"], runs=7)
    shown = time_of([program, "--help"], runs=7)
    floor = time_of([sys.executable, "-c", _FLOOR, str(SAMPLE / "town.gpkg")], runs=runs)
    with tempfile.TemporaryDirectory() as folder:
        located = {name: time_of(_locate(program, name, Path(folder)), runs=runs) for name in SURVEYS}
    rows = [
        bare.row("python -c pass"),
        shown.row("netcorr --help"),
        floor.row("load geopandas and scipy, read the map"),
        *(timing.row(f"netcorr locate, {name}") for name, timing in located.items()),
    ]
    print(table((f"quickest of 7 or {runs} runs", "wall s", "cpu s"), rows))
    print(f"netcorr --help takes {shown.wall_s / bare.wall_s:.1f} times as long as Python that does nothing.")
    heavy = loaded_by_help()
    slowest_s = max(timing.wall_s for timing in located.values())
    return [
        Target(
            "netcorr --help",
            f"{shown.wall_s:.2f} s",
            f"{LONGEST_HELP_S} s or less",
            shown.wall_s <= LONGEST_HELP_S,
        ),
        Target(
            f"netcorr --help loads no {', '.join(HEAVY[:2])} or the like", heavy or "none", "none", not heavy
        ),
        Target(
            "netcorr locate, slowest sample survey",
            f"{slowest_s:.2f} s",
            f"{LONGEST_LOCATE_S} s or less on two cores",
            slowest_s <= LONGEST_LOCATE_S,
        ),
    ]


def loaded_by_help() -> str:
    """Names of the heavy packages that --help loads."""
    done = subprocess.run([sys.executable, "-c", _HELP_MODULES], capture_output=True, text=True, check=True)
    return done.stderr.strip()


def time_of(words: Sequence[str], *, runs: int) -> Timing:
    """Run a program several times and keep the least.

    Parameters
    ----------
    words : sequence of str
        The program and its arguments.
    runs : int
        How many times.

    Returns
    -------
    Timing
        Least wall time and least processor time.

    Raises
    ------
    SystemExit
        If the program fails: its time would mean nothing.
    """
    wall_s, cpu_s = [], []
    for _ in range(runs):
        before, start_s = _children_s(), time.perf_counter()
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        wall_s.append(time.perf_counter() - start_s)
        cpu_s.append(_children_s() - before)
        if done.returncode:
            raise SystemExit(f"{' '.join(words)} ended with {done.returncode}:\n{done.stderr}")
    return Timing(min(wall_s), min(cpu_s) if os.name == "posix" else None)


def _children_s() -> float:
    """Processor time of all programs that have been run so far. [s]"""
    times = os.times()
    return times.children_user + times.children_system


def _locate(program: str, survey: str, folder: Path) -> list[str]:
    words = [program, "locate", str(SAMPLE / "town.gpkg"), str(SAMPLE / survey / "deployments.csv")]
    return [*words, "-o", str(folder / f"{survey}.gpkg")]
