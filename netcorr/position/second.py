"""A second leak between the sensors, beside the one that is heard best.

With two sources at once the posterior of one source follows the stronger, and the weaker one is lost in it.
Every round says what is left of it when what arrives near its strongest delay is taken out
(`netcorr.delay.BesideEvidence`). A round whose strongest delay is not the first source hears another one
louder: of it, all but what arrives near the first is left. Peaks of what is left are judged one by one
(`netcorr.position.left_peaks`), as echoes of the first are among them. Each that may be a leak is then
weighed as the rounds themselves are: a second leak lasts, usage passes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from netcorr.position.left_peaks import (
    NEAR_FIRST_S,
    PEAK_S,
    PEAK_WIDTHS,
    LeftOver,
    LeftPeak,
    leak_odds,
    left_peaks,
)
from netcorr.position.posterior import common_grid, pair_posterior
from netcorr.position.reliability import reliable_density

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.delay.evidence import BesideEvidence, DelayEvidence
    from netcorr.position.echoes import PathEchoes
    from netcorr.position.posterior import PairPosterior
    from netcorr.position.settings import LocateSettings
    from netcorr.position.travel import PathTimes

#: A second leak is looked for where a first lies between the sensors with this probability at least.
LEAST_FIRST = 0.5
#: Prior probability of a second leak beside a first (judgement: they are rare, and not independent).
PRIOR_SECOND = 0.1
#: A source in a narrower band is not taken out cleanly, being smoothed over about as much:
#: what is left may be itself, a cycle off. [Hz]
NARROWEST_HZ = 60.0
#: The first source has the same delay in every round, within so many standard deviations of the clock that
#: are new in each round, and this. [s]
SAME_SDS = 3.0
SAME_S = 5e-4
#: Peaks with lower odds are not weighed, so that not every echo is listed, nor more than so many.
LEAST_ODDS = 0.15
MOST_WEIGHED = 3


@dataclass(frozen=True, eq=False)
class SecondSource:
    """One more leak between the sensors, as far as the rounds tell.

    Attributes
    ----------
    probability : float
        That there is one.
    density_per_m : numpy.ndarray
        Shape (n,): its density on the points of the path; integrates to 1. [1/m]
    """

    probability: float
    density_per_m: NDArray[np.float64]


def second_source(
    first: PairPosterior,
    times: PathTimes,
    evidence: Sequence[DelayEvidence],
    *,
    echoes: PathEchoes,
    settings: LocateSettings,
) -> SecondSource | None:
    """Look for a second leak, given the first.

    Parameters
    ----------
    first : PairPosterior
        Of one source.
    times : PathTimes
        Delays along the path.
    evidence : sequence of DelayEvidence
        One for each round.
    echoes : PathEchoes
        Ways by which the map lets the sound of the first come.
    settings : LocateSettings
        Priors and clock.

    Returns
    -------
    SecondSource or None
        None where there is no first, where one round alone would have to tell (usage cannot be told from a
        leak then), or where nothing is left.
    """
    if first.between < LEAST_FIRST:
        return None
    at = int(np.argmax(first.density_per_m))
    wide = [
        (one, one.beside)
        for one in evidence
        if one.beside is not None and one.band_hz[1] - one.band_hz[0] > NARROWEST_HZ
    ]
    sd_s = float(times.sd_s(clock_sd_s=times.clock_sd_s)[at])
    having = _having_the_first(float(times.delay_s[at]), sd_s, times, wide)
    if len(wide) < 2 or not having:
        return None
    left = _left_over(times, wide, having=having, settings=settings)
    shown = np.flatnonzero(echoes.strength[1:, at]) + 1
    peaks = left_peaks(
        left,
        range_s=(float(times.delay_s[-1]), float(times.delay_s[0])),
        detour_s=echoes.delay_s[shown, at] - echoes.delay_s[0, at],
        echo_strength=echoes.strength[shown, at],
    )
    likely = sorted(((leak_odds(peak), peak) for peak in peaks), key=lambda pair: -pair[0])[:MOST_WEIGHED]
    weighed = []
    for odds, peak in likely:
        if odds > LEAST_ODDS:
            own = _own_delays(peak, peaks, left)
            rounds = [
                _only(one, row, left.delay_s, own)
                for (one, _), row in zip(wide, left.log_likelihood, strict=True)
            ]
            there = pair_posterior(times, rounds, settings=replace(settings, prior_between=PRIOR_SECOND))
            weighed.append((odds * there.between, there))
    if not weighed:
        return None
    odds, there = max(weighed, key=lambda pair: pair[0])
    probability = odds / (1 + sum(other for other, _ in weighed))
    return SecondSource(probability, reliable_density(there.position_m, there.density_per_m))


def _having_the_first(
    delay_s: float,
    sd_s: float,
    times: PathTimes,
    rounds: Sequence[tuple[DelayEvidence, BesideEvidence]],
) -> list[BesideEvidence]:
    """Of the rounds whose strongest delay is that of the first source, what they have beside it."""
    near = [beside for _, beside in rounds if abs(beside.known_s - delay_s) <= SAME_SDS * sd_s + SAME_S]
    if not near:
        return []
    nearest = min(near, key=lambda beside: abs(beside.known_s - delay_s))
    allowed_s = SAME_SDS * times.clock_sd_s + SAME_S
    return [beside for beside in near if abs(beside.known_s - nearest.known_s) <= allowed_s]


def _left_over(
    times: PathTimes,
    rounds: Sequence[tuple[DelayEvidence, BesideEvidence]],
    *,
    having: Sequence[BesideEvidence],
    settings: LocateSettings,
) -> LeftOver:
    """What all rounds have left beside the first, on common delays."""
    grid_s = common_grid(times, [one for one, _ in rounds])
    known_s = float(np.mean([beside.known_s for beside in having]))
    rows, strength, repeated, widths_s = [], [], [], []
    for one, beside in rounds:
        is_first = beside in having
        row = beside.log_likelihood if is_first else one.log_likelihood
        at_first = np.abs(one.delay_s - (beside.known_s if is_first else known_s)) < NEAR_FIRST_S
        rows.append(np.interp(grid_s, one.delay_s, np.where(at_first, np.minimum(row, 0.0), row)))
        if is_first:
            strength.append(np.interp(grid_s, one.delay_s, beside.strength))
            repeated.append(np.interp(grid_s, one.delay_s, beside.repeated))
            widths_s.append(PEAK_WIDTHS / (one.band_hz[1] - one.band_hz[0]))
    return LeftOver(
        delay_s=grid_s,
        log_likelihood=np.stack(rows),
        strength=np.mean(strength, axis=0),
        repeated=np.mean(repeated, axis=0),
        known_s=known_s,
        width_s=max(PEAK_S, float(np.median(widths_s))),
        jitter_s=3 * times.clock_sd_s * settings.clock_jitter_share,
    )


def _own_delays(peak: LeftPeak, peaks: Sequence[LeftPeak], left: LeftOver) -> NDArray[np.bool_]:
    """Delays that belong to a peak: within its width, and nearer to it than to any other or to the first."""
    off_s = np.abs(left.delay_s - peak.delay_s)
    others_s = [left.known_s, *(one.delay_s for one in peaks if one is not peak)]
    nearest_s = np.min([np.abs(left.delay_s - other_s) for other_s in others_s], axis=0)
    own: NDArray[np.bool_] = (off_s <= left.width_s) & (off_s < nearest_s)
    return own


def _only(
    one: DelayEvidence, row: NDArray[np.float64], delay_s: NDArray[np.float64], own: NDArray[np.bool_]
) -> DelayEvidence:
    """A round with one peak alone of what it has left."""
    log_likelihood = np.where(own, row, np.minimum(row, 0.0))
    return replace(one, delay_s=delay_s, log_likelihood=log_likelihood, splits=(), beside=None)
