"""Plain tables, shares with their sampling error, and targets: what every benchmark prints."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Target:
    """One figure that has to be reached.

    Attributes
    ----------
    name : str
        What was measured.
    measured, wanted : str
        In words.
    met : bool
        Whether it was reached.
    """

    name: str
    measured: str
    wanted: str
    met: bool


def table(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Set rows under a header, the first column to the left and the others to the right."""
    cells = [list(header), *([str(cell) for cell in row] for row in rows)]
    widths = [max(len(row[i]) for row in cells) for i in range(len(header))]
    lines = [
        "  ".join(cell.rjust(width) if i else cell.ljust(width) for i, (cell, width) in enumerate(pairs))
        for pairs in (list(zip(row, widths, strict=True)) for row in cells)
    ]
    return "\n".join([lines[0].rstrip(), "  ".join("-" * width for width in widths), *lines[1:]])


def target_table(targets: Sequence[Target]) -> str:
    """Set the targets of a benchmark as a table."""
    rows = [(one.name, one.measured, one.wanted, "met" if one.met else "MISSED") for one in targets]
    return table(("target", "measured", "wanted", ""), rows)


def interval(hits: int, *, of: int) -> tuple[float, float]:
    """95 % confidence interval of a share.

    Parameters
    ----------
    hits : int
        Times that it happened.
    of : int
        Times that it could have.

    Returns
    -------
    (float, float)
        Ends, 0 to 1.

    References
    ----------
    Wilson, E. B. (1927). Probable inference, the law of succession, and statistical inference. J. Am. Stat.
    Assoc. 22(158), 209-212.
    """
    if of == 0:
        return 0.0, 1.0
    z, p = 1.959964, hits / of
    centre = (p + z**2 / (2 * of)) / (1 + z**2 / of)
    half = z / (1 + z**2 / of) * math.sqrt(p * (1 - p) / of + z**2 / (4 * of**2))
    return max(centre - half, 0.0), min(centre + half, 1.0)


def share(hits: int, *, of: int) -> str:
    """Say a share with its interval, as '97 of 100 (92-99 %)'."""
    low, high = interval(hits, of=of)
    return f"{hits} of {of} ({100 * low:.0f}-{100 * high:.0f} %)"
