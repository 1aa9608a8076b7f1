"""A screening pass over all pairs within reach: which of them deserve the full evidence.

Every recording is transformed once, when it is prepared. The pass works from these stored spectra, in blocks
of pairs that fit the cache, in single precision, on two threads.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from netcorr.delay.band_search import Level, Peaks, bands_of, joined, search, search_levels
from netcorr.delay.cross_sums import bins_in_bands, cross_sums, group_spectra, work_blocks
from netcorr.errors import DelayError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import ArrayLike, NDArray

    from netcorr.delay.cross_sums import GroupedSpectra
    from netcorr.delay.prepare import PreparedRecording

#: A pair deserves the full evidence when noise alone would do as well less often than this.
WORTH_BELOW = 0.1
THREADS = 2


@dataclass(frozen=True, eq=False)
class Screening:
    """What the screening pass says, one entry for each pair in the order given.

    Attributes
    ----------
    pairs : numpy.ndarray
        Shape (n, 2): numbers of recordings A and B.
    peak_delay_s : numpy.ndarray
        Shape (n,): delay of the peak, arrival at B minus arrival at A. [s]
    height : numpy.ndarray
        Shape (n,): peak of the correlogram averaged over the unit-power bins of the band, -1 to 1; negative
        when the two sensors have opposite polarity.
    significance : numpy.ndarray
        Shape (n,): probability that noise alone would give a peak this high anywhere in the search range of
        the pair, in any of the bands tried.
    band_hz : numpy.ndarray
        Shape (n, 2): band of the peak, one of those tried. [Hz]
    worth : numpy.ndarray
        Shape (n,), bool: whether the pair deserves the full evidence.
    """

    pairs: NDArray[np.int64]
    peak_delay_s: NDArray[np.float64]
    height: NDArray[np.float64]
    significance: NDArray[np.float64]
    band_hz: NDArray[np.float64]
    worth: NDArray[np.bool_]


def screen_pairs(
    prepared: Sequence[PreparedRecording],
    pairs: ArrayLike,
    *,
    max_delay_s: ArrayLike,
    worth_below: float = WORTH_BELOW,
    block_pairs: int | None = None,
    threads: int = THREADS,
) -> Screening:
    """Peak and significance of many pairs from the stored spectra of one round.

    Parameters
    ----------
    prepared : sequence of PreparedRecording
        Recordings of one round, prepared alike.
    pairs : array_like
        Shape (n, 2): numbers of the recordings of each pair.
    max_delay_s : array_like
        Half width of the search range: one for all, or one for each pair. [s]
    worth_below : float
        Significance below which a pair deserves the full evidence.
    block_pairs : int, optional
        Pairs that are transformed together, by default as many as fit the cache. It changes speed and memory,
        not the result.
    threads : int
        Threads.

    Returns
    -------
    Screening
        One entry for each pair.

    Raises
    ------
    DelayError
        If a pair or a delay is impossible, or the recordings were not prepared alike.

    Notes
    -----
    The significance is that of `netcorr.delay.band_search.search`, with every band tried counted as if it did
    not overlap the others, which is on the safe side. A source at the end of the longest search range loses a
    tenth of its height.

    References
    ----------
    Rice, S. (1944). Mathematical analysis of random noise. Bell System Tech. J. 23(3), 282-332.

    Examples
    --------
    >>> from netcorr.delay import prepare_round
    >>> rng = np.random.default_rng(7)
    >>> s = rng.normal(size=20100)
    >>> heard = np.stack([s[50:20050], s[20:20020], rng.normal(size=20000)])
    >>> heard += rng.normal(size=heard.shape)
    >>> round_1 = prepare_round(heard, 4000.0, max_delay_s=0.05)
    >>> found = screen_pairs(round_1, [(0, 1), (0, 2), (1, 2)], max_delay_s=0.05)
    >>> round(float(found.peak_delay_s[0]), 4)  # recording 1 hears 30 samples later
    0.0075
    >>> found.worth.tolist()
    [True, False, False]
    """
    job = _Job.of(pairs, max_delay_s, block_pairs=block_pairs, threads=threads)
    spectra = group_spectra(prepared, max_delay_s=job.longest_s)
    job.check_numbers(len(prepared))
    levels = search_levels(spectra.size, spectra.group_hz, max_delay_s=job.longest_s)

    def peaks_of(rows: NDArray[np.int64]) -> Peaks:
        return job.search(cross_sums(spectra, job.pairs[rows]), rows, levels)

    with ThreadPoolExecutor(threads) as pool:
        found = list(pool.map(peaks_of, job.blocks))
    return job.screening(found, levels, spectra, filled=spectra.filled, worth_below=worth_below)


def screen_stretches(
    stretches: Iterable[Sequence[PreparedRecording]],
    pairs: ArrayLike,
    *,
    max_delay_s: ArrayLike,
    worth_below: float = WORTH_BELOW,
    block_pairs: int | None = None,
    threads: int = THREADS,
) -> Screening:
    """Peak and significance of many pairs from long recordings that come in stretches.

    Parameters
    ----------
    stretches : iterable of sequences of PreparedRecording
        The same loggers one stretch of time after the other, all equally long and prepared alike. One is held
        at a time.
    pairs, max_delay_s, worth_below, block_pairs, threads
        As for `screen_pairs`.

    Returns
    -------
    Screening
        One entry for each pair.

    Raises
    ------
    DelayError
        As `screen_pairs`, and if the stretches differ or there is none.

    Notes
    -----
    What is kept is the sums of all pairs, 8 bytes for each pair and group, however long the recording is.
    """
    job = _Job.of(pairs, max_delay_s, block_pairs=block_pairs, threads=threads)
    sums: list[NDArray[np.complex64]] = []
    with ThreadPoolExecutor(threads) as pool:
        for number, prepared in enumerate(stretches):
            spectra = group_spectra(prepared, max_delay_s=job.longest_s)
            more = list(pool.map(cross_sums, [spectra] * len(job.blocks), job.pair_blocks(len(prepared))))
            if number == 0:
                first, sums, filled = spectra, more, spectra.filled.copy()
                continue
            if spectra.values.shape != first.values.shape or spectra.group_hz != first.group_hz:
                raise DelayError(
                    f"stretch {number}",
                    found="other loggers, length or band than stretch 0",
                    remedy="cut the recordings into equal stretches; leave out a short last one",
                )
            sums = [np.add(total, addend, out=total) for total, addend in zip(sums, more, strict=True)]
            filled += spectra.filled
        if not sums:
            raise DelayError("recordings", found="no stretch", remedy="give at least one")
        levels = search_levels(first.size, first.group_hz, max_delay_s=job.longest_s)
        found = list(pool.map(job.search, sums, job.blocks, [levels] * len(sums)))
    # the share of bins is that of the mean stretch, their number that of all
    stretches_done = np.float32(number + 1)
    return job.screening(
        found, levels, first, filled=filled / stretches_done, stretches=number + 1, worth_below=worth_below
    )


@dataclass(frozen=True, eq=False)
class _Job:
    """Pairs to be screened, checked and cut into blocks."""

    pairs: NDArray[np.int64]
    max_delay_s: NDArray[np.float64]
    blocks: list[NDArray[np.int64]]
    block_pairs: int | None

    @classmethod
    def of(cls, pairs: ArrayLike, max_delay_s: ArrayLike, *, block_pairs: int | None, threads: int) -> _Job:
        """Check what was asked for."""
        numbers = np.asarray(pairs)
        if numbers.ndim != 2 or numbers.shape[1] != 2 or not len(numbers) or numbers.dtype.kind not in "iu":
            raise DelayError(
                "pairs",
                found=f"an array of shape {numbers.shape} and type {numbers.dtype}",
                remedy="give at least one row of two recording numbers",
            )
        if threads < 1 or (block_pairs is not None and block_pairs < 1):
            raise DelayError(
                "screening", found=f"{block_pairs} pairs, {threads} threads", remedy="give 1 or more"
            )
        reach_s = np.asarray(max_delay_s, dtype=np.float64)
        if reach_s.shape not in ((), (len(numbers),)) or not (np.isfinite(reach_s) & (reach_s > 0)).all():
            raise DelayError(
                "longest delay",
                found=f"{reach_s.size} values for {len(numbers)} pairs, some not above 0 s or not a number",
                remedy="give one delay above 0 s for all pairs, or one for each",
            )
        numbers = numbers.astype(np.int64)
        return cls(
            pairs=numbers,
            max_delay_s=np.broadcast_to(reach_s, len(numbers)),
            blocks=work_blocks(numbers),
            block_pairs=block_pairs,
        )

    @property
    def longest_s(self) -> float:
        """Longest delay of all pairs. [s]"""
        return float(self.max_delay_s.max())

    def check_numbers(self, recordings: int) -> None:
        """Refuse pairs of recordings that are not there, or of one with itself."""
        a, b = self.pairs.T
        wrong = np.flatnonzero(
            (a == b) | (self.pairs.min(axis=1) < 0) | (self.pairs.max(axis=1) >= recordings)
        )
        if wrong.size:
            row = int(wrong[0])
            raise DelayError(
                f"pair in row {row}",
                found=f"recordings {a[row]} and {b[row]} of {recordings}",
                remedy=f"name two different ones, 0 to {recordings - 1}",
            )

    def pair_blocks(self, recordings: int) -> list[NDArray[np.int64]]:
        """Pairs of each block, when the recordings that they name are there."""
        self.check_numbers(recordings)
        return [self.pairs[rows] for rows in self.blocks]

    def search(
        self, sums: NDArray[np.complex64], rows: NDArray[np.int64], levels: tuple[Level, ...]
    ) -> Peaks:
        """Peaks of a block, however large, in pieces that fit the cache."""
        return search(sums, levels, max_delay_s=self.max_delay_s[rows], block_pairs=self.block_pairs)

    def screening(
        self,
        found: list[Peaks],
        levels: tuple[Level, ...],
        spectra: GroupedSpectra,
        *,
        filled: NDArray[np.float32],
        worth_below: float,
        stretches: int = 1,
    ) -> Screening:
        """Peaks of all blocks in the order of the pairs, with height and significance."""
        bands = bands_of(levels)
        shared = np.concatenate(
            [bins_in_bands(filled, self.pairs[rows], bands=bands) for rows in self.blocks]
        )
        peaks = joined(found)
        tries = np.maximum((shared > 0).sum(axis=1), 1)
        significance = -np.expm1(-np.exp(np.minimum(peaks.log_crossings + np.log(tries), 100.0)))
        bins = spectra.independent * stretches * shared[np.arange(tries.size), peaks.band]
        height = np.clip(peaks.total / np.maximum(bins, 1.0), -1.0, 1.0)
        order = np.argsort(np.concatenate(self.blocks))
        return Screening(
            pairs=self.pairs,
            peak_delay_s=peaks.delay_s[order],
            height=height[order],
            significance=significance[order],
            band_hz=np.asarray((bands[peaks.band[order]] - 0.5) * spectra.group_hz, dtype=np.float64),
            worth=significance[order] < worth_below,
        )
