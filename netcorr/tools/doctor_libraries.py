"""Whether the libraries do what netcorr needs, and if not, whether settings of another product are why."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, requires, version
from pathlib import Path
from typing import Any

from netcorr.tools.finding import Finding, State

#: Variables by which other products point libraries at their own files, and what each is.
SETTINGS = {
    "PROJ_DATA": "data of PROJ",
    "PROJ_LIB": "data of PROJ",
    "GDAL_DATA": "data of GDAL",
    "GDAL_DRIVER_PATH": "drivers",
    "GDAL_CONFIG_FILE": "settings of GDAL",
    "GDAL_SKIP": "drivers that GDAL leaves out",
    "OGR_SKIP": "drivers that GDAL leaves out",
    "LD_LIBRARY_PATH": "shared libraries",
    "LD_PRELOAD": "shared libraries",
    "DYLD_LIBRARY_PATH": "shared libraries",
}
#: A file that must be in the folder that a variable names.
_MUST_HOLD = {"PROJ_DATA": "proj.db", "PROJ_LIB": "proj.db", "GDAL_DATA": "gdalvrt.xsd"}
#: Drivers without which netcorr cannot work, and those that some users will miss.
NEEDED = {"GPKG": "rw", "GeoJSON": "rw", "CSV": "r", "ESRI Shapefile": "r"}
USEFUL = {"FlatGeobuf": "r", "OpenFileGDB": "r", "GPX": "rw"}
#: Drivers that wheels of GDAL leave out.
SELDOM = {"Parquet": "GeoParquet"}
#: Parts of the probe that netcorr can do without.
_SPARE = {"fiona": "maps are then read by pyogrio alone"}
_WHAT = {
    "pyproj": "coordinates",
    "pyogrio": "layers",
    "fiona": "layers in a stream",
    "soundfile": "recordings",
    "sqlite": "index of a GeoPackage",
}
_ANEW = "install netcorr anew in a fresh environment: python -m venv fresh, then pip install in it"
#: Libraries inside of libraries.
_INNER = {"proj": "PROJ", "gdal": "GDAL", "sndfile": "libsndfile"}
#: What failed when there is no answer at all.
_PROCESS = "the process"
#: The probe takes a second or two, on a busy machine much longer; a library that hangs is at fault.
_PATIENCE_S = 180.0


@dataclass(frozen=True)
class LibraryReport:
    """What was found of the libraries.

    Attributes
    ----------
    findings : tuple of Finding
        In words.
    parts : mapping
        What each part said of itself.
    drivers : mapping of str to str
        Drivers of GDAL: 'r' or 'rw'.
    settings : mapping of str to str
        Variables that are set.
    """

    findings: tuple[Finding, ...]
    parts: Mapping[str, Mapping[str, Any]]
    drivers: Mapping[str, str]
    settings: Mapping[str, str]


def examine_libraries(environment: Mapping[str, str] | None = None) -> LibraryReport:
    """Try every library in a process of its own; when one fails, try again without other products' settings.

    Parameters
    ----------
    environment : mapping of str to str, optional
        Variables; those of this process unless given.

    Returns
    -------
    LibraryReport
        What was found.
    """
    given = dict(os.environ if environment is None else environment)
    settings = {name: given[name] for name in SETTINGS if given.get(name)}
    parts = run_probe(given)
    failing = {name for name in _failing(parts) if not parts[name].get("missing")}
    guilty = _guilty(given, settings, failing) if failing and settings else {}
    broken = {name for name, part in parts.items() if "error" in part}
    drivers = parts.get("pyogrio", {}).get("drivers", {})
    findings = [
        *_setting_findings(settings, guilty, broken),
        *(_part_finding(name, part, guilty) for name, part in parts.items()),
        *_driver_findings(drivers),
        *_version_findings(),
    ]
    return LibraryReport(tuple(findings), parts, drivers, settings)


def run_probe(environment: Mapping[str, str]) -> dict[str, dict[str, Any]]:
    """Run `doctor_probe` in an environment.

    Parameters
    ----------
    environment : mapping of str to str
        Variables for the process.

    Returns
    -------
    dict
        By part; one part `_PROCESS` with an error when there is no answer at all.
    """
    package = str(Path(__file__).resolve().parent.parent.parent)
    path = os.pathsep.join(part for part in (package, environment.get("PYTHONPATH", "")) if part)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "netcorr.tools.doctor_probe"],
            env={**environment, "PYTHONPATH": path, "PYTHONUTF8": "1"},
            capture_output=True,
            encoding="utf-8",
            errors="replace",
            timeout=_PATIENCE_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return {_PROCESS: {"error": f"no answer within {_PATIENCE_S:g} s", "missing": False}}
    try:
        answer: dict[str, dict[str, Any]] = json.loads(done.stdout.strip().splitlines()[-1])
    except (ValueError, IndexError):
        last = (done.stderr.strip().splitlines() or ["without a word"])[-1]
        return {_PROCESS: {"error": f"ended with code {done.returncode}: {last}", "missing": False}}
    return answer


def _guilty(
    given: Mapping[str, str], settings: Mapping[str, str], failing: set[str]
) -> dict[str, tuple[str, ...]]:
    """Variables that alone make something fail which works without any of them, and what they break."""
    bare = {name: value for name, value in given.items() if name not in settings}
    alone_fails = _failing(run_probe(bare))
    cured = failing - alone_fails
    if not cured:
        return {}
    if len(settings) == 1:
        return dict.fromkeys(settings, tuple(sorted(cured)))
    blamed = {
        name: tuple(sorted(_failing(run_probe({**bare, name: value})) & cured))
        for name, value in settings.items()
    }
    found = {name: broken for name, broken in blamed.items() if broken}
    return found or dict.fromkeys(settings, tuple(sorted(cured)))  # only together do they harm


def _failing(parts: Mapping[str, Mapping[str, Any]]) -> set[str]:
    """Parts that do not work, or not as they should."""
    return {name for name, part in parts.items() if "error" in part or "doubt" in part}


def _setting_findings(
    settings: Mapping[str, str], guilty: Mapping[str, tuple[str, ...]], broken: set[str]
) -> Iterator[Finding]:
    if not settings:
        yield Finding("settings", "good", "no variable points PROJ or GDAL at files of another product")
    for name, value in settings.items():
        remedy = f"take it away where netcorr is started: unset {name}, on Windows set {name}="
        said = f"{name} ({SETTINGS[name]}) = {value}"
        if name in guilty:
            state: State = "fault" if broken & set(guilty[name]) else "caution"
            yield Finding("settings", state, f"{said}: it misleads {' and '.join(guilty[name])}", remedy)
        elif fault := _folder_fault(name, value):
            yield Finding("settings", "caution", f"{said}: {fault}", remedy)
        elif Path(value.split(os.pathsep)[0]).is_relative_to(sys.prefix):
            yield Finding("settings", "good", f"{said}, of this Python's own environment")
        else:
            harm = "" if _PROCESS in broken else "; no harm was seen"
            yield Finding("settings", "caution", f"{said} was set by another product{harm}", remedy)


def _folder_fault(name: str, value: str) -> str:
    """What is wrong with the folder that a variable names; empty when nothing is, or it names none."""
    needed = _MUST_HOLD.get(name)
    if needed is None:
        return ""
    folders = [Path(part) for part in value.split(os.pathsep) if part]
    if not any(folder.is_dir() for folder in folders):
        return "there is no such folder"
    if not any((folder / needed).is_file() for folder in folders):
        return f"there is no {needed} in it"
    return ""


def _part_finding(name: str, part: Mapping[str, Any], guilty: Mapping[str, tuple[str, ...]]) -> Finding:
    what = f"{_WHAT[name]}: " if name in _WHAT else ""
    variables = [variable for variable, misled in guilty.items() if name in misled]
    away = f"take {' and '.join(variables)} away, see above" if variables else ""
    if "error" not in part:
        inner = "".join(f" with {title} {part[key]}" for key, title in _INNER.items() if part.get(key))
        if "doubt" in part:
            told = f"{what}{part['version']}{inner} reads, but {part['doubt']}"
            return Finding(name, "caution", f"{told}; netcorr finds it by other means", away or _ANEW)
        return Finding(name, "good", f"{what}{part['version']}{inner} works")
    if part["missing"] and name in _SPARE:
        return Finding(name, "caution", f"{what}not installed", f"nothing need be done: {_SPARE[name]}")
    return Finding(name, "fault", f"{what}{str(part['error'])[:300]}", away or _ANEW)


def _driver_findings(drivers: Mapping[str, str]) -> Iterator[Finding]:
    if not drivers:
        return
    lacking = [name for name, how in NEEDED.items() if not set(how) <= set(drivers.get(name, ""))]
    missed = [name for name, how in USEFUL.items() if not set(how) <= set(drivers.get(name, ""))]
    if lacking:
        yield Finding(
            "drivers",
            "fault",
            f"no {', '.join(lacking)} among its {len(drivers)}",
            "look at GDAL_SKIP and OGR_SKIP, or install pyogrio anew: its wheel brings them",
        )
    else:
        without = [title for name, title in SELDOM.items() if name not in drivers]
        rest = f"; {', '.join(without)} is not read here" if without else ""
        yield Finding("drivers", "good", f"{len(drivers)}, with {', '.join(NEEDED)}{rest}")
    if missed:
        yield Finding(
            "drivers",
            "caution",
            f"no {', '.join(missed)}",
            "maps in these formats cannot be read here: save them as GeoPackage first",
        )


def _version_findings() -> Iterator[Finding]:
    """Whether the installed versions are those that netcorr asks for."""
    from packaging.requirements import Requirement

    try:
        wanted = [Requirement(text) for text in requires("netcorr") or ()]
    except PackageNotFoundError:
        yield Finding(
            "versions",
            "caution",
            "netcorr runs from a folder and is not installed, so what it asks for is not known",
            "install it: pip install, then its folder",
        )
        return
    wrong, count = [], 0
    for need in wanted:
        if need.marker is not None and not need.marker.evaluate({"extra": ""}):
            continue
        count += 1
        try:
            have = version(need.name)
        except PackageNotFoundError:
            wrong.append(f"{need.name} is missing")
            continue
        if not need.specifier.contains(have, prereleases=True):
            wrong.append(f"{need.name} is {have}, and {need.specifier} is asked for")
    if wrong:
        yield Finding("versions", "fault", "; ".join(wrong), "pip install --upgrade netcorr")
    else:
        yield Finding("versions", "good", f"all {count} packages are as netcorr asks for")
