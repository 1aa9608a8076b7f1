"""A round in blocks of time: what lasts is in all of them, a burst of usage only in some.

A loud burst of a second or two can fill the evidence of a whole record and hide a leak beside it. The
correlograms of a record are sums over its blocks, so the evidence of any choice of blocks is had by adding
theirs: of those in which the strongest delay stands out, and of the rest, in which what lasts still shows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

from netcorr.delay.likelihood import ALL, BandCorrelograms
from netcorr.delay.sub_bands import period_samples, sub_band_bins

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.delay.prepare import PreparedRecording

#: Length of a block at least, and in longest delays. [s]
LEAST_BLOCK_S = 1.0
BLOCK_DELAYS = 3.0
#: Blocks at least and at most: fewer cannot tell what lasts, more cost time.
FEWEST, MOST = 4, 12
#: A source is uneven when the other blocks show less than this share of what the strongest let expect.
UNEVEN = 0.3
#: A noise that is there for more of a round than this is not told from what lasts and is drowned at times:
#: taken to pass, it made leaks of echoes and of usage (simulated surveys of all kinds).
MOST_PASSING = 0.55
#: Evidence of the strongest blocks below this is no burst. [nats]
LEAST_EVIDENCE = 5.0
#: Samples kept beyond the longest delay around a block: what dispersion turns further than that is lost.
GUARD = 48
#: The peak is looked for this far to either side of its place in the whole record, in delays of the grid.
NEAR = 4


@dataclass(frozen=True, eq=False)
class RoundSplit:
    """A round told apart in time: blocks that a passing noise may fill, and the rest.

    Attributes
    ----------
    passing_share : float
        Share of the time that the passing noise may fill, 0 to 1.
    passing_log_likelihood : numpy.ndarray
        Shape (m,): log-likelihood of every delay from these blocks alone.
    lasting_log_likelihood : numpy.ndarray
        Shape (m,): log-likelihood of every delay from the rest.
    """

    passing_share: float
    passing_log_likelihood: NDArray[np.float64]
    lasting_log_likelihood: NDArray[np.float64]


class BlockCorrelograms:
    """Correlograms of one pair in every sub-band and block; those of any choice of blocks are their sum.

    Parameters
    ----------
    a, b : PreparedRecording
        Recordings of one round, prepared alike.
    usable : numpy.ndarray
        Shape (k,), bool: bins that count.
    whole : BandCorrelograms
        Of the whole record: its delays and sub-bands are used.

    Attributes
    ----------
    count : int
        Number of blocks, 0 when the record is too short for `FEWEST`.
    """

    def __init__(
        self,
        a: PreparedRecording,
        b: PreparedRecording,
        usable: NDArray[np.bool_],
        *,
        whole: BandCorrelograms,
    ) -> None:
        longest_s = float(whole.delay_s[-1])
        count = int(a.duration_s / max(LEAST_BLOCK_S, BLOCK_DELAYS * longest_s))
        self.count = min(count, MOST) if count >= FEWEST else 0
        self._whole = whole
        self._known: dict[tuple[Any, ...], NDArray[np.float64]] = {}
        if self.count:
            self._cut(a, b, usable)

    def _cut(self, a: PreparedRecording, b: PreparedRecording, usable: NDArray[np.bool_]) -> None:
        """Cross-spectra of the blocks, and power of A and B in bins, shape (2, blocks, b).

        With a block of one all goes that a delay can bring there from the other, so that the blocks add up to
        the whole; the mean of both ways round does not depend on which is A.
        """
        size = self._whole.samples
        rate_hz = size * a.bin_hz
        reach = math.ceil(self._whole.delay_s[-1] * rate_hz) + 1 + GUARD
        signals = [
            np.pad(fft.irfft(np.where(usable, one.spectrum, 0.0), size), (reach, reach)) for one in (a, b)
        ]
        edges = np.linspace(0, a.duration_s * rate_hz, self.count + 1).astype(np.int64)
        self._samples = length = period_samples(int(np.diff(edges).max()) + 2 * reach)
        number = np.arange(length // 2 + 1, dtype=np.float64)
        self._numbers = sub_band_bins(self._whole.edges_hz, rate_hz / length, number.size)
        turn = np.exp(2j * np.pi * reach / length * number)  # what is around a block begins so much earlier
        # a sum over samples, in bins of the whole record
        per_bin = a.duration_s * min(a.filled_share, b.filled_share) * a.bin_hz
        self._scale = scale = per_bin * size / length
        self._cross, power = [], []
        for first, last in pairwise(edges.tolist()):
            in_a, in_b = (fft.rfft(one[first + reach : last + reach], length) for one in signals)
            round_a, round_b = (fft.rfft(one[first : last + 2 * reach], length) * turn for one in signals)
            self._cross.append(0.5 * (np.conj(in_a) * round_b + np.conj(round_a) * in_b))
            power.append([scale * _band_power(one, self._numbers) for one in (in_a, in_b)])
        self._power = np.asarray(power).transpose(1, 0, 2)

    def _rows(self, delays: slice) -> NDArray[np.float64]:
        """Correlograms of every block at some delays, shape (blocks, b, m), in bins; made once."""
        key = (delays.start, delays.stop)
        if key not in self._known:
            rows = [
                self._scale * self._whole.correlate(one, self._numbers, samples=self._samples, delays=delays)
                for one in self._cross
            ]
            self._known[key] = np.stack(rows)
        return self._known[key]

    def of(self, blocks: Sequence[int], delays: slice = ALL) -> BandCorrelograms:
        """Correlograms of a choice of blocks at some delays, each sub-band brought to unit power in it."""
        chosen = list(blocks)
        bins = np.diff(self._whole.bins) * (len(chosen) / self.count)
        power = np.sqrt(np.prod(self._power[:, chosen].sum(axis=1), axis=0))
        scale = np.where(power > 0, bins / np.maximum(power, 1e-300), 0.0)
        rows = self._rows(delays)[chosen].sum(axis=0)
        return self._whole.with_rows(rows * scale[:, None], bins, delays)


def _band_power(spectrum: NDArray[np.complex128], numbers: NDArray[np.int64]) -> NDArray[np.float64]:
    """Sum of squares in each sub-band, shape (b,)."""
    power = spectrum.real**2 + spectrum.imag**2
    return np.diff(np.concatenate([[0.0], np.cumsum(power)])[numbers])


def split_round(blocks: BlockCorrelograms, *, peak: int, polarity: int) -> tuple[RoundSplit, ...]:
    """Ways to tell a passing noise from what lasts, where the strongest delay is uneven in time.

    Parameters
    ----------
    blocks : BlockCorrelograms
        Of the round.
    peak : int
        Place of the strongest delay of the whole record.
    polarity : {1, -1, 0}
        Of the strongest delay; both are averaged over for 0.

    Returns
    -------
    tuple of RoundSplit
        Empty when the record is short, or the strongest delay is there all the time.

    Notes
    -----
    Blocks are taken in the order of what each by itself says for the strongest delay. The number that says
    most together is that of the blocks that hold it: one too many dilutes it, one too few leaves some out.
    Its neighbours are tried too.
    """
    if not blocks.count:
        return ()
    near = slice(max(peak - NEAR, 0), peak + NEAR + 1)

    def says(chosen: Sequence[int]) -> float:
        some = blocks.of(chosen, near)
        return max(float(some.own_coherences(sign).max()) for sign in ((polarity,) if polarity else (1, -1)))

    by_block = [says([k]) for k in range(blocks.count)]
    order = [int(k) for k in np.argsort(by_block)[::-1]]
    sizes = range(1, blocks.count)
    strongest = np.array([says(order[:size]) for size in sizes])
    best = int(np.argmax(strongest)) + 1
    if best > MOST_PASSING * blocks.count:
        return ()
    expected = strongest[best - 1] * (blocks.count - best) / best
    if strongest[best - 1] < LEAST_EVIDENCE or says(order[best:]) > UNEVEN * expected:
        return ()
    return tuple(
        RoundSplit(
            passing_share=size / blocks.count,
            passing_log_likelihood=_evidence(blocks.of(order[:size]), polarity),
            lasting_log_likelihood=_evidence(blocks.of(order[size:]), polarity),
        )
        for size in range(max(best - 1, 1), min(best + 2, blocks.count))
        if size <= MOST_PASSING * blocks.count
    )


def _evidence(correlograms: BandCorrelograms, polarity: int) -> NDArray[np.float64]:
    """Log-likelihood of every delay, shape (m,), for a known polarity or for both."""
    if polarity:
        return correlograms.of_polarity(polarity)
    return correlograms.log_likelihood()
