"""Noise from beyond both loggers of a pair: its two delays give the travel time and the clocks.

What comes from beyond A passes A and then B, and the other way round from beyond B: one delay is the travel
time more than the difference of the clocks, the other as much less. Half their difference is the travel time,
their mean the clocks (usage, pumps and echoes of a leak make such noise). A pair is used only where it hears
both clearly, and where both travel time and clocks agree with what was known of them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

from netcorr.delay import offset_from_end_stops
from netcorr.position.network.known_noise import PICK_SD_S, peaks_of
from netcorr.position.network.linear import Measured, learn

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from netcorr.delay.evidence import DelayEvidence
    from netcorr.position.network.known_noise import Peak
    from netcorr.position.network.linear import Name
    from netcorr.position.travel import PathTimes

#: Both delays are among so many highest peaks of a round, and each has at least this evidence. [nats]
HIGHEST, LEAST_EVIDENCE = 3, 25.0
#: Travel time and clocks agree with what was known within so many standard deviations,
FITS_SD = 3.0
#: and a travel time that is not known this much better than its own length says nothing of the ends.
LEAST_TIMES_SD = 8.0
#: Pairs that contradict the others by so many standard deviations are left out.
APART_SD = 3.0


@dataclass(frozen=True)
class EndNoise:
    """What one pair hears from beyond both its loggers in a round.

    Attributes
    ----------
    logger_a, logger_b : str
        Names of the loggers.
    round_number : int
        Round of the survey.
    offset_s : float
        B's clock minus A's, leads taken off. [s]
    longer_s : float
        Travel time along the main, less that foretold. [s]
    standard_error_s : float
        Of either, from the recordings alone. [s]
    """

    logger_a: str
    logger_b: str
    round_number: int
    offset_s: float
    longer_s: float
    standard_error_s: float


def end_noise(
    evidence: DelayEvidence, times: PathTimes, *, clock_sd_s: float, drift_sd_s: float
) -> EndNoise | None:
    """Look for noise from beyond both loggers in one round of a pair.

    Parameters
    ----------
    evidence : DelayEvidence
        Of the round.
    times : PathTimes
        Along the path between the loggers.
    clock_sd_s : float
        Standard deviation of the difference of the clocks. [s]
    drift_sd_s : float
        What is uncertain of a delay because of drift. [s]

    Returns
    -------
    EndNoise or None
        None where not both are heard clearly, or they agree with neither travel time nor clocks.

    Notes
    -----
    A leak just inside A, or a tee there, has nearly the delay of what comes from beyond A. With a partner at
    the other end it would move the clocks as much as the travel time, which is why both are held against
    what was known.
    """
    from_a_s, from_b_s = float(times.delay_s[0]), float(times.delay_s[-1])
    foretold_s, leads_s = (from_a_s - from_b_s) / 2, (from_a_s + from_b_s) / 2
    longer_sd_s = math.hypot(float(times.speed_sd_s[0]), float(times.length_sd_s[0]), PICK_SD_S)
    if foretold_s < LEAST_TIMES_SD * longer_sd_s:
        return None
    offset_sd_s = math.hypot(clock_sd_s, drift_sd_s, float(times.model_sd_s[0]), PICK_SD_S)
    best: tuple[float, EndNoise] | None = None
    clear = [one for one in peaks_of(evidence)[:HIGHEST] if one.evidence >= LEAST_EVIDENCE]
    for one, other in combinations(clear, 2):
        late, early = (one, other) if one.delay_s > other.delay_s else (other, one)
        stops = offset_from_end_stops(
            late.delay_s, early.delay_s, standard_errors_s=(_error_s(late), _error_s(early))
        )
        offset_s, longer_s = stops.offset_s - leads_s, stops.travel_time_s - foretold_s
        off = math.hypot(offset_s / offset_sd_s, longer_s / longer_sd_s)
        if abs(offset_s) > FITS_SD * offset_sd_s or abs(longer_s) > FITS_SD * longer_sd_s:
            continue
        value = math.log(late.odds * early.odds) - 0.5 * off**2
        if best is None or value > best[0]:
            found = EndNoise(
                evidence.logger_a,
                evidence.logger_b,
                evidence.round_number,
                offset_s=offset_s,
                longer_s=longer_s,
                standard_error_s=stops.standard_error_s,
            )
            best = (value, found)
    return best[1] if best is not None else None


def _error_s(peak: Peak) -> float:
    return math.hypot(peak.sd_s, PICK_SD_S)


def as_delays(
    noise: EndNoise, in_way: Mapping[Name, float], *, drift_sd_s: float
) -> tuple[Measured, Measured]:
    """The travel time and the clocks of a pair as measurements.

    Parameters
    ----------
    noise : EndNoise
        What was heard.
    in_way : mapping of name to float
        Time in each group and main between the two loggers. [s]
    drift_sd_s : float
        What is uncertain of a delay because of drift. [s]

    Returns
    -------
    (Measured, Measured)
        Travel time (groups, mains, and the places of the two fittings) and clocks (and leads).
    """
    a, b, number = noise.logger_a, noise.logger_b, noise.round_number
    clocks: dict[Name, float] = {}
    for logger, sign in ((a, -1.0), (b, 1.0)):
        for name in (("clock", logger), ("jitter", number, logger), ("lead", logger)):
            clocks[name] = sign
    longer = Measured(noise.longer_s, noise.standard_error_s, {**in_way, ("length", a, b): 1.0})
    return longer, Measured(noise.offset_s, math.hypot(noise.standard_error_s, drift_sd_s), clocks)


def agreeing(
    pairs: Sequence[tuple[Measured, Measured]], prior_sd: Mapping[Name, float]
) -> list[tuple[Measured, Measured]]:
    """Pairs whose travel time and clocks agree with those of all others, the worst left out one by one.

    Parameters
    ----------
    pairs : sequence of (Measured, Measured)
        As `as_delays` gives them.
    prior_sd : mapping of name to float
        Standard deviations of all unknowns.

    Returns
    -------
    list of (Measured, Measured)
        In the same order.
    """
    left = list(pairs)
    while left:
        apart = []
        for number, pair in enumerate(left):
            others = learn(prior_sd, [one for k, two in enumerate(left) if k != number for one in two])
            apart.append(max(_apart(one, *others.of(one.parts)) for one in pair))
        worst = max(range(len(left)), key=apart.__getitem__)
        if apart[worst] <= APART_SD:
            break
        del left[worst]
    return left


def _apart(one: Measured, mean_s: float, sd_s: float) -> float:
    """How many standard deviations a measurement is from what the others make of it."""
    return abs(one.excess_s - mean_s) / math.hypot(sd_s, one.noise_sd_s)
