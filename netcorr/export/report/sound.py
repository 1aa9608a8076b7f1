"""Recordings found again, cut to the same moments, filtered to the band, ready to be heard and seen."""

from __future__ import annotations

import base64
import io
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import soundfile
from markupsafe import Markup
from scipy import signal

from netcorr.errors import NetcorrError
from netcorr.export.made_from import fingerprint
from netcorr.recordings import read_deployments
from netcorr.recordings.sound import read_sound

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.export.read_result import StoredResult, UsedRecording
    from netcorr.position.fix import PairFix

#: Browsers refuse sound below 3000 samples a second. [Hz]
LISTENING_HZ = 8000
#: So much of each recording is put into the page. [s]
LISTENING_S = 6.0


@dataclass(frozen=True, eq=False)
class HeardPair:
    """Two recordings of one round, from the same moment on.

    Attributes
    ----------
    round_number : int
        Round.
    names : (str, str)
        File names, A first.
    samples : (numpy.ndarray, numpy.ndarray)
        As recorded.
    rates_hz : (float, float)
        Sample rates. [Hz]
    """

    round_number: int
    names: tuple[str, str]
    samples: tuple[NDArray[np.float32], NDArray[np.float32]]
    rates_hz: tuple[float, float]


class Recordings:
    """Recordings of a result, where they are now.

    Parameters
    ----------
    result : StoredResult
        The result.
    elsewhere : pathlib.Path, optional
        Folder with the recordings, or a table of deployments that says where they are.

    Raises
    ------
    NetcorrError
        If `elsewhere` is given and cannot be read.
    """

    def __init__(self, result: StoredResult, elsewhere: Path | None = None) -> None:
        self._recordings = result.recordings
        self._elsewhere = _named_files(elsewhere) if elsewhere else {}
        self.problems: dict[str, None] = {}

    def best_round(self, pair: PairFix) -> HeardPair | None:
        """Recordings of the round with the clearest evidence that can be found; problems are noted."""
        ordered = sorted(pair.evidence, key=lambda one: -float(one.log_likelihood.max()))
        for one in ordered:
            found = [self._of(name, one.round_number) for name in (pair.logger_a, pair.logger_b)]
            if found[0] is None or found[1] is None:
                continue
            a, b = self._read(found[0]), self._read(found[1])
            if a is not None and b is not None:
                return _together(one.round_number, (found[0], a), (found[1], b))
        return None

    def _of(self, logger: str, number: int) -> UsedRecording | None:
        return next((r for r in self._recordings if r.logger == logger and r.round_number == number), None)

    def _read(self, recording: UsedRecording) -> tuple[NDArray[np.float32], float] | None:
        """Samples of a recording, if it is there and still the same."""
        places = [recording.path, *self._elsewhere.get(recording.name, ())]
        there = [path for path in places if path.is_file()]
        if not there:
            self.problems[f"{recording.name} was not found"] = None
            return None
        for path in there:
            if recording.sha256 is None or fingerprint(path) == recording.sha256:
                try:
                    sound = read_sound(path)
                except NetcorrError as error:
                    self.problems[f"{recording.name}: {error.found}"] = None
                    return None
                return sound.samples, sound.sample_rate_hz
        self.problems[f"{recording.name} is not the file that the result was made from"] = None
        return None


def _named_files(place: Path) -> Mapping[str, tuple[Path, ...]]:
    """Files by name, in a folder or named by a table."""
    if place.is_dir():
        files: Iterator[Path] = (Path(at) / name for at, _, names in os.walk(place) for name in names)
    else:
        files = (row.recording for row in read_deployments(place))
    found: dict[str, tuple[Path, ...]] = {}
    for file in files:
        found[file.name] = (*found.get(file.name, ()), file)
    return found


def _together(
    number: int,
    a: tuple[UsedRecording, tuple[NDArray[np.float32], float]],
    b: tuple[UsedRecording, tuple[NDArray[np.float32], float]],
) -> HeardPair | None:
    """Cut both to the moments that they share."""
    start = max(a[0].start, b[0].start)
    cut = []
    for recording, (samples, rate_hz) in (a, b):
        skipped = round((start - recording.start).total_seconds() * rate_hz)
        cut.append(samples[skipped:])
    if min(part.size for part in cut) < LISTENING_HZ // 8:
        return None
    return HeardPair(number, (a[0].name, b[0].name), (cut[0], cut[1]), (a[1][1], b[1][1]))


def in_band(
    samples: NDArray[np.float32], sample_rate_hz: float, *, band_hz: tuple[float, float]
) -> NDArray[np.float64]:
    """Samples filtered to a band, without shift in time.

    Parameters
    ----------
    samples : numpy.ndarray
        Shape (n,).
    sample_rate_hz : float
        Sample rate. [Hz]
    band_hz : (float, float)
        Band. [Hz]

    Returns
    -------
    numpy.ndarray
        Shape (n,).
    """
    low = min(max(band_hz[0], 5.0), 0.3 * sample_rate_hz)
    high = min(max(band_hz[1], 1.5 * low), 0.45 * sample_rate_hz)
    sections = signal.butter(4, (low, high), "bandpass", fs=sample_rate_hz, output="sos")
    steady = samples.astype(np.float64) - float(samples.mean())
    return np.asarray(signal.sosfiltfilt(sections, steady), dtype=np.float64)


def listening_copy(
    samples: NDArray[np.float32], sample_rate_hz: float, *, band_hz: tuple[float, float]
) -> Markup:
    """Sound for a page: a few seconds in the band, as loud as it can be, 16-bit WAV as a data URI.

    Parameters
    ----------
    samples : numpy.ndarray
        Shape (n,), as recorded.
    sample_rate_hz : float
        Its sample rate. [Hz]
    band_hz : (float, float)
        Band that is kept. [Hz]

    Returns
    -------
    markupsafe.Markup
        ``data:audio/wav;base64,...``, `LISTENING_HZ` samples a second.
    """
    part = samples[: int(LISTENING_S * sample_rate_hz)]
    ratio = Fraction(LISTENING_HZ / sample_rate_hz).limit_denominator(2000)
    filtered = in_band(part, sample_rate_hz, band_hz=band_hz)
    copy = signal.resample_poly(filtered, ratio.numerator, ratio.denominator)
    # knocks may be cut: what matters is the steady noise
    level = float(np.quantile(np.abs(copy), 0.999)) or 1.0
    fade = np.minimum(
        1.0, np.minimum(np.arange(copy.size), np.arange(copy.size)[::-1]) / (0.02 * LISTENING_HZ)
    )
    stream = io.BytesIO()
    soundfile.write(
        stream, np.clip(0.8 * copy / level, -1, 1) * fade, LISTENING_HZ, format="WAV", subtype="PCM_16"
    )
    return Markup("data:audio/wav;base64,") + base64.b64encode(stream.getvalue()).decode("ascii")
