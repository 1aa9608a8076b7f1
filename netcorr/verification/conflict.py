"""What does not fit in a file that came back from the field."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Conflict:
    """One thing that does not fit; the result keeps its own value.

    Attributes
    ----------
    kind : str
        In a few words, the same for all of a kind.
    candidate_id : str
        Candidate that it is about; empty where there is none.
    row : str
        Where it stands in the file, for messages.
    text : str
        What was found, and what was done about it.
    """

    kind: str
    candidate_id: str
    row: str
    text: str


UNKNOWN_ID = "unknown candidate"
NO_ID = "no candidate id"
UNREADABLE = "value that cannot be"
LOCKED = "locked column changed"
MOVED = "point moved, nothing found"
DOUBTFUL_PLACE = "doubtful place"
CREWS = "crews disagree"
