"""Whether results can be written, time zones are known, and the sample leak is found, in time."""

from __future__ import annotations

import json
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from netcorr.errors import CancelledError, ExportError, NetcorrError
from netcorr.feedback import Feedback, NoFeedback, Unsaid
from netcorr.tools.finding import Finding, State

#: Room below which a result may not fit, and below which a batch may not. [byte]
_LEAST_ROOM, _FAIR_ROOM = 20_000_000, 500_000_000
#: Common practice calls a hit within 3 feet a good one. [m]
GOOD_HIT_M = 0.9
#: The self test takes no longer on a machine that is fit for the work. [s]
FAIR_TIME_S = 5.0
_SURVEY = "survey_iron"
_MB = 1e6


def sample_folder() -> Path | None:
    """Folder of the sample town: in the installed package, or beside it in a checkout.

    Returns
    -------
    pathlib.Path or None
        None when it is in neither.
    """
    package = Path(__file__).resolve().parent.parent
    places = (package / "sample_network", package.parent / "sample_network")
    return next((place for place in places if (place / "town.gpkg").is_file()), None)


def examine_folder(folder: Path) -> Iterator[Finding]:
    """Look whether results can be written into a folder as netcorr writes them.

    Parameters
    ----------
    folder : pathlib.Path
        Where results shall go.

    Yields
    ------
    Finding
        Of writing, and of the room that is left.
    """
    topic, where = "writing", folder.resolve()
    try:
        _write_and_replace(folder)
    except ExportError as error:
        yield Finding(
            topic,
            "fault",
            f"into {where}: {error.found}",
            f"{error.remedy}; or let results go to another folder",
        )
        return
    except OSError as error:
        remedy = "check the rights of the folder, or let results go to another"
        yield Finding(topic, "fault", f"into {where}: not possible ({error.strerror or error})", remedy)
        return
    yield Finding(topic, "good", f"into {where}: files can be written and replaced")
    room = shutil.disk_usage(folder).free
    if room >= _FAIR_ROOM:
        yield Finding("room", "good", f"{room / 1e9:.1f} GB are free")
    else:
        state: State = "fault" if room < _LEAST_ROOM else "caution"
        yield Finding("room", state, f"only {room / _MB:.0f} MB are free", "make room, or use another disk")


def _write_and_replace(folder: Path) -> None:
    """Do what every writer does: a draft beside the place, a database in it, then the move, twice."""
    from netcorr.export.safe_file import replacing

    with tempfile.TemporaryDirectory(prefix=".netcorr-", dir=folder) as place:
        target = Path(place, "probe.gpkg")
        for _ in range(2):
            with replacing(target) as draft, closing(sqlite3.connect(draft)) as database, database:
                database.execute("CREATE TABLE t (a)")


def examine_time_zones() -> Finding:
    """Look whether names of time zones are known.

    Returns
    -------
    Finding
        On Windows the names come from a package.
    """
    try:
        ZoneInfo("Europe/Lisbon")
    except (ZoneInfoNotFoundError, OSError):
        remedy = "pip install tzdata, or write start times with their offset, such as +01:00"
        return Finding("time zones", "caution", "names such as Europe/Lisbon are not known here", remedy)
    return Finding("time zones", "good", "names such as Europe/Lisbon are known")


def self_test(feedback: Feedback | None = None, *, sample: Path | None = None) -> Finding:
    """Locate the leak of the sample survey and compare with its known place.

    Parameters
    ----------
    feedback : Feedback, optional
        Progress.
    sample : pathlib.Path, optional
        Folder of the sample; where netcorr has it unless given.

    Returns
    -------
    Finding
        Good when the answer is within 0.9 m and came within 5 s.
    """
    sample = sample or sample_folder()
    if sample is None:
        remedy = "install netcorr anew from its wheel, which brings the sample"
        return Finding("self test", "fault", "the sample town is not there", remedy)
    started_s = time.monotonic()
    try:
        off_m = _locate_sample(sample, feedback or NoFeedback())
    except CancelledError:
        raise
    except (NetcorrError, OSError) as error:
        remedy = "put right what stands above; when nothing does, run it with --debug and report it"
        return Finding("self test", "fault", f"the sample survey could not be located: {error}", remedy)
    took_s = time.monotonic() - started_s
    if off_m is None or off_m > GOOD_HIT_M:
        said = "the leak was not found" if off_m is None else f"the answer is {off_m:.2f} m off"
        remedy = (
            "do not trust results of this installation: install netcorr anew, and report it if that stays"
        )
        return Finding("self test", "fault", f"sample survey: {said}", remedy)
    said = f"leak of the sample survey found, {off_m:.2f} m off, in {took_s:.1f} s"
    if took_s > FAIR_TIME_S:
        remedy = f"results are right; {FAIR_TIME_S:g} s are usual, so the machine is slow or busy"
        return Finding("self test", "caution", said, remedy)
    return Finding("self test", "good", said)


def _locate_sample(sample: Path, feedback: Feedback) -> float | None:
    """Distance of the best candidate from the known leak along the main; None when none was found. [m]"""
    import pyogrio

    from netcorr.tools.locate import TOOL

    known: dict[str, Any] = json.loads((sample / "answers.json").read_text(encoding="utf-8"))
    leak = known[_SURVEY]["leak"]
    with tempfile.TemporaryDirectory(prefix="netcorr-") as folder:
        output = Path(folder, "result.gpkg")
        values = {
            "network": sample / "town.gpkg",
            "deployments": sample / _SURVEY / "deployments.csv",
            "output": output,
        }
        TOOL.run(values, feedback=Unsaid(feedback))
        rows = pyogrio.read_dataframe(output, layer="leak_candidates")
    best = rows[rows["in_bracket"].astype(bool)].sort_values("rank").head(1)
    if best.empty:
        return None
    row = best.iloc[0]
    turned = row["sensor_a"] == leak["sensor_b"]
    return abs(float(row["from_b_m" if turned else "from_a_m"]) - float(leak["from_a_m"]))
