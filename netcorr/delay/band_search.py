"""The highest peak among the correlograms of many bands, for a block of pairs at once.

A leak fills a band that nobody knows beforehand. The spectrum is cut into parts about an octave wide; the
correlogram of every contiguous run of parts is the sum of theirs. Low bands need few delays and are searched
by themselves, in finer parts.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import fft

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Edges of the parts of the two searches; the ends of the band take the place of those beyond them. [Hz]
LOW_EDGES_HZ = (32.0, 64.0, 128.0, 256.0)
HIGH_EDGES_HZ = (256.0, 512.0, 1024.0)
#: Delays for each half period of the highest frequency: the low search is cheap, the high one not.
LOW_OVERSAMPLING = 2.5
HIGH_OVERSAMPLING = 1.25
#: Spectra and correlograms that are worked on at once, for each thread. More leaves the cache. [byte]
BLOCK_BYTES = 1 << 21


@dataclass(frozen=True, eq=False)
class Level:
    """One search: parts of the spectrum, and the delays at which their correlograms are taken.

    Attributes
    ----------
    edges : tuple of int
        Groups at which the parts begin, and one past the last.
    runs : numpy.ndarray
        Shape (r, 2): first part and one past the last of each band.
    size : int
        Length of the inverse transform.
    step_s : float
        Spacing of the delays. [s]
    half : int
        Delays searched on either side of zero.
    frequency_squared : numpy.ndarray
        Shape (2 * last edge,), float32: for the real and the imaginary side of each group. [Hz^2]
    start : numpy.ndarray
        Shape (last edge,), complex64: factor that puts the lowest delay first.
    """

    edges: tuple[int, ...]
    runs: NDArray[np.int64]
    size: int
    step_s: float
    half: int
    frequency_squared: NDArray[np.float32]
    start: NDArray[np.complex64]

    @property
    def parts(self) -> int:
        """Number of parts."""
        return len(self.edges) - 1


@dataclass(frozen=True, eq=False)
class Peaks:
    """Best band of each pair of a block, arrays of shape (n,).

    Attributes
    ----------
    delay_s : numpy.ndarray
        Delay of the peak, arrival at B minus arrival at A. [s]
    total : numpy.ndarray
        Signed peak of the sum over the band.
    log_crossings : numpy.ndarray
        Log of the number of times that noise alone would reach this height, in this one band.
    band : numpy.ndarray
        Row of the band in `bands_of`.
    """

    delay_s: NDArray[np.float64]
    total: NDArray[np.float64]
    log_crossings: NDArray[np.float64]
    band: NDArray[np.int64]


def joined(peaks: list[Peaks]) -> Peaks:
    """Peaks of several blocks, one block after the other.

    Parameters
    ----------
    peaks : list of Peaks
        At least one.

    Returns
    -------
    Peaks
        All of them.
    """
    return Peaks(
        delay_s=np.concatenate([one.delay_s for one in peaks]),
        total=np.concatenate([one.total for one in peaks]),
        log_crossings=np.concatenate([one.log_crossings for one in peaks]),
        band=np.concatenate([one.band for one in peaks]),
    )


def bands_of(levels: tuple[Level, ...]) -> NDArray[np.int64]:
    """All bands that are tried.

    Parameters
    ----------
    levels : tuple of Level
        From `search_levels`.

    Returns
    -------
    numpy.ndarray
        Shape (r, 2): groups at which each band begins, and one past its last.
    """
    return np.concatenate([np.asarray(level.edges)[level.runs] for level in levels])


def search_levels(groups: int, group_hz: float, *, max_delay_s: float) -> tuple[Level, ...]:
    """The searches that fit a spectrum.

    Parameters
    ----------
    groups : int
        Number of groups of the cross-spectrum.
    group_hz : float
        Width of a group. [Hz]
    max_delay_s : float
        Longest delay of all pairs. [s]

    Returns
    -------
    tuple of Level
        The low bands, and those that reach above them.
    """
    top_hz = groups * group_hz
    low = (0.0, *(edge for edge in LOW_EDGES_HZ if edge < top_hz / 1.25))
    high = (0.0, *(edge for edge in HIGH_EDGES_HZ if edge < top_hz / 1.25), top_hz)
    searches = [high] if len(low) == 1 else [low, high]
    levels = []
    for number, edges_hz in enumerate(searches):
        edges = sorted({min(max(round(edge / group_hz), 1), groups) for edge in edges_hz})
        is_low = number < len(searches) - 1
        # the lowest part of the high search is the widest band of the low one
        first_run = 1 if number > 0 and len(edges) > 2 else 0
        levels.append(
            _level(
                edges,
                group_hz,
                first_run=first_run,
                max_delay_s=max_delay_s,
                oversampling=LOW_OVERSAMPLING if is_low else HIGH_OVERSAMPLING,
            )
        )
    return tuple(levels)


def _level(
    edges: list[int], group_hz: float, *, first_run: int, max_delay_s: float, oversampling: float
) -> Level:
    parts = len(edges) - 1
    runs = [(i, j) for i in range(parts) for j in range(i + 1, parts + 1)][first_run:]
    size = fft.next_fast_len(int(np.ceil(2 * oversampling * edges[-1])), real=True)
    step_s = 1 / (size * group_hz)
    half = min(int(np.ceil(max_delay_s / step_s)), (size - 1) // 2)
    group = np.arange(edges[-1])
    # Re sum S exp(...) is half of what the two sides of a spectrum give
    start = 0.5 * np.exp(-2j * np.pi * group * half / size)
    return Level(
        edges=tuple(edges),
        runs=np.asarray(runs, dtype=np.int64),
        size=size,
        step_s=step_s,
        half=half,
        frequency_squared=np.repeat((group * group_hz) ** 2, 2).astype(np.float32),
        start=start.astype(np.complex64),
    )


def search(
    sums: NDArray[np.complex64],
    levels: tuple[Level, ...],
    *,
    max_delay_s: NDArray[np.float64],
    block_pairs: int | None = None,
) -> Peaks:
    """Most significant peak of each pair over all bands of all searches.

    Parameters
    ----------
    sums : numpy.ndarray
        Shape (n, groups), complex64: cross-spectra.
    levels : tuple of Level
        From `search_levels`.
    max_delay_s : numpy.ndarray
        Shape (n,): half width of the search range of each pair. [s]
    block_pairs : int, optional
        Pairs that are transformed together; by default as many as fit the cache.

    Returns
    -------
    Peaks
        One for each pair.

    Notes
    -----
    Given the sizes of the sums, noise leaves their phases independent and uniform. The correlogram is then a
    sum of cosines of random phase with variance ``v = sum |S|^2 / 2``: it passes a height u at one delay with
    a probability of at most ``exp(-u^2 / 2 v)``, and anywhere in the range about
    ``2 * range * f_rms * exp(-u^2 / 2 v)`` times, either polarity (Rice, 1944). A line that was left in
    raises v with the peak, so it does not pass for a source.
    """
    found = [
        _search_level(sums, level, max_delay_s=max_delay_s, piece=block_pairs or _pairs_in_cache(level))
        for level in levels
    ]
    best = np.argmin(np.stack([peaks.log_crossings for peaks in found]), axis=0)
    rows = np.arange(sums.shape[0])
    # bands are numbered through all searches
    offset = np.cumsum([0, *(len(level.runs) for level in levels)])[:-1]
    band = np.stack([peaks.band for peaks in found]) + offset[:, None]
    return Peaks(
        delay_s=np.stack([peaks.delay_s for peaks in found])[best, rows],
        total=np.stack([peaks.total for peaks in found])[best, rows],
        log_crossings=np.stack([peaks.log_crossings for peaks in found])[best, rows],
        band=band[best, rows],
    )


def _pairs_in_cache(level: Level) -> int:
    """Pairs whose spectra and correlograms take `BLOCK_BYTES`."""
    return max(BLOCK_BYTES // (8 * level.parts * level.size), 4)


def _search_level(
    sums: NDArray[np.complex64], level: Level, *, max_delay_s: NDArray[np.float64], piece: int
) -> Peaks:
    """Most significant peak of each pair over the bands of one search."""
    lag = np.empty((len(level.runs), sums.shape[0]), dtype=np.int64)
    around = np.empty((*lag.shape, 3))
    for start in range(0, sums.shape[0], piece):
        rows = slice(start, start + piece)
        running = _running_correlograms(sums[rows], level, max_delay_s=max_delay_s[rows])
        lag[:, rows] = _run_peaks(running, level)
        around[:, rows] = _around(running, level, lag=lag[:, rows])
    return _best_band(sums, level, lag=lag, around=around, max_delay_s=max_delay_s)


def _best_band(
    sums: NDArray[np.complex64],
    level: Level,
    *,
    lag: NDArray[np.int64],
    around: NDArray[np.float64],
    max_delay_s: NDArray[np.float64],
) -> Peaks:
    """The band in which noise would reach the height of the peak least often."""
    # between samples by a parabola
    sign = np.sign(around[:, :, 1])
    before, top, after = np.moveaxis(around * sign[:, :, None], 2, 0)
    bend, slope = before - 2 * top + after, 0.5 * (before - after)
    shift = np.clip(slope / np.where(bend < 0, bend, -np.inf), -0.5, 0.5)
    height = top - 0.5 * slope * shift
    energy, rms_hz = _energy_and_frequency(sums, level)
    crossings = 2 * np.maximum(2 * max_delay_s * rms_hz, 1.0)
    log_crossings = np.log(crossings) - height**2 / energy
    best, rows = np.argmin(log_crossings, axis=0), np.arange(sums.shape[0])
    delay_s = (lag[best, rows] - level.half + shift[best, rows]) * level.step_s
    return Peaks(
        delay_s=np.clip(delay_s, -max_delay_s, max_delay_s),
        total=(height * sign)[best, rows],
        log_crossings=log_crossings[best, rows],
        band=best,
    )


class _Scratch(threading.local):
    """Spectra with zeros outside of their parts, kept by each thread: the zeros are never written."""

    def __init__(self) -> None:
        self.kept: dict[tuple[tuple[int, ...], int, int], NDArray[np.complex64]] = {}

    def spectra(self, n: int, level: Level) -> NDArray[np.complex64]:
        """Room for the spectra of a block, shape (parts, n, size // 2 + 1)."""
        key = (level.edges, level.size, n)
        if key not in self.kept:
            # two searches, each with a full block and a rest or two
            if len(self.kept) >= 8:
                self.kept.clear()
            self.kept[key] = np.zeros((level.parts, n, level.size // 2 + 1), dtype=np.complex64)
        return self.kept[key]


_scratch = _Scratch()


def _running_correlograms(
    sums: NDArray[np.complex64], level: Level, *, max_delay_s: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Correlogram of part 0, of parts 0 and 1, and so on: shape (parts, n, delays), zero beyond the range."""
    n, half = sums.shape[0], level.half
    spectrum = _scratch.spectra(n, level)
    for part in range(level.parts):
        inside = slice(level.edges[part], level.edges[part + 1])
        np.multiply(sums[:, inside], level.start[inside], out=spectrum[part, :, inside])
        spectrum[part + 1 :, :, inside] = spectrum[part, :, inside]
    running: NDArray[np.float32] = fft.irfft(spectrum, level.size, axis=2, norm="forward")
    running = running[:, :, : 2 * half + 1]
    if max_delay_s.min() < (half - 1) * level.step_s:
        delay_s = np.abs(np.arange(-half, half + 1)) * level.step_s
        running *= delay_s <= max_delay_s[:, None]
    return running


def _run_peaks(running: NDArray[np.float32], level: Level) -> NDArray[np.int64]:
    """Place of the highest peak, either polarity, of each band and pair: shape (runs, n)."""
    lag = np.empty((len(level.runs), running.shape[1]), dtype=np.int64)
    total = np.empty(running.shape[1:], dtype=np.float32)
    for number, (first, last) in enumerate(level.runs.tolist()):
        if first:
            np.subtract(running[last - 1], running[first - 1], out=total)
            np.abs(total, out=total)
        else:
            np.abs(running[last - 1], out=total)
        np.argmax(total, axis=1, out=lag[number])
    return lag


def _around(running: NDArray[np.float32], level: Level, *, lag: NDArray[np.int64]) -> NDArray[np.float64]:
    """Values before, at and after a place in each band: shape (runs, n, 3)."""
    near = np.clip(lag[:, :, None] + np.array([-1, 0, 1]), 0, running.shape[2] - 1)
    rows = np.arange(running.shape[1])[:, None]
    first, last = level.runs.T[:, :, None, None]
    below = np.where(first > 0, running[first - 1, rows, near], 0.0)
    return np.asarray(running[last - 1, rows, near] - below, dtype=np.float64)


def _energy_and_frequency(
    sums: NDArray[np.complex64], level: Level
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sum of the squared sizes over each run, and its root mean square frequency, shape (runs, n)."""
    power = np.square(sums.view(np.float32)[:, : 2 * level.edges[-1]])
    starts = 2 * np.asarray(level.edges[:-1])
    # a matrix product would be as quick, but starts threads of its own
    running = np.zeros((2, len(sums), level.parts + 1))
    np.cumsum(np.add.reduceat(power, starts, axis=1), axis=1, out=running[0, :, 1:])
    np.multiply(power, level.frequency_squared, out=power)
    np.cumsum(np.add.reduceat(power, starts, axis=1), axis=1, out=running[1, :, 1:])
    energy, square = (running[:, :, level.runs[:, 1]] - running[:, :, level.runs[:, 0]]).transpose(0, 2, 1)
    energy = np.maximum(energy, 1e-30)
    return energy, np.sqrt(np.maximum(square, 0.0) / energy)
