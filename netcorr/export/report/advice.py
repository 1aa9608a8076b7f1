"""What a report says whatever it found, and what would make an answer sharper."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from netcorr.export.sentences import format_length

if TYPE_CHECKING:
    from netcorr.position.fix import ErrorBudget
    from netcorr.units import UnitSystem

#: Common practice of the trade.
AFTER_REPAIR = (
    "After a repair, survey the same mains again before they are called sound: a loud leak hides quiet ones, "
    "and a second one may lie metres away."
)
SILENCE = (
    "None heard is not none. A leak is quiet when the pressure is low at that hour, when the hole is large "
    "and the water leaves without force, and in plastic or wide pipe, which swallow the noise within tens of "
    "metres. Traffic, pumps and people drawing water hide it.",
    "Where silence matters, record again with sensors nearer to each other, at a quieter hour, and with the "
    "pressure known; watch the night flow as well.",
)


@dataclass(frozen=True)
class BudgetLine:
    """One part of the uncertainty.

    Attributes
    ----------
    cause : str
        Where it comes from.
    size : str
        Its standard deviation, with the unit.
    share : float
        Its share of the variance, 0 to 1.
    remedy : str
        What makes it smaller.
    """

    cause: str
    size: str
    share: float
    remedy: str


_CAUSES = {
    "speed_m": (
        "wave speed",
        "Measure the speed in this main: make a noise at a known fitting outside the two sensors and time it "
        "between them, and write it into wave_speed. Give the water temperature.",
    ),
    "length_m": (
        "lengths on the map",
        "Measure the main between the two fittings on the ground and write it into length_m; check where the "
        "sensors stand and how long their leads are.",
    ),
    "clock_m": (
        "clocks of the loggers",
        "Set the clocks by one signal shortly before, or exchange the two loggers and record again: the mean "
        "of both is free of their offset.",
    ),
    "delay_m": (
        "noise in the recordings",
        "Record longer, in more rounds, at a quieter hour, or on nearer fittings.",
    ),
    "model_m": (
        "what the method leaves out",
        "Recording more does not help; listening at the surface and a nearer pair of fittings do.",
    ),
}


def budget_lines(budget: ErrorBudget, *, units: UnitSystem) -> tuple[BudgetLine, ...]:
    """Parts of the uncertainty, the largest first.

    Parameters
    ----------
    budget : ErrorBudget
        Standard deviations at the candidate.
    units : {'metric', 'us'}
        Units of the sizes.

    Returns
    -------
    tuple of BudgetLine
        Shares sum to 1.

    Examples
    --------
    >>> from netcorr.position.fix import ErrorBudget
    >>> lines = budget_lines(ErrorBudget(0.6, 0.0, 0.8, 0.0, 0.0), units="metric")
    >>> [(line.cause, round(line.share, 2)) for line in lines[:2]]
    [('clocks of the loggers', 0.64), ('wave speed', 0.36)]
    """
    parts = {name: float(getattr(budget, name)) for name in _CAUSES}
    total = sum(size_m**2 for size_m in parts.values()) or 1.0
    return tuple(
        BudgetLine(_CAUSES[name][0], format_length(size_m, units), size_m**2 / total, _CAUSES[name][1])
        for name, size_m in sorted(parts.items(), key=lambda item: -item[1])
    )
