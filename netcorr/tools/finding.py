"""One thing that was looked at, how it stands, and what to do about it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Literal, get_args

#: `caution`: works, but one should know. `fault`: has to be put right.
State = Literal["good", "caution", "fault"]


@dataclass(frozen=True)
class Finding:
    """One thing that was looked at.

    Attributes
    ----------
    topic : str
        What.
    state : {'good', 'caution', 'fault'}
        How it stands.
    found : str
        What was found.
    remedy : str
        What to do; empty only when all is good.

    Raises
    ------
    ValueError
        If the state is unknown, or something is wrong and nothing is said to do about it.
    """

    topic: str
    state: State
    found: str
    remedy: str = ""

    def __post_init__(self) -> None:
        if self.state not in get_args(State):
            raise ValueError(f"{self.topic}: state {self.state}; use one of {', '.join(get_args(State))}")
        if (self.state == "good") != (not self.remedy):
            raise ValueError(f"{self.topic}: a remedy belongs to what is not good, and only to that")

    def as_dict(self) -> dict[str, str]:
        """Give it for machines."""
        return asdict(self)
