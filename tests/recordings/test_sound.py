"""Sound files of every kind: read whole, or refused with the reason."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from netcorr.errors import RecordingError
from netcorr.recordings import Sound, read_sound, sound
from netcorr.recordings.chunks import check_complete, read_chunk, read_chunks
from netcorr.recordings.sound import read_sample_rate

Write = Callable[..., Path]
Noise = Callable[..., NDArray[np.float32]]

#: Container, sample format, and the step between two values of it.
LOSSLESS = [
    ("WAV", "PCM_16", 2.0**-15),
    ("WAV", "PCM_24", 2.0**-23),
    ("WAV", "PCM_32", 2.0**-24),  # float32 holds 24 bits
    ("WAV", "FLOAT", 0.0),
    ("WAV", "DOUBLE", 0.0),
    ("WAVEX", "PCM_24", 2.0**-23),
    ("RF64", "PCM_16", 2.0**-15),
    ("RF64", "PCM_24", 2.0**-23),
    ("RF64", "FLOAT", 0.0),
    ("W64", "PCM_16", 2.0**-15),
    ("W64", "PCM_24", 2.0**-23),
    ("W64", "FLOAT", 0.0),
    ("FLAC", "PCM_16", 2.0**-15),
    ("FLAC", "PCM_24", 2.0**-23),
    ("AIFF", "PCM_16", 2.0**-15),
    ("AIFF", "FLOAT", 0.0),
    ("AU", "PCM_16", 2.0**-15),
    ("CAF", "PCM_24", 2.0**-23),
]


@pytest.mark.parametrize(("kind", "subtype", "step"), LOSSLESS)
def test_round_trip(kind: str, subtype: str, step: float, write: Write, noise: Noise) -> None:
    samples = noise(3001)
    got = read_sound(write(samples, f"a.{kind.lower()}", kind=kind, subtype=subtype, rate=8000))
    assert got.samples.dtype == np.float32
    assert got.samples.shape == samples.shape
    assert np.abs(got.samples - samples).max() <= step
    assert (got.sample_rate_hz, got.encoding) == (8000.0, f"{kind} {subtype}")
    assert got.findings == ()


@pytest.mark.parametrize(("kind", "subtype"), [(kind, subtype) for kind, subtype, _ in LOSSLESS])
@pytest.mark.parametrize("share", [0.35, 0.97])
def test_truncated_file_is_refused(
    kind: str, subtype: str, share: float, write: Write, noise: Noise, tmp_path: Path
) -> None:
    whole = write(noise(20_000), f"a.{kind.lower()}", kind=kind, subtype=subtype)
    content = whole.read_bytes()
    cut = tmp_path / f"cut.{kind.lower()}"
    cut.write_bytes(content[: int(share * len(content))])
    with pytest.raises(
        RecordingError, match=r"cut\..*(truncated|not a complete sound file).*download it again"
    ):
        read_sound(cut)


@pytest.mark.parametrize("kind", ["WAV", "RF64", "W64", "AIFF", "AU"])
def test_the_reading_library_alone_does_not_notice(
    kind: str, write: Write, noise: Noise, tmp_path: Path
) -> None:
    """Why the headers are read here. Were this to fail, the library would have learned it."""
    content = write(noise(20_000), f"a.{kind.lower()}", kind=kind).read_bytes()
    cut = tmp_path / f"cut.{kind.lower()}"
    cut.write_bytes(content[: len(content) // 2])
    samples, _ = soundfile.read(str(cut))
    assert 0 < samples.size < 20_000


def test_one_missing_byte_is_noticed(write: Write, noise: Noise) -> None:
    path = write(noise(100), subtype="PCM_24")
    path.write_bytes(path.read_bytes()[:-1])
    with pytest.raises(RecordingError, match="promises 300 bytes of samples, the file holds 299"):
        read_sound(path)


def test_header_alone(write: Write, noise: Noise) -> None:
    path = write(noise(100))
    path.write_bytes(path.read_bytes()[:30])
    with pytest.raises(RecordingError, match="stops within its header"):
        read_sound(path)


@pytest.mark.parametrize("declared", [0, 0xFFFFFFFF])
def test_recording_that_was_never_finished(declared: int, write_wave: Write) -> None:
    path = write_wave(np.arange(2000, dtype=np.int16), declared=declared)
    with pytest.raises(RecordingError, match="the recording was not finished"):
        read_sound(path)


def test_chunks_after_the_samples_may_be_cut(write_wave: Write) -> None:
    """All samples are there, so a torn list of titles behind them costs nothing."""
    samples = np.arange(2000, dtype=np.int16)
    path = write_wave(samples, after=b"LIST" + struct.pack("<I", 400) + b"INFO")
    assert np.array_equal(read_sound(path).samples, (samples / 32768).astype(np.float32))


def test_odd_chunk_is_padded_to_a_whole_word(write_wave: Write) -> None:
    """RIFF pads a chunk of odd length by one byte that its size does not count."""
    odd = b"note" + struct.pack("<I", 3) + b"abc\0"
    path = write_wave(np.arange(50, dtype=np.int16), before=odd)
    assert [chunk.name for chunk in read_chunks(path)] == ["fmt ", "note", "data"]
    assert read_chunk(path, read_chunks(path)[1], limit=99) == b"abc"
    assert read_sound(path).samples.size == 50


@pytest.mark.parametrize("kind", ["RF64", "W64"])
def test_chunks_with_sizes_of_64_bits(kind: str, write: Write, noise: Noise) -> None:
    path = write(noise(777), kind=kind)
    (data,) = (chunk for chunk in read_chunks(path) if chunk.name == "data")
    assert data.size == 2 * 777
    assert data.offset + data.size <= path.stat().st_size
    assert check_complete(path, read_chunks(path))


@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_values_that_are_no_numbers(subtype: str, value: float, write: Write, noise: Noise) -> None:
    samples = noise(4000)
    samples[1234] = samples[1300] = value
    with pytest.raises(RecordingError, match=r"not a number at sample 1234 \(2 of 4000 samples there\)"):
        read_sound(write(samples, subtype=subtype))


def test_equal_channels_are_one(write: Write, noise: Noise) -> None:
    mono = noise(500)
    assert read_sound(write(np.column_stack([mono, mono]), subtype="FLOAT")).samples.tolist() == mono.tolist()


def test_unlike_channels_are_refused(write: Write, noise: Noise) -> None:
    stereo = np.column_stack([noise(500), noise(500, seed=2)])
    with pytest.raises(RecordingError, match=r"2 channels that differ; save each logger's channel"):
        read_sound(write(stereo))


def test_channels_that_differ_only_in_the_last_block(
    write: Write, noise: Noise, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sound, "_BLOCK", 64)
    stereo = np.column_stack([noise(500), noise(500)])
    stereo[499, 1] += 0.01
    with pytest.raises(RecordingError, match="channels that differ"):
        read_sound(write(stereo))


def test_blocks_do_not_show(write: Write, noise: Noise, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(noise(1000))
    whole = read_sound(path).samples
    monkeypatch.setattr(sound, "_BLOCK", 37)
    assert np.array_equal(read_sound(path).samples, whole)


def test_too_long_a_recording(write: Write, noise: Noise, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sound, "MOST_SAMPLES", 1000)
    with pytest.raises(RecordingError, match=r"1001 samples; cut it"):
        read_sound(write(noise(1001)))
    assert read_sound(write(noise(1000), "b.wav")).samples.size == 1000


def test_lossy_files(write: Write, noise: Noise) -> None:
    for subtype in ("VORBIS", "OPUS"):
        got = read_sound(write(noise(20_000), f"{subtype}.ogg", kind="OGG", subtype=subtype, rate=8000))
        assert got.samples.size == 20_000
        assert any("compressed with loss" in text for text in got.findings)


@pytest.mark.parametrize("subtype", ["VORBIS", "OPUS"])
def test_truncated_ogg(subtype: str, write: Write, noise: Noise) -> None:
    path = write(noise(200_000), "a.ogg", kind="OGG", subtype=subtype, rate=8000)
    path.write_bytes(path.read_bytes()[: int(0.8 * path.stat().st_size)])
    with pytest.raises(RecordingError, match="truncated"):
        read_sound(path)


def test_mpeg_audio_is_refused(write: Write, noise: Noise) -> None:
    """Its coder prepends samples (from memory: 1105 by the most common one, 138 ms at 8 kHz)."""
    path = write(noise(20_000), "a.mp3", kind="MP3", subtype="MPEG_LAYER_III", rate=8000)
    with pytest.raises(RecordingError, match="moves the start"):
        read_sound(path)


def test_kind_whose_length_cannot_be_checked(write: Write, noise: Noise) -> None:
    got = read_sound(write(noise(2000), "a.voc", kind="VOC"))
    assert got.findings == ("VOC does not say how long it should be, so it may be cut short",)


def test_corrupted_flac(write: Write, noise: Noise) -> None:
    path = write(noise(40_000), "a.flac", kind="FLAC")
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 64] = bytes(64)
    path.write_bytes(content)
    with pytest.raises(RecordingError, match=r"not a complete sound file|truncated"):
        read_sound(path)


def test_missing_empty_and_other_files(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"nope\.wav: cannot be opened \(No such file"):
        read_sound(tmp_path / "nope.wav")
    with pytest.raises(RecordingError, match="a folder"):
        read_sound(tmp_path)
    (tmp_path / "empty.wav").touch()
    with pytest.raises(RecordingError, match="an empty file"):
        read_sound(tmp_path / "empty.wav")
    (tmp_path / "text.wav").write_text("this is no sound at all\n" * 20)
    with pytest.raises(RecordingError, match="not a complete sound file"):
        read_sound(tmp_path / "text.wav")


def test_sample_rate_of_a_broken_file(write: Write, noise: Noise, tmp_path: Path) -> None:
    path = write(noise(1000), rate=11_025)
    path.write_bytes(path.read_bytes()[:500])
    assert read_sample_rate(path) == 11_025
    assert read_sample_rate(tmp_path / "nope.wav") is None


@settings(
    max_examples=50,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    derandomize=True,
)
@given(
    kind=st.sampled_from(["WAV", "RF64", "W64", "AIFF", "FLAC", "CAF", "AU"]),
    damage=st.lists(st.tuples(st.floats(0, 1), st.binary(min_size=1, max_size=8)), max_size=4),
    keep=st.floats(0.02, 1),
)
def test_damaged_files_give_our_error_or_finite_samples(
    kind: str, damage: list[tuple[float, bytes]], keep: float, write: Write, noise: Noise
) -> None:
    path = write(noise(400), f"a.{kind.lower()}", kind=kind)
    content = bytearray(path.read_bytes())
    for place, what in damage:
        first = int(place * min(len(content) - 1, 150))
        content[first : first + len(what)] = what
    path.write_bytes(content[: max(int(keep * len(content)), 1)])
    got = outcome(path)
    assert str(path) in str(got) if isinstance(got, RecordingError) else np.isfinite(got.samples).all()


def outcome(path: Path) -> Sound | RecordingError:
    try:
        return read_sound(path)
    except RecordingError as error:
        return error


def test_the_broadcast_name_of_rf64(write: Write, noise: Noise) -> None:
    """BW64 (ITU-R BS.2088) differs from RF64 in its first four letters."""
    samples = noise(500)
    path = write(samples, kind="RF64", subtype="FLOAT")
    path.write_bytes(b"BW64" + path.read_bytes()[4:])
    (data,) = (chunk for chunk in read_chunks(path) if chunk.name == "data")
    assert data.size == 4 * 500
    path.write_bytes(path.read_bytes()[:-4])
    with pytest.raises(RecordingError, match="promises 2000 bytes of samples, the file holds 1996"):
        read_sound(path)


def test_wave64_chunks_begin_at_multiples_of_eight(write: Write, noise: Noise) -> None:
    path = write(noise(500), kind="W64", subtype="FLOAT")
    content = path.read_bytes()
    (data,) = (chunk for chunk in read_chunks(path) if chunk.name == "data")
    name = b"note" + content[data.offset - 20 : data.offset - 8]  # the tail that all names share
    note = name + struct.pack("<Q", 24 + 3) + b"abc" + bytes(5)
    path.write_bytes(content[: data.offset - 24] + note + content[data.offset - 24 :])
    chunks = {chunk.name: chunk for chunk in read_chunks(path)}
    assert read_chunk(path, chunks["note"], limit=99) == b"abc"
    assert (chunks["data"].offset, chunks["data"].size) == (data.offset + 32, 2000)
