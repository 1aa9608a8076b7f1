"""Check netcorr: style, format, types, tests. Needs nothing but Python.

Words after the name go to pytest: ``python3 scripts/test.py -k locate``.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from environment import ROOT, prepare, say

#: What runs before the tests, each with the program and its arguments.
CHECKS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("style", ("ruff", "check", ".")),
    ("format", ("ruff", "format", "--check", ".")),
    ("types", ("mypy",)),
)


def run(programs: Path, words: tuple[str, ...]) -> int:
    """Run one program of the environment in the checkout and return its exit code."""
    environment = {**os.environ, "MPLBACKEND": "Agg"}
    return subprocess.run(
        [programs / words[0], *words[1:]], cwd=ROOT, env=environment, check=False
    ).returncode


def main(arguments: list[str]) -> int:
    """Run every check, the tests last, and return 0 only when all passed."""
    programs = prepare("check")
    failed = []
    for name, words in CHECKS:
        say(f"== {name}: {' '.join(words)}")
        if run(programs, words):
            failed.append(name)
    tests = ("pytest", "-q", "-n", "2", "--dist", "worksteal", *arguments)
    say(f"== tests: {' '.join(tests)}")
    code = run(programs, tests)
    if failed:
        say(f"failed before the tests: {', '.join(failed)}")
    return code or bool(failed)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
