"""Sound files to samples: float32, one channel, complete and finite."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import soundfile

from netcorr.errors import RecordingError
from netcorr.recordings.chunks import check_complete, read_chunks

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

#: Longest recording that is read whole, 1 GiB in memory: 9.3 hours at 8 kHz, 93 minutes at 48 kHz.
MOST_SAMPLES = 1 << 28

_BLOCK = 1 << 20
_LOSSY = {"VORBIS", "OPUS"}


@dataclass(frozen=True, eq=False)
class Sound:
    """What a sound file holds.

    Attributes
    ----------
    samples : numpy.ndarray
        Shape (n,), float32, 1 = full scale, finite.
    sample_rate_hz : float
        Sample rate. [Hz]
    encoding : str
        Container and sample format, as 'WAV PCM_16'.
    findings : tuple of str
        What a technician should know about the file, one sentence each.
    """

    samples: NDArray[np.float32]
    sample_rate_hz: float
    encoding: str
    findings: tuple[str, ...] = ()


def read_sound(path: Path) -> Sound:
    """Samples of a sound file, as recorded: never resampled, never cleaned.

    Parameters
    ----------
    path : pathlib.Path
        WAV (PCM or float), RF64, Wave64, FLAC, AIFF or another file that libsndfile reads. More than one
        channel is accepted when all of them are the same.

    Returns
    -------
    Sound
        All samples as float32; integers are divided by full scale.

    Raises
    ------
    RecordingError
        If the file is missing, empty, of no known kind, truncated, compressed in a way that moves its
        start, of unlike channels, longer than `MOST_SAMPLES`, or holds values that are not finite.
    """
    if path.is_dir():
        raise RecordingError(str(path), found="a folder", remedy="name the sound file in it")
    complete = check_complete(path, read_chunks(path))
    if not path.stat().st_size:
        raise RecordingError(str(path), found="an empty file", remedy="download it again from the logger")
    try:
        with soundfile.SoundFile(str(path)) as file:
            _check_kind(path, file)
            samples = _read_samples(path, file)
            rate, container, subtype = file.samplerate, str(file.format), str(file.subtype)
    except soundfile.LibsndfileError as error:
        raise RecordingError(
            str(path),
            found=f"not a complete sound file ({error.error_string.rstrip('.')})",
            remedy="download it again from the logger, as WAV or FLAC",
        ) from error
    findings = []
    if subtype in _LOSSY:
        findings.append("compressed with loss, so weak noise may be gone: record WAV or FLAC")
    if not complete and container != "FLAC":
        findings.append(f"{container} does not say how long it should be, so it may be cut short")
    return Sound(samples, float(rate), f"{container} {subtype}", tuple(findings))


def read_sample_rate(path: Path) -> float | None:
    """Sample rate of a file that need not be complete.

    Parameters
    ----------
    path : pathlib.Path
        Sound file.

    Returns
    -------
    float or None
        None when its header cannot be read. [Hz]
    """
    try:
        return float(soundfile.info(str(path)).samplerate)
    except (soundfile.LibsndfileError, OSError):
        return None


def _check_kind(path: Path, file: soundfile.SoundFile) -> None:
    if "MPEG" in file.subtype:
        raise RecordingError(
            str(path),
            found="MPEG audio, whose coder moves the start by an unknown part of a second",
            remedy="export the recording as WAV or FLAC",
        )
    if not file.frames:
        raise RecordingError(str(path), found="no samples", remedy="download it again from the logger")
    if file.frames > MOST_SAMPLES:
        hours = file.frames / file.samplerate / 3600
        raise RecordingError(
            str(path),
            found=f"{hours:.1f} hours long, {file.frames} samples",
            remedy=f"cut it to the time of interest, at most {MOST_SAMPLES} samples",
        )


def _read_samples(path: Path, file: soundfile.SoundFile) -> NDArray[np.float32]:
    """All samples, block by block, so that the channels never stand in memory side by side."""
    samples = np.empty(file.frames, dtype=np.float32)
    done = 0
    while done < samples.size:
        block = file.read(min(_BLOCK, samples.size - done), dtype="float32", always_2d=True)
        if not block.shape[0]:
            raise RecordingError(
                str(path),
                found=f"truncated: the header promises {samples.size} samples, the file holds {done}",
                remedy="download it again from the logger",
            )
        _check_finite(path, block, first=done)
        if block.shape[1] > 1 and (block != block[:, :1]).any():
            raise RecordingError(
                str(path),
                found=f"{block.shape[1]} channels that differ",
                remedy="save each logger's channel as a file of its own, and name that in the table",
            )
        samples[done : done + block.shape[0]] = block[:, 0]
        done += block.shape[0]
    return samples


def _check_finite(path: Path, block: NDArray[np.float32], *, first: int) -> None:
    bad = ~np.isfinite(block).all(axis=1)
    if bad.any():
        raise RecordingError(
            str(path),
            found=f"a value that is not a number at sample {first + int(bad.argmax())} "
            f"({int(bad.sum())} of {block.shape[0]} samples there)",
            remedy="export it again as integer samples; such values cannot be repaired",
        )
