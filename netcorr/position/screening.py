"""Which pairs of a large survey deserve the full evidence: a quick look at all of them first."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from netcorr.delay import screen_pairs
from netcorr.delay.screen import WORTH_BELOW

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from netcorr.delay.prepare import PreparedRecording

#: Surveys of no more pairs than this need no screening; of larger ones as many are compared at least.
FEW_PAIRS = 60


def pairs_worth_comparing(
    rounds: Iterable[Mapping[str, PreparedRecording]],
    pairs: Sequence[tuple[str, str]],
    *,
    longest_delay_s: Sequence[float],
    least: int = FEW_PAIRS,
) -> tuple[NDArray[np.bool_], str]:
    """Screen all pairs of a survey in all rounds.

    Parameters
    ----------
    rounds : iterable of mapping of str to PreparedRecording
        For each round its recordings by logger; one round is held at a time.
    pairs : sequence of (str, str)
        Loggers A and B of each pair within reach.
    longest_delay_s : sequence of float
        Half width of the search of each pair. [s]
    least : int
        Pairs that are kept at least: those in which something in common is least unlikely.

    Returns
    -------
    worth : numpy.ndarray
        Shape (pairs,): whether some round of the pair holds something in common, or there are no more than
        `least` pairs.
    note : str
        What was left out and by which rule, for the notes of the survey; empty when nothing was.

    Raises
    ------
    DelayError
        If the recordings of a round were not prepared alike, or are too short for the delays.

    Examples
    --------
    >>> from netcorr.delay import prepare_round
    >>> rng = np.random.default_rng(7)
    >>> s = rng.normal(size=20_100)
    >>> heard = np.stack([s[50:20_050], s[20:20_020], *rng.normal(size=(2, 20_000))])
    >>> prepared = prepare_round(heard + rng.normal(size=heard.shape), 4000.0, max_delay_s=0.05)
    >>> one_round = dict(zip("ABCD", prepared, strict=True))
    >>> pairs = [("A", "B"), ("A", "C"), ("B", "D"), ("C", "D")]
    >>> worth, note = pairs_worth_comparing([one_round], pairs, longest_delay_s=[0.05] * 4, least=1)
    >>> worth.tolist()
    [True, False, False, False]
    >>> note[:47]
    '3 of 4 pairs within reach were left out by scre'
    """
    best = np.ones(len(pairs))
    if len(pairs) > least:
        for one in rounds:
            _screen(one, pairs, longest_delay_s=longest_delay_s, best=best)
    worth = best < WORTH_BELOW
    worth[np.argsort(best, kind="stable")[:least]] = True
    left_out = int(np.count_nonzero(~worth))
    if not left_out:
        return worth, ""
    return worth, (
        f"{left_out} of {len(pairs)} pairs within reach were left out by screening: noise alone would do as "
        f"well in 1 of {1 / WORTH_BELOW:.0f} of them"
    )


def _screen(
    one: Mapping[str, PreparedRecording],
    pairs: Sequence[tuple[str, str]],
    *,
    longest_delay_s: Sequence[float],
    best: NDArray[np.float64],
) -> None:
    """Lower the significance of each pair to that of one more round, where both loggers recorded."""
    number = {logger: i for i, logger in enumerate(one)}
    rows = [row for row, pair in enumerate(pairs) if set(pair) <= number.keys()]
    if not rows:
        return
    found = screen_pairs(
        list(one.values()),
        np.array([[number[logger] for logger in pairs[row]] for row in rows]),
        max_delay_s=np.array([longest_delay_s[row] for row in rows]),
    )
    best[rows] = np.minimum(best[rows], found.significance)
