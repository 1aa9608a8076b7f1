"""What several delays say together: a pick that does not fit, a clock's offset, and what they cannot say.

Offsets of clocks are differences of one number for each logger. Round any loop of pairs they cancel, so no
closed loop ever shows one; a loop that does not close shows a wrong pick. An offset shows in noise from
beyond either sensor, whose two delays lie evenly about it, and likewise when two loggers change places.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from netcorr.errors import DelayError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray


@dataclass(frozen=True)
class Misclosure:
    """How far three delays of one source are from closing.

    Attributes
    ----------
    misclosure_s : float
        Delay A to B plus B to C minus A to C, zero when all three are of one source. [s]
    standard_error_s : float
        Of the misclosure. [s]
    probability : float
        Probability of a misclosure this large or larger when all three picks are right.
    """

    misclosure_s: float
    standard_error_s: float
    probability: float


@dataclass(frozen=True)
class EndStops:
    """What noise from beyond either sensor says of the pair.

    Attributes
    ----------
    offset_s : float
        B's clock minus A's; to be taken off every delay of the pair. [s]
    travel_time_s : float
        From sensor to sensor, leads included; the path length over it is the speed. [s]
    standard_error_s : float
        Of either. [s]
    """

    offset_s: float
    travel_time_s: float
    standard_error_s: float


@dataclass(frozen=True)
class LoggerOffsets:
    """Clock offsets of several loggers against one of them.

    Attributes
    ----------
    offset_s : dict of str to float
        Logger's clock minus that of the reference, 0 for the reference itself. [s]
    standard_error_s : dict of str to float
        Of each. [s]
    probability : float
        Probability of a misfit this large or larger when all pairs are right; 1 when there is no loop to
        test them.
    """

    offset_s: dict[str, float]
    standard_error_s: dict[str, float]
    probability: float


def loop_misclosure(
    delay_ab_s: float,
    delay_bc_s: float,
    delay_ac_s: float,
    *,
    standard_errors_s: tuple[float, float, float],
) -> Misclosure:
    """Whether the delays of three pairs can be of one source.

    Parameters
    ----------
    delay_ab_s, delay_bc_s, delay_ac_s : float
        Arrival at the second logger minus arrival at the first. [s]
    standard_errors_s : (float, float, float)
        Of the three delays, in this order, from the recordings alone: clock errors cancel. [s]

    Returns
    -------
    Misclosure
        Misclosure, standard error, probability.

    Raises
    ------
    DelayError
        If a standard error is not positive or a value is not finite.

    Notes
    -----
    With arrival times ``t`` and clock offsets ``d`` the sum is
    ``(t_b + d_b - t_a - d_a) + (t_c + d_c - t_b - d_b) - (t_c + d_c - t_a - d_a) = 0`` whatever the offsets:
    the test finds a wrong pick, never a wrong clock. The errors are taken as independent; those of pairs that
    share a recording partly cancel, which makes the test lenient.

    Examples
    --------
    >>> loop = loop_misclosure(0.010, 0.020, 0.030, standard_errors_s=(1e-5, 1e-5, 1e-5))
    >>> abs(loop.misclosure_s) < 1e-12, round(loop.probability, 2)
    (True, 1.0)
    >>> loop_misclosure(0.010, 0.020, 0.031, standard_errors_s=(1e-5, 1e-5, 1e-5)).probability < 1e-9
    True
    """
    _check((delay_ab_s, delay_bc_s, delay_ac_s), standard_errors_s, item="loop of three pairs")
    misclosure_s = delay_ab_s + delay_bc_s - delay_ac_s
    error_s = math.hypot(*standard_errors_s)
    return Misclosure(
        misclosure_s=misclosure_s,
        standard_error_s=error_s,
        probability=math.erfc(abs(misclosure_s) / error_s / math.sqrt(2)),
    )


def offset_from_end_stops(
    from_beyond_a_s: float, from_beyond_b_s: float, *, standard_errors_s: tuple[float, float]
) -> EndStops:
    """Clock offset and travel time of a pair from noise that comes from beyond either sensor.

    Parameters
    ----------
    from_beyond_a_s : float
        Delay of noise that passes A first: travel time plus offset. [s]
    from_beyond_b_s : float
        Delay of noise that passes B first: offset minus travel time. [s]
    standard_errors_s : (float, float)
        Of the two delays. [s]

    Returns
    -------
    EndStops
        Offset (their mean), travel time (half their difference), standard error.

    Raises
    ------
    DelayError
        If a standard error is not positive, a value is not finite, or the two are exchanged.

    Notes
    -----
    Holds as well for two loggers that change places between two rounds: the delay from the first logger to
    the second is ``offset + tau`` before and ``offset - tau`` after, so the mean is the offset, and half the
    difference is the delay ``tau`` between the places. Give the larger one first.

    Examples
    --------
    >>> stops = offset_from_end_stops(0.102, -0.098, standard_errors_s=(3e-5, 4e-5))
    >>> round(stops.offset_s, 6), round(stops.travel_time_s, 6), round(stops.standard_error_s, 9)
    (0.002, 0.1, 2.5e-05)
    """
    item = "noise from beyond both sensors"
    _check((from_beyond_a_s, from_beyond_b_s), standard_errors_s, item=item)
    if from_beyond_a_s <= from_beyond_b_s:
        raise DelayError(
            item,
            found=f"{from_beyond_a_s * 1000:+.3f} ms from beyond A, {from_beyond_b_s * 1000:+.3f} ms from "
            "beyond B",
            remedy="what passes A first has the larger delay: exchange them",
        )
    return EndStops(
        offset_s=(from_beyond_a_s + from_beyond_b_s) / 2,
        travel_time_s=(from_beyond_a_s - from_beyond_b_s) / 2,
        standard_error_s=math.hypot(*standard_errors_s) / 2,
    )


def offsets_of_loggers(
    pairs: Mapping[tuple[str, str], tuple[float, float]], *, reference: str
) -> LoggerOffsets:
    """Clock offsets of all loggers from those of pairs.

    Parameters
    ----------
    pairs : mapping of (str, str) to (float, float)
        For loggers A and B: B's clock minus A's, and its standard error, as `offset_from_end_stops` gives
        them. [s]
    reference : str
        Logger whose clock is taken to be right; only differences can be known.

    Returns
    -------
    LoggerOffsets
        Of every logger that a chain of pairs joins to the reference.

    Raises
    ------
    DelayError
        If a standard error is not positive, a value is not finite, or no pair holds the reference.

    Notes
    -----
    Weighted least squares. Where pairs close loops there are more of them than unknowns, and chi-squared of
    the residuals tells whether they agree.

    Examples
    --------
    >>> found = offsets_of_loggers({("A", "B"): (0.002, 1e-5), ("B", "C"): (0.001, 1e-5)}, reference="A")
    >>> {logger: round(offset, 6) for logger, offset in found.offset_s.items()}
    {'A': 0.0, 'B': 0.002, 'C': 0.003}
    """
    for (a, b), (offset_s, error_s) in pairs.items():
        _check((offset_s,), (error_s,), item=f"pair {a} - {b}")
    loggers = _joined(list(pairs), reference=reference)
    if len(loggers) < 2:
        raise DelayError(
            f"logger {reference}", found="no pair that it is part of", remedy="name a logger that is in one"
        )
    used = [pair for pair in pairs if pair[0] in loggers]
    free = {logger: column for column, logger in enumerate(loggers[1:])}
    design = np.zeros((len(used), len(free)))
    for row, (a, b) in zip(design, used, strict=True):
        for logger, sign in ((a, -1.0), (b, 1.0)):
            if logger in free:
                row[free[logger]] += sign
    weight = 1 / np.array([pairs[pair][1] for pair in used])
    value = weight * np.array([pairs[pair][0] for pair in used])
    scaled: NDArray[np.float64] = design * weight[:, None]
    covariance = np.linalg.inv(scaled.T @ scaled)
    solved = covariance @ scaled.T @ value
    misfit = float(np.sum((value - scaled @ solved) ** 2))
    spare = len(used) - len(free)
    errors = np.sqrt(np.diag(covariance))
    return LoggerOffsets(
        offset_s={reference: 0.0} | {logger: float(solved[k]) for logger, k in free.items()},
        standard_error_s={reference: 0.0} | {logger: float(errors[k]) for logger, k in free.items()},
        probability=float(special.gammaincc(spare / 2, misfit / 2)) if spare else 1.0,
    )


def _joined(pairs: Sequence[tuple[str, str]], *, reference: str) -> list[str]:
    """Loggers that a chain of pairs joins to the reference, it first."""
    found = [reference]
    for logger in found:  # grows while it is gone through
        for pair in pairs:
            if logger in pair:
                found += [other for other in pair if other not in found]
    return found


def _check(values: Sequence[float], errors: Sequence[float], *, item: str) -> None:
    """Refuse what cannot be weighed."""
    if not all(map(math.isfinite, values)) or not all(math.isfinite(e) and e > 0 for e in errors):
        raise DelayError(
            item,
            found=f"delays {', '.join(f'{v:g}' for v in values)} s with standard errors "
            f"{', '.join(f'{e:g}' for e in errors)} s",
            remedy="give finite delays with positive standard errors",
        )
