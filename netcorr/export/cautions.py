"""What every output says that can send someone to a place.

The precautions are common practice of the trade; they are no substitute for local rules.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from netcorr.position.fix import Candidate

#: One sentence each, for terminal, tables and sheets alike.
CAUTIONS = (
    "Before anyone digs, have every other utility located and marked on the ground.",
    "Work in a road needs traffic control; a chamber is a confined space.",
    "The main is under pressure and the ground around a leak may be washed out.",
    "A licensed crew and the local rules decide whether and how to dig; this is only a computed position.",
)

_BEYOND = "DO NOT DIG HERE: the noise comes from at or beyond this sensor, not from between the two."


def caution_for(candidate: Candidate) -> str:
    """Caution that goes with one candidate.

    Parameters
    ----------
    candidate : Candidate
        Where a leak may be.

    Returns
    -------
    str
        Sentences; the first forbids digging at the point when the leak is not between the sensors.
    """
    start = () if candidate.in_bracket else (_BEYOND,)
    return " ".join((*start, *CAUTIONS))
