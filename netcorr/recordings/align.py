"""Recordings of one moment to one clock and one sample rate."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from fractions import Fraction
from math import ceil, floor
from typing import TYPE_CHECKING

import numpy as np
from scipy import fft

from netcorr.errors import RecordingError
from netcorr.recordings.interpolate import interpolate
from netcorr.recordings.recording import Recording, Rejected, Round

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: What is left of the common band when something is resampled or shifted: flat to the first, gone at
#: the second, as a share of half the common sample rate.
_FLAT_TO, _GONE_AT = 0.92, 1.0
#: Samples (at the common rate) on either side of a block that are computed and thrown away, so that the
#: ends of the block do not show. The response to one sample falls below 1e-6 well within.
_MARGIN = 512
#: Samples (at the common rate) that are worked on at once.
_BLOCK = 1 << 18


def align(recordings: Sequence[Recording], *, number: int = 1, rejected: Sequence[Rejected] = ()) -> Round:
    """Bring recordings to one sample rate and one clock, cut to the time that all of them share.

    Parameters
    ----------
    recordings : sequence of Recording
        Two or more whose times overlap.
    number : int
        Number of the round.
    rejected : sequence of Rejected
        Recordings of this round that could not be used, to be kept with it.

    Returns
    -------
    Round
        Samples at the lowest of the sample rates; sample 0 is taken at the latest of the starts.

    Raises
    ------
    RecordingError
        If there are fewer than two recordings, a logger is there twice, or they share no time.

    Notes
    -----
    Resampling and shifting by a fraction of a sample are one step in the frequency domain, with the phase
    of a pure delay, so delays are kept: `resample` says how. A recording that needs neither is copied as
    it is. Where a clock drift is given, the recording is then stretched to true time: sample k of a clock
    that is fast by e was taken k / (rate (1 + e)) after its start.
    """
    _check_group(recordings)
    rate = min(_exact(recording.sample_rate_hz) for recording in recordings)
    start = max(recording.start for recording in recordings)
    shared = min(_exact_s(recording.start - start) + _duration(recording) for recording in recordings)
    size = floor(shared * rate)
    if size < 1:
        first = min(recordings, key=lambda recording: recording.end)
        last = max(recordings, key=lambda recording: recording.start)
        raise RecordingError(
            f"loggers {first.logger} and {last.logger}",
            found=f"no shared time: one ends at {first.end.isoformat()}, "
            f"the other begins at {last.start.isoformat()}",
            remedy="check the start times and the time zones",
        )
    samples = np.empty((len(recordings), size), dtype=np.float32)
    for row, recording in zip(samples, recordings, strict=True):
        row[:] = _on_true_time(recording, rate=rate, first_s=_exact_s(start - recording.start), size=size)
    return Round(
        number=number,
        start=start,
        sample_rate_hz=float(rate),
        recordings=tuple(recordings),
        samples=samples,
        rejected=tuple(rejected),
    )


def _on_true_time(
    recording: Recording, *, rate: Fraction, first_s: Fraction, size: int
) -> NDArray[np.float32]:
    """Values at true times `first_s` + k / `rate` after the recording's start."""
    drift_ppm = recording.deployment.clock_drift_ppm
    samples, own_rate = recording.samples, recording.sample_rate_hz
    if drift_ppm == 0:
        return resample(samples, sample_rate_hz=own_rate, new_rate_hz=float(rate), first_s=first_s, size=size)
    count = floor((samples.size - 1) / _exact(own_rate) * rate) + 1
    own = resample(samples, sample_rate_hz=own_rate, new_rate_hz=float(rate), first_s=0.0, size=count)
    fast = 1 + 1e-6 * drift_ppm  # seconds of the logger's clock in a true second
    return interpolate(own, first=float(first_s * rate) * fast, step=fast, size=size)


def _check_group(recordings: Sequence[Recording]) -> None:
    loggers = [recording.logger for recording in recordings]
    twice = sorted({logger for logger in loggers if loggers.count(logger) > 1})
    if twice:
        raise RecordingError(
            f"logger {', '.join(twice)}",
            found="more than one recording at the same time",
            remedy="correct the start times or the names of the loggers",
        )
    if len(recordings) < 2:
        raise RecordingError(
            f"round of {', '.join(loggers) or 'no recordings'}",
            found=f"{len(recordings)} recordings",
            remedy="a delay needs two recordings of the same moment",
        )


def resample(
    samples: NDArray[np.float32],
    *,
    sample_rate_hz: float,
    new_rate_hz: float,
    first_s: float | Fraction,
    size: int,
) -> NDArray[np.float32]:
    """Values of a recording at other, evenly spaced moments, at its own sample rate or a lower one.

    Parameters
    ----------
    samples : numpy.ndarray
        Shape (n,), finite.
    sample_rate_hz : float
        Their sample rate. [Hz]
    new_rate_hz : float
        Sample rate to come to, not above `sample_rate_hz`. [Hz]
    first_s : float or fractions.Fraction
        Time of the first value after the first sample, at least 0. [s]
    size : int
        How many values.

    Returns
    -------
    numpy.ndarray
        Shape (size,), float32.

    Raises
    ------
    RecordingError
        If the rate would go up, or the moments lie outside the recording.

    Notes
    -----
    The spectrum is cut at half the new rate (flat to 92 % of it, then a raised cosine to nothing, so that
    little rings) and turned by the phase of the shift: ``X(f) H(f) exp(2j pi f first_s)``. `H` is real,
    so no frequency is delayed. Times are exact fractions; the arithmetic is in double precision. When rate
    and grid stay, samples are copied and nothing is filtered.

    Examples
    --------
    >>> import numpy as np
    >>> tone = np.sin(2 * np.pi * 100 * np.arange(9600) / 48_000).astype(np.float32)
    >>> slow = resample(tone, sample_rate_hz=48_000, new_rate_hz=8000, first_s=0.1, size=400)
    >>> bool(np.allclose(slow, np.sin(2 * np.pi * 100 * (0.1 + np.arange(400) / 8000)), atol=1e-4))
    True
    """
    old, new, first = _exact(sample_rate_hz), _exact(new_rate_hz), Fraction(first_s)
    if isinstance(first_s, float):
        first = first.limit_denominator(10**9)  # 0.1 s is meant where a float says 0.1
    if new > old:
        raise RecordingError(
            f"recording at {sample_rate_hz:g} Hz",
            found=f"{new_rate_hz:g} Hz asked for",
            remedy="go to the lowest sample rate of the round, not above it",
        )
    if first < 0 or size < 1 or first + (size - 1) / new > (samples.size - 1) / old:
        raise RecordingError(
            f"recording of {samples.size} samples at {sample_rate_hz:g} Hz",
            found=f"{size} values at {new_rate_hz:g} Hz from {float(first):.6f} s on asked for",
            remedy="ask for moments within the recording",
        )
    if new == old and (first * old).denominator == 1:
        begin = int(first * old)
        return samples[begin : begin + size].astype(np.float32)
    out = np.empty(size, dtype=np.float32)
    for begin in range(0, size, _BLOCK):
        count = min(_BLOCK, size - begin)
        out[begin : begin + count] = _resample_block(
            samples, old=old, new=new, first=first + begin / new, size=count
        )
    return out


def _resample_block(
    samples: NDArray[np.float32], *, old: Fraction, new: Fraction, first: Fraction, size: int
) -> NDArray[np.float64]:
    ratio = new / old
    position = first * old
    margin = ceil(_MARGIN / ratio)
    begin = floor(position) - margin
    needed = ceil((size + 2 * _MARGIN) / ratio) + 1
    # The block holds whole periods of both rates, so that both counts are whole numbers.
    count = fft.next_fast_len(ceil(Fraction(needed, ratio.denominator)), real=True) * ratio.denominator
    new_count = count * ratio.numerator // ratio.denominator
    spectrum = fft.rfft(_cut(samples, begin, count))[: new_count // 2 + 1]
    # Output sample 0 is `position` of the recording, which lies this far into the block.
    turns = float(position - begin) / count * np.arange(spectrum.size)
    spectrum *= _fade(spectrum.size, new_count) * np.exp(2j * np.pi * turns)
    block: NDArray[np.float64] = fft.irfft(spectrum, new_count) * float(ratio)
    return block[:size]


def _fade(size: int, count: int) -> NDArray[np.float64]:
    """Gain of the bins of a spectrum of `count` samples: flat, then a raised cosine to nothing."""
    share = np.arange(size) / (count / 2)
    return 0.5 + 0.5 * np.cos(np.pi * np.clip((share - _FLAT_TO) / (_GONE_AT - _FLAT_TO), 0, 1))


def _cut(samples: NDArray[np.float32], begin: int, count: int) -> NDArray[np.float64]:
    """`count` samples from `begin` on; beyond an end the recording is turned about its last value."""
    end = begin + count
    part = samples[max(begin, 0) : min(end, samples.size)].astype(np.float64)
    before, after = max(-begin, 0), max(end - samples.size, 0)
    if part.size == 1:
        return np.full(count, part[0])
    return np.pad(part, (before, after), mode="reflect", reflect_type="odd")


def _exact(rate_hz: float) -> Fraction:
    """Sample rate as a fraction; files give whole numbers, and a thousandth is finer than any clock."""
    return Fraction(rate_hz).limit_denominator(1000)


def _exact_s(difference: timedelta) -> Fraction:
    return Fraction(difference // timedelta(microseconds=1), 1_000_000)


def _duration(recording: Recording) -> Fraction:
    fast = 1 + Fraction(recording.deployment.clock_drift_ppm).limit_denominator(10**6) / 10**6
    return recording.samples.size / (_exact(recording.sample_rate_hz) * fast)
