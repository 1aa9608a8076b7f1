"""Whether this installation is fit: libraries, settings of other products, write access, a self test."""

from __future__ import annotations

import platform
import sys
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from netcorr import __version__
from netcorr.feedback import Feedback, NoFeedback, PartOf, check_cancelled
from netcorr.tools.declare import Tool
from netcorr.tools.finding import Finding
from netcorr.tools.parameter import Parameter
from netcorr.units import format_count

_MARKS = {"good": "good", "caution": "MIND", "fault": "FAULT"}
#: Longest line of the text, and the column in which findings stand.
_WIDTH, _WIDTH_OF_TOPIC = 100, 17


@dataclass(frozen=True)
class DoctorResult:
    """What was looked at.

    Attributes
    ----------
    findings : tuple of Finding
        In the order in which they were made.
    parts : mapping
        What each library said of itself.
    drivers, settings : mapping of str to str
        Drivers of GDAL ('r' or 'rw'); variables of other products that are set.
    """

    findings: tuple[Finding, ...]
    parts: Mapping[str, Mapping[str, Any]]
    drivers: Mapping[str, str]
    settings: Mapping[str, str]
    files: tuple[Path, ...] = ()

    @property
    def faults(self) -> tuple[Finding, ...]:
        """What has to be put right."""
        return tuple(one for one in self.findings if one.state == "fault")

    @property
    def exit_code(self) -> int:
        """4 when something has to be put right, else 0."""
        return 4 if self.faults else 0

    @property
    def verdict(self) -> str:
        """What to put right first; empty when nothing has to be."""
        if not self.faults:
            return ""
        first = self.faults[0]
        count = f"{format_count(len(self.faults), 'thing')} to put right"
        return f"{count}; first {first.topic}: {first.found}; {first.remedy}"

    def text(self) -> str:
        """Give the findings in words, what is wrong with its remedy below it."""
        from netcorr.export.plain_text import plain_text

        lines = [_machine(), ""]
        for one in self.findings:
            start = f"{_MARKS[one.state]:<6}{plain_text(one.topic):<{_WIDTH_OF_TOPIC}}"
            lines += _wrapped(start, plain_text(one.found))
            if one.remedy:
                lines += _wrapped(" " * (len(start) - 3) + "-> ", plain_text(one.remedy))
        return "\n".join([*lines, "", self._conclusion()])

    def _conclusion(self) -> str:
        cautions = sum(one.state == "caution" for one in self.findings)
        if self.faults:
            return f"Not fit yet: {len(self.faults)} to put right, marked FAULT."
        mind = f" {cautions} to know of, marked MIND." if cautions else ""
        return f"Fit for work.{mind}"

    def as_dict(self) -> dict[str, Any]:
        """Give the same for machines."""
        return {
            "fit": not self.faults,
            "netcorr": __version__,
            "python": platform.python_version(),
            "program": sys.executable,
            "machine": platform.platform(),
            "findings": [one.as_dict() for one in self.findings],
            "parts": {
                name: {key: value for key, value in part.items() if key != "drivers"}
                for name, part in self.parts.items()
            },
            "drivers": dict(self.drivers),
            "settings": dict(self.settings),
            "files": [],
        }


def _wrapped(start: str, text: str) -> list[str]:
    """Lines of a text after its start, the later ones below the first."""
    return textwrap.wrap(
        start + text, _WIDTH, subsequent_indent=" " * (6 + _WIDTH_OF_TOPIC), break_on_hyphens=False
    )


def _machine() -> str:
    python = f"Python {platform.python_version()} ({sys.executable})"
    return f"netcorr {__version__} on {platform.platform()}\n{python}"


def doctor(*, folder: Path | None = None, feedback: Feedback | None = None) -> DoctorResult:
    """Look at everything that a survey will need.

    Parameters
    ----------
    folder : pathlib.Path, optional
        Where results shall go; the current folder unless given.
    feedback : Feedback, optional
        Progress.

    Returns
    -------
    DoctorResult
        What was found, and what to do.

    Raises
    ------
    CancelledError
        If `feedback` says so.
    """
    from netcorr.tools.doctor_libraries import examine_libraries
    from netcorr.tools.doctor_machine import examine_folder, examine_time_zones, self_test

    feedback = feedback or NoFeedback()
    feedback.progress(0.0, "libraries")
    libraries = examine_libraries()
    check_cancelled(feedback)
    feedback.progress(0.4, "folder")
    machine = [*examine_folder(folder or Path()), examine_time_zones()]
    tested = self_test(PartOf(feedback, start=0.5, stop=1.0))
    feedback.progress(1.0, "done")
    return DoctorResult(
        (*libraries.findings, *machine, tested), libraries.parts, libraries.drivers, libraries.settings
    )


TOOL = Tool(
    id="doctor",
    title="Examine the installation",
    purpose="Examine this installation, say what is not fit and what to do, and locate a sample leak.",
    description=(
        "Tries the libraries that netcorr needs in a process of their own, and when one fails tries again "
        "without the settings of other products (PROJ_DATA, GDAL_DATA and the like), so that the one that "
        "gets in the way is named. Looks whether results can be written, and locates the leak of the sample "
        "town, whose place is known. Ends with exit code 4 when something has to be put right."
    ),
    function=doctor,
    parameters=(
        Parameter(
            "folder",
            "folder_in",
            "Folder for results",
            "Folder into which results shall be written; the current one unless given.",
            ("--folder",),
        ),
    ),
    examples=(
        ("Before the first survey, and when something is strange:", ""),
        ("For a program, or to send to whoever helps:", "--json"),
    ),
)
