"""Colours and line styles of the pictures: few, quiet, and told apart also by lightness and dashes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from netcorr.export.colours import FRAME, INK, LEAK, PAPER, PATH, QUIET, SENSOR

__all__ = [
    "CLOSED",
    "FRAME",
    "INK",
    "LEAK",
    "LOOKS",
    "PAPER",
    "PATH",
    "QUIET",
    "ROUNDS",
    "SENSOR",
    "PipeLook",
    "look_of",
    "width_of",
]

ROUNDS = ("#12355b", "#b5651d", "#5b7f5a", "#7d5a86")  # one for each round, repeated when there are more


@dataclass(frozen=True)
class PipeLook:
    """How mains of a group of materials are drawn."""

    label: str
    colour: str
    dashes: Any = "-"


#: Groups of the vocabulary's materials; the wave behaves alike within a group.
LOOKS = {
    "iron": PipeLook("iron", "#46586b"),
    "steel": PipeLook("steel", "#8fa3b5"),
    "cement": PipeLook("asbestos cement, concrete", "#a98d6b", (0, (7, 1.5))),
    "plastic": PipeLook("plastic", "#3f8f86", (0, (4, 1.6))),
    "other": PipeLook("other material", "#8a7f8d", (0, (5, 1.5, 1.2, 1.5))),
    "unknown": PipeLook("material unknown", "#a3a9ae", (0, (1.2, 1.4))),
}

#: Says that closed mains, or mains out of service, occur: they are drawn pale.
CLOSED = "closed"

_GROUPS = {
    "grey_iron": "iron",
    "ductile_iron": "iron",
    "steel": "steel",
    "asbestos_cement": "cement",
    "concrete": "cement",
    "pvc": "plastic",
    "pvc_o": "plastic",
    "pe": "plastic",
    "pe80": "plastic",
    "pe100": "plastic",
    "grp": "plastic",
}


def look_of(material: str | None) -> str:
    """Key of `LOOKS` for a material of the vocabulary.

    Examples
    --------
    >>> look_of("pe100"), look_of("copper"), look_of(None)
    ('plastic', 'other', 'unknown')
    """
    return _GROUPS.get(material, "other") if material else "unknown"


def width_of(diameter_mm: float) -> float:
    """Line width for a main: thicker for larger ones. [points]"""
    known = 100.0 if math.isnan(diameter_mm) else diameter_mm
    return 0.7 + min(known, 600.0) / 200.0
