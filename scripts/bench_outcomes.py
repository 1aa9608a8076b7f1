"""Outcomes of surveys kept in a file as they come, so that a long run may be broken off and go on."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from bench_mixed import MixedAnswer, MixedJob

HERE = Path(__file__).parent
#: What an outcome rests on: the surveys, and all of the package but what shows results.
PACKAGE = HERE.parent / "netcorr"
CODE = (HERE / "bench_mixed.py", *sorted(PACKAGE.glob("*/**/*.py")))
#: Folders of the package that no outcome passes through.
_SHOWS = {"export", "tools", "gis_plugin", "planning", "verification"}


class Outcomes:
    """Answers by job, and the file that they are kept in, one JSON object a line.

    Parameters
    ----------
    file : Path or None
        Read if it is there, then added to; None keeps nothing.

    Attributes
    ----------
    answers : dict of MixedJob to MixedAnswer
        Of this very code; lines of other code are passed over.
    """

    def __init__(self, file: Path | None) -> None:
        self.file = file
        self.code = code_fingerprint()
        self.answers: dict[MixedJob, MixedAnswer] = {}
        if file is None or not file.exists():
            return
        for line in file.read_text(encoding="utf-8").splitlines():
            row = _row(line)
            if row.get("code") == self.code:
                answer = _answer(row["answer"])
                self.answers[answer.job] = answer

    def add(self, answer: MixedAnswer) -> None:
        """Take one more, and write it at once."""
        self.answers[answer.job] = answer
        if self.file is not None:
            with self.file.open("a", encoding="utf-8") as stream:
                stream.write(json.dumps({"code": self.code, "answer": asdict(answer)}) + "\n")


def code_fingerprint() -> str:
    """A word that changes when the code changes that outcomes rest on."""
    total = hashlib.sha256()
    for path in CODE:
        if path.parent == HERE or path.relative_to(PACKAGE).parts[0] not in _SHOWS:
            total.update(path.read_bytes())
    return total.hexdigest()[:16]


def _row(line: str) -> dict[str, Any]:
    """One line, or nothing of one that was cut off while it was written."""
    try:
        row: dict[str, Any] = json.loads(line)
    except json.JSONDecodeError:
        return {}
    return row


def _answer(row: dict[str, Any]) -> MixedAnswer:
    job, levels, candidates = row["job"], row["levels"], row["candidates"]
    return MixedAnswer(
        **row
        | {
            "job": MixedJob(**job),
            "levels": tuple(levels),
            "candidates": tuple(tuple(one) for one in candidates),
        }
    )
