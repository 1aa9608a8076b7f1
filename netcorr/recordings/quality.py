"""What can be said of a recording before it is compared with another."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from netcorr.errors import RecordingError
from netcorr.recordings.disturbances import (
    find_knocks,
    find_loud_stretch,
    find_rumble,
    find_tone,
    measure_levels,
)
from netcorr.recordings.hum import hum_of_spectrum, power_spectrum
from netcorr.recordings.recording import RecordingQuality

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Below this share of clipped samples nobody needs to know.
_CLIPPING_SHARE = 1e-4
#: From this share on, most of what the logger heard is lost but the moments of the zero crossings.
_HEAVY_CLIPPING_SHARE = 0.05
#: Magnitude from which a sample counts as at full scale (16-bit integers reach 0.99997).
_FULL_SCALE = 0.9999
#: Below full scale: samples at the limit, at least, and how many for each sample at the next level.
_CLIPPED_LEAST, _CLIPPED_RATIO = 10, 5
#: A sensor is deaf when all samples but this share have one and the same value.
_DEAF_SHARE = 1e-3
#: A gap is one value held this long [s], and for at least this many samples.
_GAP_S = 0.01
_GAP_SAMPLES = 32
#: With no more levels than this, one value is held for long without any fault.
_FEW_LEVELS = 8
_HUM_SHARE = 0.1
_SHORT_S = 5.0


@dataclass(frozen=True, eq=False)
class _Runs:
    """Stretches of one and the same value."""

    first: NDArray[np.intp]
    length: NDArray[np.intp]
    value: NDArray[np.float32]


def measure_quality(
    samples: NDArray[np.float32], sample_rate_hz: float, *, item: str = "recording"
) -> RecordingQuality:
    """Level, clipping, gaps, hum, knocks and other faults of a recording.

    Parameters
    ----------
    samples : numpy.ndarray
        Shape (n,), 1 = full scale.
    sample_rate_hz : float
        Sample rate. [Hz]
    item : str
        How messages name the recording.

    Returns
    -------
    RecordingQuality
        Numbers, and a sentence for each thing that a technician should know.

    Raises
    ------
    RecordingError
        If there is nothing to listen to: no samples, values that are not finite, silence, or a sensor
        that gave one value nearly all the time. Clipping is only told: a delay survives it, since the
        moments of the zero crossings are kept.

    Examples
    --------
    >>> import numpy as np
    >>> noise = np.random.default_rng(1).normal(0, 0.2, 40_000).clip(-0.5, 0.5).astype(np.float32)
    >>> quality = measure_quality(noise, 4000)
    >>> print(f"{quality.peak:.1f} {quality.clipped_share:.3f}")
    0.5 0.012
    >>> print(quality.findings[0])
    1.2 % of the samples are clipped, which a delay survives: lower the gain next time
    """
    if samples.ndim != 1 or not samples.size:
        raise RecordingError(item, found=f"samples of shape {samples.shape}", remedy="give one channel")
    total, square, low, high = _sums(samples, item=item)
    runs = _find_runs(samples)
    _check_alive(samples, runs, item=item)
    mean = total / samples.size
    noise_rms = math.sqrt(max(square / samples.size - mean**2, 0.0))
    levels = _count_levels(samples)
    clipped = _clipped_share(samples, low=low, high=high)
    power, step_hz = power_spectrum(samples, sample_rate_hz)
    hum_hz, hum_share = hum_of_spectrum(power, step_hz)
    in_time = measure_levels(samples, sample_rate_hz)
    findings = [
        *_clipping_findings(clipped),
        *_level_findings(mean, noise_rms, levels, peak=max(-low, high)),
        *_gap_findings(runs, samples.size, sample_rate_hz, levels=levels, limits=(low, high)),
    ]
    if hum_hz is not None and hum_share >= _HUM_SHARE:
        findings.append(f"{_percent(hum_share)} of the energy is mains hum ({hum_hz:g} Hz and its harmonics)")
    findings += find_rumble(power, step_hz)
    findings += find_tone(power, step_hz, hum_hz=hum_hz)
    if levels > _FEW_LEVELS:  # with fewer, the usual level is a step of the converter
        findings += find_knocks(samples, sample_rate_hz, levels=in_time)
        findings += find_loud_stretch(in_time)
    duration_s = samples.size / sample_rate_hz
    if duration_s < _SHORT_S:
        findings.append(f"only {duration_s:.1f} s long: 10 s or more make a weak leak heard")
    return RecordingQuality(
        rms=math.sqrt(square / samples.size),
        peak=max(-low, high),
        clipped_share=clipped,
        hum_hz=hum_hz,
        hum_share=hum_share,
        usual_level=in_time.usual,
        findings=tuple(findings),
    )


def _sums(samples: NDArray[np.float32], *, item: str) -> tuple[float, float, float, float]:
    """Sum, sum of squares, smallest and largest, in blocks: a night's recording is not copied whole."""
    total = square = 0.0
    for first in range(0, samples.size, 1 << 20):
        block = samples[first : first + (1 << 20)].astype(np.float64)
        if not np.isfinite(block).all():
            raise RecordingError(
                item, found="values that are not numbers", remedy="export it again as integer samples"
            )
        total += float(block.sum())
        square += float(np.square(block).sum())  # a product on many threads takes longer
    return total, square, float(samples.min()), float(samples.max())


def _find_runs(samples: NDArray[np.float32]) -> _Runs:
    """Stretches of one value, of two samples and longer."""
    same = samples[1:] == samples[:-1]
    edges = np.flatnonzero(np.diff(same.astype(np.int8), prepend=0, append=0))
    first, last = edges[::2], edges[1::2]
    return _Runs(first, last - first + 1, samples[first])


def _check_alive(samples: NDArray[np.float32], runs: _Runs, *, item: str) -> None:
    remedy = "check that the sensor is plugged in and sits on metal, then leave this recording out"
    first = samples[0]
    if samples.size == 1 or (runs.length.size == 1 and runs.length[0] == samples.size):
        what = "silence: every sample is zero" if first == 0 else f"one constant value, {first:.6g}"
        raise RecordingError(item, found=what, remedy=remedy)
    usual = float(np.median(samples[:: 1 + samples.size // 1_000_000]))
    others = int(np.count_nonzero(samples != np.float32(usual)))
    if others <= _DEAF_SHARE * samples.size:
        raise RecordingError(
            item,
            found=f"a deaf sensor: {samples.size - others} of {samples.size} samples are {usual:.6g}",
            remedy=remedy,
        )


def _count_levels(samples: NDArray[np.float32]) -> int:
    """How many different values there are, counted only until there are plenty."""
    some = np.unique(samples[: 1 << 14]).size
    return int(some if some > _FEW_LEVELS else np.unique(samples).size)


def _clipped_share(samples: NDArray[np.float32], *, low: float, high: float) -> float:
    """Share of samples at the limit.

    The limit is full scale, or a lower value that is met far more often than the next one: an amplifier
    or a coarse converter may saturate below what the file can hold. Of a sine the outermost level of an
    integer file is met 2.4 times as often as the next; of noise, less often.
    """
    clipped = 0
    for limit, inward in ((np.float32(low), np.min), (np.float32(high), np.max)):
        at_limit = samples == limit
        count = int(np.count_nonzero(at_limit))
        if abs(limit) < _FULL_SCALE and count < _CLIPPED_LEAST:
            continue
        if abs(limit) < _FULL_SCALE:
            beside = inward(samples[~at_limit])
            if count < _CLIPPED_RATIO * np.count_nonzero(samples == beside):
                continue
        clipped += count
    return clipped / samples.size


def _clipping_findings(share: float) -> list[str]:
    if share < _CLIPPING_SHARE:
        return []
    amount = f"{_percent(share)} of the samples are clipped"
    if share < _HEAVY_CLIPPING_SHARE:
        return [f"{amount}, which a delay survives: lower the gain next time"]
    return [f"{amount}: a delay survives it, levels and weak noise do not; lower the gain next time"]


def _percent(share: float) -> str:
    return f"{100 * share:.2g} %" if share < 0.995 else "100 %"


def _level_findings(mean: float, noise_rms: float, levels: int, *, peak: float) -> list[str]:
    findings = []
    if abs(mean) > max(0.01, noise_rms):
        noise_db = 20 * math.log10(max(noise_rms, 1e-9))
        findings.append(
            f"a constant offset of {mean:.3f} of full scale lies under the noise, which itself is at "
            f"{noise_db:.0f} dB: have the logger's input checked"
        )
    if levels <= _FEW_LEVELS and peak < 0.5:
        findings.append(f"the samples take only {levels} different values: raise the gain next time")
    if peak > 1.0:
        findings.append(f"the samples reach {peak:.3g} times full scale, so levels mean little")
    return findings


def _gap_findings(
    runs: _Runs, size: int, sample_rate_hz: float, *, levels: int, limits: tuple[float, float]
) -> list[str]:
    """Dropouts: one value held for longer than any noise would."""
    if levels <= _FEW_LEVELS:
        return []
    shortest = max(_GAP_SAMPLES, _GAP_S * sample_rate_hz)
    gap = (runs.length >= shortest) & ~np.isin(runs.value, np.asarray(limits, dtype=np.float32))
    if not gap.any():
        return []
    lengths = runs.length[gap]
    longest = int(lengths.argmax())
    at_s = runs.first[gap][longest] / sample_rate_hz
    share = _percent(int(lengths.sum()) / size)
    return [
        f"{lengths.size} gap{'s' if lengths.size > 1 else ''} without signal, {share} of the record, "
        f"the longest {lengths[longest] / sample_rate_hz:.2g} s at {at_s:.1f} s: "
        "check the logger's memory and cable"
    ]
