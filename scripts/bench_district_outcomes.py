"""What came of the surveys of `bench_district`: kinds of surveys, outcomes, and the file that keeps them."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from pathlib import Path

from bench_district_scenes import Condition
from bench_outcomes import code_fingerprint

#: A point this near to the leak, along the pipes, is right. [m]
NEAR_M = 5.0
OURS = "netcorr"
#: The same without being told that there are two leaks: what it lists of its own accord.
UNTOLD = "netcorr, not told of two"

CONDITIONS: dict[str, Condition] = {
    one.key: one
    for one in (
        Condition("iron+6", "iron", 8, 6.0),
        Condition("iron-6", "iron", 8, -6.0),
        Condition("plastic+6", "plastic", 8, 6.0),
        Condition("plastic-6", "plastic", 8, -6.0),
        Condition("planned", "iron", 0, 6.0, "planned"),
        Condition("outside", "iron", 8, 6.0, "outside"),
        Condition("two", "iron", 10, 6.0, "two"),
        Condition("branch-with", "iron", 8, 6.0, "branch with"),
        Condition("branch-without", "iron", 8, 6.0, "branch without"),
        Condition("swapped", "iron", 8, 6.0, "swapped"),
        Condition("misplaced", "iron", 8, 6.0, "misplaced"),
        Condition("clock", "iron", 8, 6.0, "clock"),
        Condition("deaf", "iron", 8, 6.0, "deaf"),
        Condition("none", "iron", 8, 6.0, "none"),
    )
}


@dataclass(frozen=True)
class Outcome:
    """What came of one survey; distances are along the pipes.

    Attributes
    ----------
    kind, seed, number
        Which survey.
    bracketed : bool
        Whether the leak lies on the shortest way between two loggers.
    error_m : dict of str to float
        By method: from its first choice to the leak; infinite where it names none. [m]
    both : dict of str to bool
        By method: whether its first two choices are the two leaks.
    probability : float
        Of the locator's best candidate; 0 without one.
    between : bool
        Whether it lies between two loggers.
    second : float
        Probability of its second candidate; 0 without one.
    in_area : bool
        Whether the leak lies in the areas of all candidates listed.
    area_m : float
        Pipe in them. [m]
    right_pipe : bool
        Whether the best candidate names the main.
    levels : tuple of float
        Probability of all that is likelier than where the leak is, metre for metre, and the same with that
        place itself: little more for a place that is told apart, all of it for a set of pipes that is not.
        Empty where the locator gives none.
    accused : list of list of str
        Loggers that it says are not as the table has them, note by note.
    at_fault : list of str
        Those that are not.
    speed_errors : dict of str to float
        By material: speed found over the true one, less 1.
    speed_sds : dict of str to float
        By material: the standard deviation stated, as a share of the speed.
    seconds : float
        That the locator took. [s]
    fault : str
        Message of an error.
    """

    kind: str
    seed: int
    number: int
    bracketed: bool = False
    error_m: dict[str, float] = field(default_factory=dict)
    both: dict[str, bool] = field(default_factory=dict)
    probability: float = 0.0
    between: bool = False
    second: float = 0.0
    in_area: bool = False
    area_m: float = 0.0
    right_pipe: bool = False
    levels: tuple[float, ...] = ()
    accused: list[list[str]] = field(default_factory=list)
    at_fault: list[str] = field(default_factory=list)
    speed_errors: dict[str, float] = field(default_factory=dict)
    speed_sds: dict[str, float] = field(default_factory=dict)
    seconds: float = 0.0
    fault: str = ""


def read_outcomes(path: Path | None) -> list[Outcome]:
    """Outcomes of earlier runs of this very code; a line that was cut off is passed over."""
    if path is None or not path.exists():
        return []
    code, found = code_fingerprint(), []
    for line in path.read_text(encoding="utf-8").splitlines():
        with contextlib.suppress(json.JSONDecodeError):
            row = json.loads(line)
            if row["code"] == code:
                found.append(Outcome(**row["outcome"] | {"levels": tuple(row["outcome"]["levels"])}))
    return found


def append_outcomes(path: Path | None, some: Iterable[Outcome]) -> None:
    """Add outcomes to the file, one a line."""
    if path is not None:
        code = code_fingerprint()
        with path.open("a", encoding="utf-8") as stream:
            stream.writelines(json.dumps({"code": code, "outcome": asdict(one)}) + "\n" for one in some)
