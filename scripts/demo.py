"""See netcorr find leaks on the sample town. Needs nothing but Python 3.11 or later.

Runs the real command line on the three surveys of ``sample_network``, writes into ``demo_output`` and
compares what was found with the known answers.
"""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

from environment import ROOT, prepare, say

SAMPLE = Path("sample_network")
OUTPUT = Path("demo_output")
SURVEYS = {
    "survey_iron": "Two loggers on an iron main, at night",
    "survey_mixed": "Two loggers with several materials between them",
    "survey_quiet": "Two loggers and no leak",
}
#: Common practice calls a hit within 3 feet a good one.
GOOD_HIT_M = 0.9


def arguments(survey: str) -> list[str]:
    """Words of the command that locates the leak of one survey."""
    result = OUTPUT / survey
    return [
        *("locate", str(SAMPLE / "town.gpkg"), str(SAMPLE / survey / "deployments.csv")),
        *("-o", f"{result}.gpkg", "--wgs84", f"{result}_wgs84.gpkg", "--map-picture", f"{result}.png"),
    ]


def report_arguments(survey: str) -> list[str]:
    """Words of the command that writes the report of one survey."""
    result = OUTPUT / survey
    return ["report", f"{result}.gpkg", "-o", f"{result}.html"]


def read_layer(path: Path, layer: str) -> list[dict[str, Any]]:
    """Rows of a GeoPackage layer; it is a SQLite file, so Python alone can read it."""
    with closing(sqlite3.connect(path)) as database:
        database.row_factory = sqlite3.Row
        return [dict(row) for row in database.execute(f'SELECT * FROM "{layer}"')]


def compare(answer: dict[str, Any], candidates: list[dict[str, Any]]) -> tuple[bool, str]:
    """Compare what was found with the known answer.

    Parameters
    ----------
    answer : dict
        Known answer: `leak` is None or holds `sensor_a`, `sensor_b` and `from_a_m`.
    candidates : list of dict
        Rows of the layer leak_candidates.

    Returns
    -------
    (bool, str)
        Whether they agree, and one sentence.
    """
    between = sorted((row for row in candidates if row["in_bracket"]), key=lambda row: int(row["rank"]))
    likely = [row for row in between if row["probability"] > 0.5]
    leak = answer["leak"]
    if leak is None:
        if likely:
            return False, "there is no leak, and netcorr reported one: a false alarm"
        return True, "there is no leak, and netcorr reported none"
    if not likely:
        return False, "there is a leak, and netcorr did not find it"
    best = likely[0]
    turned = best["sensor_a"] == leak["sensor_b"]
    found_m = best["from_b_m" if turned else "from_a_m"]
    known_from_a_m = best["from_a_m"] + best["from_b_m"] - leak["from_a_m"] if turned else leak["from_a_m"]
    within = best["low_m"] <= known_from_a_m <= best["high_m"]
    off_m = abs(found_m - leak["from_a_m"])
    text = (
        f"the leak is {leak['from_a_m']:.1f} m from {leak['sensor_a']} along the main; netcorr says "
        f"{found_m:.1f} m, {off_m:.2f} m off, and its 95 % stretch {'holds' if within else 'misses'} it"
    )
    return within or off_m <= GOOD_HIT_M, text


def main() -> int:
    """Run the demonstration and return 0 when every answer agrees with what is known."""
    programs = prepare("run")
    (ROOT / OUTPUT).mkdir(exist_ok=True)
    answers = json.loads((ROOT / SAMPLE / "answers.json").read_text(encoding="utf-8"))
    verdicts = []
    for survey, title in SURVEYS.items():
        words = arguments(survey)
        say(f"\n=== {title} ===\n\n$ netcorr {' '.join(words)}\n")
        code = subprocess.run([programs / "netcorr", *words], cwd=ROOT, check=False).returncode
        if code:
            say(f"\nnetcorr ended with exit code {code}; the message above says why.")
            return code
        words = report_arguments(survey)
        say(f"\n$ netcorr {' '.join(words)}\n")
        code = subprocess.run([programs / "netcorr", *words, "--quiet"], cwd=ROOT, check=False).returncode
        if code:
            say(f"\nnetcorr ended with exit code {code}; the message above says why.")
            return code
        agrees, text = compare(
            answers[survey], read_layer(ROOT / OUTPUT / f"{survey}.gpkg", "leak_candidates")
        )
        verdicts.append((survey, agrees, text))
    say("\n=== Found, and known ===\n")
    for survey, agrees, text in verdicts:
        say(f"{survey}: {text}{'' if agrees else '  <-- differs'}")
    say(
        f"\nThe results are in {OUTPUT}/: open the .gpkg files in a GIS over {SAMPLE}/town.gpkg, the _wgs84 "
        "copies on a phone map, or look at the .png pictures and the .html reports.\n"
        "The town, its leaks and the recordings are invented; the computation is real."
    )
    return 0 if all(agrees for _, agrees, _ in verdicts) else 1


if __name__ == "__main__":
    sys.exit(main())
