"""What else is in a recording: knocks, stretches that are louder than the rest, a steady tone."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Length of the frames in which the level is judged. [s]
FRAME_S = 0.25
#: Median magnitude of Gaussian noise of unit power.
_MEDIAN_OF_NOISE = 0.6745
#: A knock stands this many times above the rms of the noise about it; Gaussian noise does so once in 1e15.
_KNOCK = 8.0
#: Peaks nearer than this are one knock. [s]
_APART_S = 0.1
#: Loud is this many times the level of the quietest quarter, for two frames at least.
_LOUD = 3.0
_LOUD_FRAMES = 2
#: A tone worth a word holds this share of the energy, within this half width [Hz],
_TONE_SHARE = 0.1
_TONE_HALF_HZ = 0.5
#: stands this many times above the noise beside it, judged so far to either side [Hz],
_TONE_EXCESS = 20.0
_BESIDE_HZ = 8.0
#: and lies above what is used for nothing. [Hz]
_LOWEST_HZ = 10.0
#: Rumble below that is worth a word from this share of the energy on.
_RUMBLE_SHARE = 0.6
#: Mains hum strays this far for each of its orders. [Hz]
_STRAY_HZ = 0.25


@dataclass(frozen=True, eq=False)
class Levels:
    """Level of a recording in time, untouched by knocks.

    Attributes
    ----------
    frame : numpy.ndarray
        Shape (frames,): root mean square of noise with the median magnitude of each frame.
    highest : numpy.ndarray
        Shape (frames,): largest magnitude about the median of the record.
    usual : float
        Median of `frame`.
    """

    frame: NDArray[np.float32]
    highest: NDArray[np.float32]
    usual: float


def measure_levels(samples: NDArray[np.float32], sample_rate_hz: float) -> Levels:
    """Level in frames of `FRAME_S`.

    Parameters
    ----------
    samples : numpy.ndarray
        Shape (n,), finite.
    sample_rate_hz : float
        Sample rate. [Hz]

    Returns
    -------
    Levels
        What is left over at the end belongs to no frame; a record shorter than one frame is one.

    Examples
    --------
    >>> import numpy as np
    >>> noise = np.random.default_rng(1).normal(0.3, 0.1, 40_000).astype(np.float32)
    >>> round(measure_levels(noise, 4000).usual, 2)
    0.1
    """
    length = min(max(round(FRAME_S * sample_rate_hz), 1), samples.size)
    count = samples.size // length
    middle = np.float32(np.mean(samples, dtype=np.float64))
    frames = np.abs(samples[: count * length].reshape(count, length) - middle)
    highest = frames.max(axis=1)
    # the middle one of every second sample is the median near enough, and found twice as fast
    median = np.partition(frames[:, ::2], (length + 1) // 4, axis=1)[:, (length + 1) // 4]
    frame: NDArray[np.float32] = np.asarray(median / _MEDIAN_OF_NOISE, dtype=np.float32)
    return Levels(frame, highest, float(np.median(frame)))


def find_knocks(samples: NDArray[np.float32], sample_rate_hz: float, *, levels: Levels) -> list[str]:
    """Sentence about knocks: far above the noise, and too short to change the level of their frame.

    Parameters
    ----------
    samples : numpy.ndarray
        Shape (n,), finite.
    sample_rate_hz : float
        Sample rate. [Hz]
    levels : Levels
        Of these samples.

    Returns
    -------
    list of str
        Empty, or one sentence.
    """
    around = levels.frame.copy()  # a stretch that becomes loud in mid-frame is no knock
    around[1:] = np.maximum(around[1:], levels.frame[:-1])
    around[:-1] = np.maximum(around[:-1], levels.frame[1:])
    limit = _KNOCK * np.maximum(around, levels.usual)
    hit = np.flatnonzero((levels.highest > limit) & (limit > 0))
    if not hit.size:
        return []
    length = min(max(round(FRAME_S * sample_rate_hz), 1), samples.size)
    middle = np.float32(np.mean(samples, dtype=np.float64))
    peaks = [
        first * length + np.flatnonzero(np.abs(samples[first * length :][:length] - middle) > limit[first])
        for first in hit
    ]
    place = np.concatenate(peaks)
    count = 1 + int(np.count_nonzero(np.diff(place) > _APART_S * sample_rate_hz))
    loudest = place[np.argmax(np.abs(samples[place] - middle))]
    times = float(np.abs(samples[loudest] - middle)) / levels.usual
    return [
        f"{count} knock{'s' if count > 1 else ''}, the loudest {times:.2g} times the usual level at "
        f"{loudest / sample_rate_hz:.1f} s, which count no more than other moments: keep off the fitting "
        "while it records"
    ]


def find_loud_stretch(levels: Levels) -> list[str]:
    """Sentence about the time in which a recording is far louder than in its quiet quarter.

    Parameters
    ----------
    levels : Levels
        Of the recording.

    Returns
    -------
    list of str
        Empty, or one sentence.
    """
    quiet = float(np.quantile(levels.frame, 0.25))
    loud = levels.frame > _LOUD * quiet
    if quiet <= 0 or not loud.any():
        return []
    edges = np.flatnonzero(np.diff(loud.astype(np.int8), prepend=0, append=0))
    first, last = edges[::2], edges[1::2]
    long = last - first >= _LOUD_FRAMES
    if not long.any():
        return []
    frames = np.concatenate([np.arange(f, k) for f, k in zip(first[long], last[long], strict=True)])
    rise_db = 20 * math.log10(float(np.median(levels.frame[frames])) / quiet)
    return [
        f"loud for {frames.size * FRAME_S:.2g} s from {frames[0] * FRAME_S:.1f} s on, {rise_db:.0f} dB above "
        "the rest: usage or traffic, which is levelled and must not be taken for a leak"
    ]


def find_rumble(power: NDArray[np.float64], step_hz: float) -> list[str]:
    """Sentence about energy below all that is used: passing traffic, wind, a hand on the fitting.

    Parameters
    ----------
    power : numpy.ndarray
        Shape (bins,): power spectrum about the mean.
    step_hz : float
        Spacing of its bins. [Hz]

    Returns
    -------
    list of str
        Empty, or one sentence.

    Examples
    --------
    >>> find_rumble(np.concatenate([np.full(10, 50.0), np.ones(90)]), 1.0)  # doctest: +ELLIPSIS
    ['85 % of the energy is rumble below 10 Hz (traffic, wind or handling), which is not used: ...']
    """
    total = float(power.sum())
    share = float(power[: math.ceil(_LOWEST_HZ / step_hz)].sum()) / total if total > 0 else 0.0
    if share < _RUMBLE_SHARE:
        return []
    return [
        f"{100 * share:.2g} % of the energy is rumble below {_LOWEST_HZ:g} Hz (traffic, wind or handling), "
        "which is not used: where it drives the gain down, record at a quieter hour"
    ]


def find_tone(power: NDArray[np.float64], step_hz: float, *, hum_hz: float | None) -> list[str]:
    """Sentence about a steady tone that is no mains hum.

    Parameters
    ----------
    power : numpy.ndarray
        Shape (bins,): power spectrum about the mean.
    step_hz : float
        Spacing of its bins. [Hz]
    hum_hz : float or None
        Mains frequency that was found. [Hz]

    Returns
    -------
    list of str
        Empty, or one sentence.
    """
    total = float(power.sum())
    lowest = math.ceil(_LOWEST_HZ / step_hz)
    if total <= 0 or step_hz > 2 * _TONE_HALF_HZ or power.size <= lowest:
        return []
    left = power.copy()
    left[:lowest] = 0.0
    if hum_hz is not None:
        f = np.arange(power.size) * step_hz
        order = np.maximum(np.round(f / hum_hz), 1)
        left[np.abs(f - order * hum_hz) <= np.minimum(_STRAY_HZ * order, 1.0) + 2 * step_hz] = 0.0
    peak = int(np.argmax(left))
    half = max(round(_TONE_HALF_HZ / step_hz), 2)
    inside = slice(max(peak - half, lowest), peak + half + 1)
    share = float(left[inside].sum()) / total
    if share < _TONE_SHARE:
        return []
    beside_bins = max(round(_BESIDE_HZ / step_hz), 8)
    sides = (power[max(inside.start - beside_bins, 0) : inside.start], power[inside.stop :][:beside_bins])
    # the higher of both sides: the edge of a band is no tone
    level = max(float(np.median(side)) for side in sides if side.size) / math.log(2)
    if share * total < _TONE_EXCESS * level * (inside.stop - inside.start):
        return []
    return [
        f"{100 * share:.2g} % of the energy is a tone at {peak * step_hz:.1f} Hz (a pump, motor or "
        "regulator), which is taken out"
    ]
