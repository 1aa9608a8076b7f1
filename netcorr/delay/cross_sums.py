"""Cross-spectra of many pairs from stored spectra: neighbouring bins multiplied and summed in groups.

The sum over a group of bins is what an average over segments as long as the inverse of the group's width
would give, without cutting the record into segments and without a taper.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from netcorr.errors import DelayError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.delay.prepare import PreparedRecording

#: Recordings on a side of a tile: so small that the product of a group stays on one core and in its cache.
TILE = 16
#: Share of a tile's pairs that must be asked for before all are cheaper than each by itself.
DENSE = 0.25
#: Pairs in a block that is not a dense tile: few enough for even work on all threads.
BLOCK = 64
#: Width of a group times the longest delay: at that delay sin(pi x) / (pi x) = 0.90 of the height is kept.
WIDTH_TIMES_DELAY = 0.25
#: Groups are never wider, so that narrow bands hold several. [Hz]
WIDEST_GROUP_HZ = 2.0


@dataclass(frozen=True, eq=False)
class GroupedSpectra:
    """Spectra of a round in single precision, bins sorted into groups.

    Attributes
    ----------
    values : numpy.ndarray
        Shape (recordings, m, groups), complex64: bin number `m` of each group.
    filled : numpy.ndarray
        Shape (recordings, groups), float32: share of the bins of a group that are usable, 0 to 1.
    group_hz : float
        Width of a group; group g is centred on g times this. [Hz]
    independent : float
        Independent bins in a full group: padding makes more bins, not more information.
    """

    values: NDArray[np.complex64]
    filled: NDArray[np.float32]
    group_hz: float
    independent: float
    _tiles: dict[int, NDArray[np.complex64]] = field(default_factory=dict, init=False, repr=False)

    @property
    def size(self) -> int:
        """Number of groups."""
        return int(self.values.shape[2])

    def tile(self, number: int) -> NDArray[np.complex64]:
        """Spectra of `TILE` recordings, shape (groups, recordings, m), kept once asked for."""
        if number not in self._tiles:
            some = self.values[number * TILE : (number + 1) * TILE]
            self._tiles[number] = np.ascontiguousarray(some.transpose(2, 0, 1))
        return self._tiles[number]


def group_spectra(prepared: Sequence[PreparedRecording], *, max_delay_s: float) -> GroupedSpectra:
    """Sort the bins of a round into groups as wide as the longest delay allows.

    Parameters
    ----------
    prepared : sequence of PreparedRecording
        Recordings of one round, prepared alike.
    max_delay_s : float
        Longest delay that will be asked for. [s]

    Returns
    -------
    GroupedSpectra
        Spectra in groups.

    Raises
    ------
    DelayError
        If the recordings were not prepared alike, or are too short for the delay.
    """
    first = _checked(prepared, max_delay_s=max_delay_s)
    width_hz = min(WIDTH_TIMES_DELAY / max_delay_s, WIDEST_GROUP_HZ)
    # an odd number of bins has its middle on a bin
    per_group = max((int(width_hz / first.bin_hz) - 1) // 2 * 2 + 1, 1)
    half = per_group // 2
    groups = (first.spectrum.size + half) // per_group + 1
    values = np.empty((len(prepared), per_group, groups), dtype=np.complex64)
    filled = np.empty((len(prepared), groups), dtype=np.float32)
    line = np.zeros(groups * per_group, dtype=np.complex64)
    mask = np.zeros(groups * per_group, dtype=np.float32)
    share = np.full(per_group, 1 / per_group, dtype=np.float32)
    inside = slice(half, half + first.spectrum.size)
    for row, one in enumerate(prepared):
        line[inside], mask[inside] = one.spectrum, one.usable
        values[row] = line.reshape(groups, per_group).T
        filled[row] = mask.reshape(groups, per_group) @ share
    return GroupedSpectra(
        values=values,
        filled=filled,
        group_hz=per_group * first.bin_hz,
        independent=per_group * first.bin_hz * first.duration_s,
    )


def _checked(prepared: Sequence[PreparedRecording], *, max_delay_s: float) -> PreparedRecording:
    """First of the recordings, when all can be compared with it."""
    if len(prepared) < 2:
        raise DelayError(
            "round", found=f"{len(prepared)} recordings", remedy="at least two are needed for a pair"
        )
    first = prepared[0]
    for number, one in enumerate(prepared):
        if one.spectrum.size != first.spectrum.size or one.bin_hz != first.bin_hz:
            raise DelayError(
                f"recording {number}",
                found="prepared differently from recording 0",
                remedy="prepare the round as one",
            )
    if not 0 < max_delay_s <= first.duration_s / 3:
        raise DelayError(
            "longest delay",
            found=f"{max_delay_s:g} s for {first.duration_s:.1f} s of common record",
            remedy="give more than 0 s and record at least three times the longest travel time",
        )
    return first


def bins_in_bands(
    filled: NDArray[np.float32], pairs: NDArray[np.int64], *, bands: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Usable bins that two recordings have in common, in units of a full group.

    Parameters
    ----------
    filled : numpy.ndarray
        Shape (recordings, groups): usable share of each group.
    pairs : numpy.ndarray
        Shape (n, 2): numbers of recordings.
    bands : numpy.ndarray
        Shape (r, 2): groups at which each band begins, and one past its last.

    Returns
    -------
    numpy.ndarray
        Shape (n, r).
    """
    ends = np.unique(bands)
    shared = filled[pairs[:, 0], : ends[-1]] * filled[pairs[:, 1], : ends[-1]]
    running = np.zeros((len(pairs), ends.size))
    np.cumsum(np.add.reduceat(shared, ends[:-1], axis=1), axis=1, out=running[:, 1:])
    place = np.searchsorted(ends, bands)
    return np.asarray(running[:, place[:, 1]] - running[:, place[:, 0]])


def work_blocks(pairs: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Rows of `pairs` that are best done together.

    Parameters
    ----------
    pairs : numpy.ndarray
        Shape (n, 2): numbers of recordings.

    Returns
    -------
    list of numpy.ndarray
        Row numbers; each row in one block. Dense tiles come whole.
    """
    tile = (pairs // TILE) @ np.array([1 << 32, 1])
    order = np.lexsort((pairs[:, 1], pairs[:, 0], tile))
    blocks, sparse = [], []
    for rows in np.split(order, np.flatnonzero(np.diff(tile[order])) + 1):
        if rows.size >= DENSE * TILE**2:
            blocks.append(rows)
        else:
            sparse.append(rows)
    if sparse:
        rest = np.concatenate(sparse)
        blocks += np.split(rest, range(BLOCK, rest.size, BLOCK))
    return [block for block in blocks if block.size]


def cross_sums(spectra: GroupedSpectra, pairs: NDArray[np.int64]) -> NDArray[np.complex64]:
    """Sums of conj(A) B over each group.

    Parameters
    ----------
    spectra : GroupedSpectra
        Spectra of a round.
    pairs : numpy.ndarray
        Shape (n, 2): a block of `work_blocks`.

    Returns
    -------
    numpy.ndarray
        Shape (n, groups), complex64.
    """
    low = pairs.min(axis=0) // TILE
    one_tile = bool(np.array_equal(low, pairs.max(axis=0) // TILE))
    if one_tile and pairs.shape[0] >= DENSE * TILE**2:
        return _sums_of_tile(spectra, pairs, start=low * TILE)
    sums = np.empty((pairs.shape[0], spectra.size), dtype=np.complex64)
    product = np.empty(spectra.values.shape[1:], dtype=np.complex64)
    last, conjugate = -1, product
    for row, (a, b) in enumerate(pairs.tolist()):
        if a != last:
            last, conjugate = a, spectra.values[a].conj()
        np.multiply(conjugate, spectra.values[b], out=product)
        np.add.reduce(product, axis=0, out=sums[row])
    return sums


def _sums_of_tile(
    spectra: GroupedSpectra, pairs: NDArray[np.int64], *, start: NDArray[np.int64]
) -> NDArray[np.complex64]:
    """All pairs of two runs of recordings by matrix products, one for each group."""
    left, right = (spectra.tile(int(first) // TILE) for first in start)
    products = np.matmul(left.conj(), right.swapaxes(1, 2))
    columns = (pairs[:, 0] - start[0]) * right.shape[1] + pairs[:, 1] - start[1]
    by_pair = np.ascontiguousarray(products.reshape(spectra.size, -1).T)
    return by_pair if np.array_equal(columns, np.arange(by_pair.shape[0])) else by_pair[columns]
