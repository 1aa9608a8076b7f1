"""The virtual environment that the scripts run in: made once from tested versions, by Python alone."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / ".venv"
LOCKS = {
    "run": ("requirements.lock",),
    "check": ("requirements.lock", "requirements-check.lock"),
}
OLDEST = (3, 11)


def prepare(purpose: str, *, root: Path = ROOT) -> Path:
    """Make or reuse the virtual environment and return the folder with its programs.

    Parameters
    ----------
    purpose : {'run', 'check'}
        To run netcorr, or to check it as well.
    root : pathlib.Path
        The checkout.

    Returns
    -------
    pathlib.Path
        Folder of the environment's programs.

    Raises
    ------
    SystemExit
        If it cannot be made; the message says what to do.
    """
    require_python(sys.version_info[:2])
    folder = root / FOLDER.name
    programs = folder / ("Scripts" if os.name == "nt" else "bin")
    python = programs / ("python.exe" if os.name == "nt" else "python")
    locks = [root / "scripts" / name for name in LOCKS[purpose]]
    stamp, wanted = folder / f"netcorr-{purpose}.stamp", stamp_text(locks, root=root)
    if python.exists() and stamp.exists() and stamp.read_text(encoding="utf-8") == wanted:
        return programs
    if not python.exists():
        say(f"Making a virtual environment in {FOLDER.name}")
        _make(folder)
    say("Installing the tested versions of what netcorr needs (a few minutes, only the first time)")
    _pip(python, ["--no-deps", *(word for lock in locks for word in ("--requirement", str(lock)))])
    _pip(python, ["--no-deps", "--no-build-isolation", "--editable", str(root)])
    stamp.write_text(wanted, encoding="utf-8")
    return programs


def require_python(version: tuple[int, int]) -> None:
    """Stop here when Python is too old.

    Raises
    ------
    SystemExit
        If it is older than netcorr can use.
    """
    if version < OLDEST:
        needed, found = (".".join(map(str, numbers)) for numbers in (OLDEST, version))
        raise SystemExit(
            f"netcorr needs Python {needed} or later, and this is Python {found} ({sys.executable}). "
            f"Run the script with a newer one, for example: python{needed} {sys.argv[0]}"
        )


def stamp_text(locks: list[Path], *, root: Path) -> str:
    """Return what an environment must have been made from to be used again: locks, project file, place."""
    digest = hashlib.sha256()
    for path in [*locks, root / "pyproject.toml"]:
        digest.update(path.read_bytes())
    return f"{digest.hexdigest()} {root}\n"


def say(text: str) -> None:
    """Print one line at once, also when the output goes to a file."""
    print(text, flush=True)


def _make(folder: Path) -> None:
    try:
        venv.create(folder, with_pip=True, clear=folder.exists())
    except (subprocess.CalledProcessError, OSError) as error:
        raise SystemExit(
            f"The virtual environment {folder.name} could not be made: {error}\n"
            "Some systems keep this part of Python in a package of its own: on Debian and Ubuntu it is "
            "python3-venv. Install it, check that the folder can be written to, and start again."
        ) from error


def _pip(python: Path, arguments: list[str]) -> None:
    command = [str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check", *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        last = "\n".join(f"  {line}" for line in (done.stderr or done.stdout).strip().splitlines()[-6:])
        raise SystemExit(
            f"pip could not install what netcorr needs. Its last words:\n{last}\n"
            "The first start needs the internet, or a package index that pip is configured for; later "
            "starts do not. Check the connection and start again: what is there already is kept."
        )
