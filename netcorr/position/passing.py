"""Rounds with a passing noise (usage) beside what lasts, and how both are weighed against each other.

Usage passes: it is heard in one round, often in part of it, mostly from beyond a sensor, and may cover a leak
while it lasts. Where the recordings show a source that is there only part of the time, the round comes with
splits (`netcorr.delay.blocks`): the blocks of that noise, all explained by one delay of its own, and the
rest, in which whatever lasts must show.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage
from scipy.special import logsumexp

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from netcorr.delay.evidence import DelayEvidence
    from netcorr.position.settings import LocateSettings

#: Share of the evidence of its clearest round, or part of one, that a lasting source shows at least in any
#: other. With a coherence that calls for evidence E, what is without it is less likely than silence by
#: exp(-E): ten times less evidence is 5 dB more noise, since weak evidence goes with the square of the ratio.
EVIDENCE_KEPT = 0.1
#: Share of passing noises that last as long as the round (judgement); the others fill part of it.
ALL_THE_TIME = 0.75
#: A passing noise as near as this to what lasts would be the same source. [s]
APART_S = 0.0005


@dataclass(frozen=True, eq=False)
class RoundTerms:
    """What one round says, passing noises integrated out.

    Attributes
    ----------
    log_lasting : numpy.ndarray
        Shape (m,): log-likelihood of a source that lasts, at each delay.
    log_none : float
        Log-likelihood of no source that lasts.
    """

    log_lasting: NDArray[np.float64]
    log_none: float


def weigh_rounds(
    evidence: Sequence[DelayEvidence],
    grid_s: NDArray[np.float64],
    *,
    jitter: float,
    settings: LocateSettings,
    log_of_passing: Callable[[NDArray[np.float64]], float],
) -> list[RoundTerms]:
    """Weigh what may last in each round against what may pass.

    Parameters
    ----------
    evidence : sequence of DelayEvidence
        One for each round.
    grid_s : numpy.ndarray
        Shape (m,): evenly spaced delays. [s]
    jitter : float
        Standard deviation of the clock's error that is new in each round, in steps of the grid.
    settings : LocateSettings
        Priors of passing noises.
    log_of_passing : callable
        Log-likelihood of a passing noise somewhere, from the log-likelihood of each delay, shape (m,).

    Returns
    -------
    list of RoundTerms
        One for each round.
    """
    rows = np.stack([np.interp(grid_s, one.delay_s, one.log_likelihood) for one in evidence])
    reach = 2 * int(np.ceil(jitter)) + 1
    apart = reach + 2 * int(np.ceil(APART_S / (grid_s[1] - grid_s[0])))
    seen = ndimage.maximum_filter1d(rows, reach, axis=1, mode="nearest")
    p, covering = settings.passing_share, settings.passing_share * settings.covering_share
    terms = []
    for number, one in enumerate(evidence):
        parts = _parts(one, grid_s)
        best = _best(rows, reach=reach)
        penalty = np.maximum(EVIDENCE_KEPT * best - np.maximum(seen[number], 0.0), 0.0)
        covered = log_of_passing(rows[number])
        lasting = _blurred(rows[number], jitter) - penalty
        if not parts:
            log_lasting = np.logaddexp(np.log1p(-covering) + lasting, np.log(covering) + covered)
            terms.append(RoundTerms(log_lasting, float(np.logaddexp(np.log1p(-p), np.log(p) + covered))))
            continue
        others = _best(np.delete(rows, number, axis=0), reach=reach)
        uneven = penalty + _uneven(parts, reach=reach)
        # the whole record is one picture of the round, each split another, and every hypothesis has them all
        whole = np.log(0.5)
        none = [whole + np.log(1 - ALL_THE_TIME * p), whole + np.log(ALL_THE_TIME * p) + covered]
        either = [
            whole + np.log(1 - covering) + _blurred(rows[number], jitter) - uneven,
            np.full(grid_s.size, whole + np.log(covering) + covered),
        ]
        for share, passes, lasts in parts:
            picture = np.log(0.5 / len(parts))
            always = picture + log_of_passing(passes + lasts)
            sometimes = picture + np.log((1 - ALL_THE_TIME) * p) + log_of_passing(passes)
            left = ndimage.maximum_filter1d(lasts, reach, mode="nearest")
            lost = np.maximum(EVIDENCE_KEPT * (1 - share) * others - np.maximum(left, 0.0), 0.0)
            none += [picture + np.log(1 - p), np.log(ALL_THE_TIME * p) + always, sometimes]
            steady = np.log(1 - (1 - ALL_THE_TIME) * p - covering) + _blurred(passes + lasts, jitter)
            either += [
                picture + steady - uneven,
                np.full(grid_s.size, np.log(covering) + always),
                sometimes + _elsewhere(passes, width=apart) + _blurred(lasts, jitter) - lost,
            ]
        log_lasting = np.asarray(logsumexp(np.stack(either), axis=0), dtype=np.float64)
        terms.append(RoundTerms(log_lasting, float(logsumexp(none))))
    return terms


def _parts(
    one: DelayEvidence, grid_s: NDArray[np.float64]
) -> list[tuple[float, NDArray[np.float64], NDArray[np.float64]]]:
    """Splits of a round on the common delays: share of the time that may pass, and both likelihoods."""
    return [
        (
            split.passing_share,
            np.interp(grid_s, one.delay_s, split.passing_log_likelihood),
            np.interp(grid_s, one.delay_s, split.lasting_log_likelihood),
        )
        for split in one.splits
    ]


def _best(rows: NDArray[np.float64], *, reach: int) -> NDArray[np.float64]:
    """Clearest evidence that any round has near each delay; none is 0."""
    if not len(rows):
        return np.zeros(rows.shape[1])
    best: NDArray[np.float64] = ndimage.maximum_filter1d(rows.max(axis=0), reach, mode="nearest")
    return best


def _uneven(
    parts: Sequence[tuple[float, NDArray[np.float64], NDArray[np.float64]]], *, reach: int
) -> NDArray[np.float64]:
    """What a source that lasts loses, at each delay, where part of the round hardly shows it."""
    losses = [
        EVIDENCE_KEPT * (1 - share) / share * passes
        - np.maximum(ndimage.maximum_filter1d(lasts, reach, mode="nearest"), 0.0)
        for share, passes, lasts in parts
    ]
    return np.maximum(np.max(losses, axis=0), 0.0)


def _elsewhere(log_likelihood: NDArray[np.float64], *, width: int) -> NDArray[np.float64]:
    """Log of the share of a likelihood that is not near each delay."""
    likelihood = np.exp(log_likelihood - log_likelihood.max())
    near = ndimage.uniform_filter1d(likelihood, width, mode="constant") * (width / likelihood.sum())
    share: NDArray[np.float64] = np.log(np.clip(1 - near, 1e-6, 1.0))
    return share


def _blurred(log_likelihood: NDArray[np.float64], sd_steps: float) -> NDArray[np.float64]:
    """Log of a likelihood blurred over delay."""
    top = float(log_likelihood.max())
    blurred = ndimage.gaussian_filter1d(np.exp(log_likelihood - top), sd_steps, mode="nearest")
    return top + np.log(np.maximum(blurred, 1e-300))
