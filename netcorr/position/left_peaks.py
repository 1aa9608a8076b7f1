"""What stands out beside the first source, peak by peak: is it an echo of the first, or a source of its own?

Three things tell. An echo is in one recording twice, so that the recording repeats itself after as long
(`netcorr.delay.repetition`); a source of its own is not repeated. Echoes are weaker than what they are echoes
of, the more so the fewer the map shows. And a leak is heard in all rounds alike, a passing noise is not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: What arrives so near to the first is part of it. [s]
NEAR_FIRST_S = 0.006
#: A peak reaches this far to either side, or as far as its band is narrow. [s]
PEAK_S = 0.010
PEAK_WIDTHS = 1.5
#: Rounds show one peak within this of each other beside what their clocks may differ. [s]
SAME_PEAK_S = 2e-4
#: Strength is that of the highest swing of the correlogram within this of a peak. [s]
SWING_S = 0.003
#: An echo arrives within this of what the map says, this share of its detour, and the width of its peak. [s]
ECHO_S = 1e-3
ECHO_SHARE = 0.05
#: Peaks that are looked at, from the highest down, and the least evidence of one. [nats]
MOST_PEAKS = 8
LEAST_NATS = 8.0
#: An echo that the map foretells is louder than it says by no more than this factor.
MOST_LOUDER = 1.5
#: Of the odds (natural logarithm) that a peak is a leak and not an echo or a passing noise: constant, then
#: what each measure adds, in the order of `_measures`. Fitted by logistic regression to 979 peaks (99 of them
#: leaks) of 379 simulated surveys (`scripts/bench_mixed.py`, seeds 301 to 304), four with one leak to one
#: with two.
ODDS = (-0.10, 1.87, -2.17, -0.93, -2.35, -0.54, 2.06)


@dataclass(frozen=True)
class LeftPeak:
    """A peak of the evidence that is left when the first source is taken out.

    Attributes
    ----------
    delay_s : float
        Where. [s]
    nats, least_nats : float
        Its evidence in all rounds together, and in the round that shows it least. [nats]
    rounds : int
        How many there are.
    strength : float
        Its height against that of the first.
    repeated : float
        What the recordings repeat of themselves after as long, against the same.
    on_map : float
        Strength of the echo that the map foretells there, 0 for none.
    loudest_echo : float
        Strength of the loudest echo that the map foretells anywhere.
    """

    delay_s: float
    nats: float
    least_nats: float
    rounds: int
    strength: float
    repeated: float
    on_map: float
    loudest_echo: float


@dataclass(frozen=True, eq=False)
class LeftOver:
    """What all rounds have left beside the first source, on common delays.

    Attributes
    ----------
    delay_s : numpy.ndarray
        Shape (m,): evenly spaced. [s]
    log_likelihood : numpy.ndarray
        Shape (rounds, m): of one more source at each delay.
    strength, repeated : numpy.ndarray
        Shape (m,): as in `netcorr.delay.evidence.BesideEvidence`, mean over the rounds that have them.
    known_s : float
        Delay of the first. [s]
    width_s : float
        Half width of a peak. [s]
    jitter_s : float
        By how much the delays of rounds may differ. [s]
    """

    delay_s: NDArray[np.float64]
    log_likelihood: NDArray[np.float64]
    strength: NDArray[np.float64]
    repeated: NDArray[np.float64]
    known_s: float
    width_s: float
    jitter_s: float


def left_peaks(
    left: LeftOver,
    *,
    range_s: tuple[float, float],
    detour_s: NDArray[np.float64],
    echo_strength: NDArray[np.float64],
) -> tuple[LeftPeak, ...]:
    """Peaks beside the first, highest first.

    Parameters
    ----------
    left : LeftOver
        What is left.
    range_s : (float, float)
        Least and greatest delay of a leak between the sensors. [s]
    detour_s, echo_strength : numpy.ndarray
        Shape (k,): echoes that the map foretells of the first, by how much later at B than at A. [s]

    Returns
    -------
    tuple of LeftPeak
        No more than `MOST_PEAKS`.
    """
    step_s = float(left.delay_s[1] - left.delay_s[0])
    reach = 2 * math.ceil((SAME_PEAK_S + left.jitter_s) / step_s) + 1
    rows = ndimage.maximum_filter1d(left.log_likelihood, reach, axis=1, mode="nearest")
    swing = ndimage.maximum_filter1d(left.strength, 2 * math.ceil(SWING_S / step_s) + 1, mode="nearest")
    total = rows.sum(axis=0)
    inside = (left.delay_s > range_s[0]) & (left.delay_s < range_s[1])
    free = inside & (np.abs(left.delay_s - left.known_s) >= NEAR_FIRST_S)
    allowed_s = ECHO_S + ECHO_SHARE * np.abs(detour_s) + left.width_s / PEAK_WIDTHS
    found: list[LeftPeak] = []
    while free.any() and len(found) < MOST_PEAKS:
        at = int(np.argmax(np.where(free, total, -np.inf)))
        if total[at] < LEAST_NATS:
            break
        delay_s = float(left.delay_s[at])
        near = np.abs(delay_s - left.known_s - detour_s) < allowed_s
        found.append(
            LeftPeak(
                delay_s=delay_s,
                nats=float(total[at]),
                least_nats=float(rows[:, at].min()),
                rounds=rows.shape[0],
                strength=float(swing[at]),
                repeated=float(left.repeated[at]),
                on_map=float(echo_strength[near].max(initial=0.0)),
                loudest_echo=float(echo_strength.max(initial=0.0)),
            )
        )
        free &= np.abs(left.delay_s - delay_s) >= left.width_s
    return tuple(found)


def leak_odds(peak: LeftPeak) -> float:
    """Odds that a peak is a leak, against an echo of the first or a noise that passes.

    Parameters
    ----------
    peak : LeftPeak
        Beside a first source.

    Returns
    -------
    float
        0 or more; 0 for what the map explains as an echo.

    Examples
    --------
    >>> heard = {"nats": 200.0, "least_nats": 90.0, "rounds": 2, "on_map": 0.0, "loudest_echo": 0.0}
    >>> own, echo = (
    ...     leak_odds(LeftPeak(0.02, strength=0.3, repeated=repeated, **heard)) for repeated in (0.03, 0.3)
    ... )
    >>> own > 1 > 0.1 > echo
    True
    """
    if 0 < peak.strength <= MOST_LOUDER * peak.on_map:
        return 0.0
    return math.exp(math.fsum(weight * value for weight, value in zip(ODDS, _measures(peak), strict=True)))


def _measures(peak: LeftPeak) -> tuple[float, ...]:
    """What a peak is judged by: strength, repetition, both together, the map's echoes, evenness."""
    strong = math.log(min(max(peak.strength, 0.03), 1.0) / 0.3)
    ratio = max(peak.repeated, 0.01) / max(peak.strength, 0.01)
    repeated = math.log(min(max(ratio, 0.1), 2.0) / 0.4)
    even = math.log(max(peak.rounds * peak.least_nats, 0.1) / peak.nats)
    return (
        1.0,
        strong,
        repeated,
        strong * repeated,
        float(peak.on_map > 0),
        peak.loudest_echo,
        min(max(even, -3.5), -0.3),
    )
