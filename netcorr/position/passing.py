"""Rounds with a passing noise (usage) beside what lasts, and how both are weighed against each other.

Usage passes: it is heard in one round, often in part of it, mostly from beyond a sensor, and may cover a leak
while it lasts. Where the recordings show a source that is there only part of the time, the round comes with
splits (`netcorr.delay.blocks`): the blocks of that noise, all explained by one delay of its own, and the
rest, in which whatever lasts must show.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

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
#: Prior probability of a noise that fills part of a round in which something is there only part of the time
#: (judgement), beside that of one that lasts as long as the round.
PART_OF_THE_TIME = 0.1
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
    scales = _Scales(
        jitter=jitter, reach=reach, apart=reach + 2 * int(np.ceil(APART_S / (grid_s[1] - grid_s[0])))
    )
    shown = np.stack([_clearest(one, row, grid_s) for one, row in zip(evidence, rows, strict=True)])
    best = _best(shown, reach=reach)
    terms = []
    for number, one in enumerate(evidence):
        penalty = _missing(rows[number], best, share=1.0, reach=reach)
        covered = log_of_passing(rows[number])
        lasting = _blurred(rows[number], jitter)
        if not one.splits:
            terms.append(_without_splits(lasting - penalty, covered, settings=settings))
            continue
        others = _best(np.delete(shown, number, axis=0), reach=reach)
        parts = _parts(one, grid_s, log_of_passing)
        uneven = penalty + _uneven(parts, reach=reach)
        p, covering = settings.passing_share, settings.passing_share * settings.covering_share
        # the whole record is one picture of the round, each split another, and every hypothesis has them all
        none = [np.log(0.5 * (1 - p)), np.log(0.5 * p) + covered]
        either = [
            np.log(0.5 * (1 - covering)) + lasting - uneven,
            np.full(grid_s.size, np.log(0.5 * covering) + covered),
        ]
        for pair in parts:
            picture = np.log(0.5 / len(parts))
            together = pair[0].log_likelihood + pair[1].log_likelihood
            always = log_of_passing(together)
            more_none, more = _of_split(pair, others, always=always, scales=scales, settings=settings)
            steady = np.log(1 - PART_OF_THE_TIME - covering) + _blurred(together, jitter) - uneven
            none += [picture + term for term in more_none]
            either += [picture + term for term in (steady, *more)]
        log_lasting = np.asarray(logsumexp(np.stack(either), axis=0), dtype=np.float64)
        terms.append(RoundTerms(log_lasting, float(logsumexp(none))))
    return terms


class _Scales(NamedTuple):
    """Widths over delay, in steps of the grid."""

    jitter: float
    reach: int
    apart: int


class _Part(NamedTuple):
    """Part of a round: share of its time, evidence of each delay, and of a passing noise somewhere."""

    share: float
    log_likelihood: NDArray[np.float64]
    log_passing: float


def _without_splits(lasting: NDArray[np.float64], covered: float, *, settings: LocateSettings) -> RoundTerms:
    """A round in which the strongest delay is there all the time: it lasts, or it is a noise that covers."""
    p, covering = settings.passing_share, settings.passing_share * settings.covering_share
    return RoundTerms(
        np.logaddexp(np.log1p(-covering) + lasting, np.log(covering) + covered),
        float(np.logaddexp(np.log1p(-p), np.log(p) + covered)),
    )


def _of_split(
    pair: tuple[_Part, _Part],
    others: NDArray[np.float64],
    *,
    always: float,
    scales: _Scales,
    settings: LocateSettings,
) -> tuple[list[float], list[NDArray[np.float64]]]:
    """Terms of one split without and with a source that lasts; either part may be that of the noise."""
    p, covering = settings.passing_share, settings.passing_share * settings.covering_share
    sometimes = np.log(0.5 * PART_OF_THE_TIME)
    two = pair[0].log_passing + pair[1].log_passing
    none = [
        np.log(1 - p - PART_OF_THE_TIME),
        np.log(p) + always,
        2 * sometimes + two,
        *(sometimes + part.log_passing for part in pair),
    ]
    hidden = np.logaddexp(np.log(covering) + always, np.log(covering) + sometimes + two)
    either = [np.full(others.size, hidden)]
    for noisy, clear in (pair, pair[::-1]):
        apart = _elsewhere(noisy.log_likelihood, width=scales.apart)
        missing = _missing(clear.log_likelihood, others, share=clear.share, reach=scales.reach)
        shows = _blurred(clear.log_likelihood, scales.jitter)
        either.append(sometimes + noisy.log_passing + apart + shows - missing)
    return none, either


def _parts(
    one: DelayEvidence,
    grid_s: NDArray[np.float64],
    log_of_passing: Callable[[NDArray[np.float64]], float],
) -> list[tuple[_Part, _Part]]:
    """Splits of a round on the common delays: the blocks of the strongest delay, and the rest."""
    pairs = []
    for split in one.splits:
        rows = [
            np.interp(grid_s, one.delay_s, row)
            for row in (split.passing_log_likelihood, split.lasting_log_likelihood)
        ]
        shares = (split.passing_share, 1 - split.passing_share)
        strong, rest = (
            _Part(share, row, log_of_passing(row)) for share, row in zip(shares, rows, strict=True)
        )
        pairs.append((strong, rest))
    return pairs


def _clearest(
    one: DelayEvidence, row: NDArray[np.float64], grid_s: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Evidence of each delay in the round as a whole or in part of it, whichever is clearer.

    What lasts in the rest of one round is heard in all of the others: that the whole of the round hid it does
    not excuse them.
    """
    parts = [
        np.interp(grid_s, one.delay_s, part)
        for split in one.splits
        for part in (split.passing_log_likelihood, split.lasting_log_likelihood)
    ]
    clearest: NDArray[np.float64] = np.maximum.reduce([row, *parts])
    return clearest


def _missing(
    log_likelihood: NDArray[np.float64], best: NDArray[np.float64], *, share: float, reach: int
) -> NDArray[np.float64]:
    """What is lost, at each delay, for not showing what is clear elsewhere; `share` is that of the time."""
    seen = ndimage.maximum_filter1d(log_likelihood, reach, mode="nearest")
    penalty: NDArray[np.float64] = np.maximum(EVIDENCE_KEPT * share * best - np.maximum(seen, 0.0), 0.0)
    return penalty


def _best(rows: NDArray[np.float64], *, reach: int) -> NDArray[np.float64]:
    """Clearest evidence that any round has near each delay; none is 0."""
    if not len(rows):
        return np.zeros(rows.shape[1])
    best: NDArray[np.float64] = ndimage.maximum_filter1d(rows.max(axis=0), reach, mode="nearest")
    return best


def _uneven(parts: Sequence[tuple[_Part, _Part]], *, reach: int) -> NDArray[np.float64]:
    """What a source that lasts loses, at each delay, where the rest of the round hardly shows it."""
    losses = [
        _missing(rest.log_likelihood, strong.log_likelihood, share=rest.share / strong.share, reach=reach)
        for strong, rest in parts
    ]
    worst: NDArray[np.float64] = np.max(losses, axis=0)
    return worst


def _elsewhere(log_likelihood: NDArray[np.float64], *, width: int) -> NDArray[np.float64]:
    """Log of the share of a likelihood that is not near each delay."""
    likelihood = np.exp(log_likelihood - log_likelihood.max())
    near = ndimage.uniform_filter1d(likelihood, width, mode="constant") * (width / likelihood.sum())
    return np.asarray(np.log(np.clip(1 - near, 1e-6, 1.0)), dtype=np.float64)


def _blurred(log_likelihood: NDArray[np.float64], sd_steps: float) -> NDArray[np.float64]:
    """Log of a likelihood blurred over delay."""
    top = float(log_likelihood.max())
    blurred = ndimage.gaussian_filter1d(np.exp(log_likelihood - top), sd_steps, mode="nearest")
    # far below the top nothing is left of the exponential
    far = blurred < 1e-290
    return np.where(far, log_likelihood, top + np.log(np.where(far, 1.0, blurred)))
