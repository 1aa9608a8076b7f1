"""Write the lock files: the versions installed in this environment of everything that netcorr needs.

Run it by the environment's own Python after the tests have passed with newer versions.
"""

from __future__ import annotations

import re
import tomllib
from importlib.metadata import PackageNotFoundError, requires, version
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parent.parent

#: Installed without what they ask for: gdal-utils wants a GDAL of the system, which its checker does not.
ALONE = ("gdal-utils",)
#: Needed on other systems than the one that the lock is written on.
ELSEWHERE = ("colorama==0.4.6 ; sys_platform == 'win32'",)


def closure(roots: list[str]) -> dict[str, str]:
    """Requirement line by name, for `roots` and all that they need.

    Parameters
    ----------
    roots : list of str
        Requirements as a project file states them.

    Returns
    -------
    dict
        Pinned line by normal name.
    """
    lines: dict[str, str] = {}
    waiting = [Requirement(text) for text in roots]
    while waiting:
        wanted = waiting.pop()
        name = re.sub(r"[-_.]+", "-", wanted.name).lower()
        if name in lines:
            continue
        try:
            lines[name] = f"{name}=={version(name)}" + (f" ; {wanted.marker}" if wanted.marker else "")
        except PackageNotFoundError:
            if wanted.marker is None or wanted.marker.evaluate():
                raise
            continue
        if name not in ALONE:
            waiting += [need for text in requires(name) or () if _applies(need := Requirement(text))]
    return lines


def _applies(need: Requirement) -> bool:
    """Whether a dependency is needed here; its marker is dropped, since pins are for every Python."""
    here = need.marker is None or need.marker.evaluate({"extra": ""})
    need.marker = None
    return here


def main() -> None:
    """Write both lock files."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    build = [*project["build-system"]["requires"], "editables"]
    run = closure([*project["project"]["dependencies"], *build])
    check = closure([*project["project"]["optional-dependencies"]["dev"], *ALONE])
    _write("requirements.lock", "What netcorr needs to run", [*run.values(), *ELSEWHERE])
    extra = [line for name, line in check.items() if name not in run]
    _write("requirements-check.lock", "What scripts/test.py needs beside requirements.lock", extra)


def _write(name: str, title: str, lines: list[str]) -> None:
    head = f"# {title}: tested versions, written by scripts/lock.py. Install with --no-deps.\n"
    (ROOT / "scripts" / name).write_text(head + "\n".join(sorted(lines)) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
