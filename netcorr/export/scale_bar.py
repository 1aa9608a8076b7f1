"""Length of a scale bar: a round number, as people read it."""

from __future__ import annotations

import math


def round_length(about: float) -> float:
    """Largest of 1, 2 and 5 times a power of ten that is not above a length.

    Examples
    --------
    >>> round_length(73.0), round_length(19.9), round_length(0.3)
    (50.0, 10.0, 0.2)
    """
    power = 10.0 ** math.floor(math.log10(about))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= about * (1 + 1e-9))
