"""The chunks that a sound file is built of, and whether their promises are kept.

The reading library clips a chunk that promises more than the file holds, and says nothing; so the headers
are walked here.
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, BinaryIO

from netcorr.errors import RecordingError

if TYPE_CHECKING:
    from pathlib import Path

#: Last twelve bytes of the 16-byte chunk names of a Wave64 file (the "riff" name has another tail).
_WAVE64_TAIL = bytes.fromhex("f3acd3118cd100c04f8edb8a")
_WAVE64_RIFF = b"riff" + bytes.fromhex("2e91cf11a5d628db04c10000")
_UNKNOWN_32 = 0xFFFFFFFF
#: A file of rubbish may look like chunks without end.
_MOST_CHUNKS = 1000
#: An Ogg page is shorter than this, so the last one begins within it. [byte]
_OGG_PAGE = 65_307

#: What the chunk with the samples is called.
_SAMPLE_CHUNKS = {"data", "SSND"}


@dataclass(frozen=True)
class Chunk:
    """One chunk of a sound file.

    Attributes
    ----------
    name : str
        Four letters, as 'fmt ', 'data' or 'bext'.
    offset : int
        Where its content begins in the file. [byte]
    size : int
        How long its header says the content is. [byte]
    """

    name: str
    offset: int
    size: int


def read_chunks(path: Path) -> tuple[Chunk, ...]:
    """Chunks of a WAV, RF64, BW64, Wave64, AIFF, CAF or AU file, as their headers declare them.

    Parameters
    ----------
    path : pathlib.Path
        Sound file.

    Returns
    -------
    tuple of Chunk
        In the order of the file; empty for a file of another kind. A chunk may reach beyond the end of
        the file: `check_complete` tells.

    Raises
    ------
    RecordingError
        If the file cannot be opened.

    References
    ----------
    Multimedia Programming Interface and Data Specifications 1.0 (RIFF), 1991; EBU Tech 3306 (RF64), 2009;
    ITU-R BS.2088 (BW64); Audio Interchange File Format 1.3, 1989; Core Audio Format 1.0, 2005. The
    Wave64 names are from memory and are tested against files written by libsndfile.
    """
    try:
        with path.open("rb") as file:
            head = file.read(40)
            file_size = os.fstat(file.fileno()).st_size
            if head[:4] in (b"RIFF", b"RIFX", b"RF64", b"BW64") and head[8:12] == b"WAVE":
                return _wave_chunks(file, head, file_size)
            if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
                return tuple(_walk(file, file_size, byte_order=">", sizes={}))
            if head[:16] == _WAVE64_RIFF:
                return tuple(_walk_wave64(file, file_size))
            if head[:4] == b"caff":
                return tuple(_walk_core_audio(file, file_size))
            if head[:4] == b".snd" and len(head) >= 12:
                offset, size = struct.unpack(">II", head[4:12])
                return () if size == _UNKNOWN_32 else (Chunk("data", offset, size),)
    except OSError as error:
        raise RecordingError(
            str(path),
            found=f"cannot be opened ({error.strerror or error})",
            remedy="check the name in column recording; it is relative to the table",
        ) from error
    return ()


def _wave_chunks(file: BinaryIO, head: bytes, file_size: int) -> tuple[Chunk, ...]:
    sizes: dict[str, int] = {}
    if head[:4] in (b"RF64", b"BW64") and head[12:16] == b"ds64" and len(head) >= 36:
        sizes["data"] = struct.unpack("<Q", head[28:36])[0]
    return tuple(_walk(file, file_size, byte_order=">" if head[:4] == b"RIFX" else "<", sizes=sizes))


def _walk(file: BinaryIO, file_size: int, *, byte_order: str, sizes: dict[str, int]) -> list[Chunk]:
    """Chunks with four-letter names and 32-bit sizes; `sizes` holds the 64-bit ones."""
    chunks: list[Chunk] = []
    offset = 12
    while offset + 8 <= file_size and len(chunks) < _MOST_CHUNKS:
        file.seek(offset)
        name_bytes, size = struct.unpack(f"{byte_order}4sI", file.read(8))
        name = name_bytes.decode("latin-1")
        if size == _UNKNOWN_32 and name in sizes:
            size = sizes[name]
        chunks.append(Chunk(name, offset + 8, size))
        offset += 8 + size + size % 2
    return chunks


def _walk_wave64(file: BinaryIO, file_size: int) -> list[Chunk]:
    """Chunks with 16-byte names and 64-bit sizes that count their own header of 24 bytes."""
    chunks: list[Chunk] = []
    offset = 40
    while offset + 24 <= file_size and len(chunks) < _MOST_CHUNKS:
        file.seek(offset)
        name, tail, size = struct.unpack("<4s12sQ", file.read(24))
        if size < 24:
            break
        if tail == _WAVE64_TAIL:
            chunks.append(Chunk(name.decode("latin-1"), offset + 24, size - 24))
        offset += (size + 7) // 8 * 8
    return chunks


def _walk_core_audio(file: BinaryIO, file_size: int) -> list[Chunk]:
    """Chunks with four-letter names and 64-bit sizes; none when the samples are said to end with the file."""
    chunks: list[Chunk] = []
    offset = 8
    while offset + 12 <= file_size and len(chunks) < _MOST_CHUNKS:
        file.seek(offset)
        name, size = struct.unpack(">4sq", file.read(12))
        if size < 0:
            return []
        chunks.append(Chunk(name.decode("latin-1"), offset + 12, size))
        offset += 12 + size
    return chunks


def check_complete(path: Path, chunks: tuple[Chunk, ...]) -> bool:
    """Refuse a file whose samples stop before its header says they do.

    Parameters
    ----------
    path : pathlib.Path
        Sound file.
    chunks : tuple of Chunk
        Its chunks, from `read_chunks`.

    Returns
    -------
    bool
        True when the file is known to hold all its samples; False when it is of a kind that cannot be
        told by its chunks.

    Raises
    ------
    RecordingError
        If the samples are cut short, or the logger never filled in their number.
    """
    if not chunks:
        return _check_ogg(path)
    file_size = path.stat().st_size
    samples = [chunk for chunk in chunks if chunk.name in _SAMPLE_CHUNKS]
    if not samples:
        raise RecordingError(
            str(path), found="no samples: the file stops within its header", remedy="download it again"
        )
    chunk = samples[0]
    held = file_size - chunk.offset
    if chunk.size in (0, _UNKNOWN_32):
        raise RecordingError(
            str(path),
            found="no samples by its header: the recording was not finished, or is empty",
            remedy="download it again, or leave this recording out",
        )
    if chunk.size > held:
        raise RecordingError(
            str(path),
            found=f"truncated: the header promises {chunk.size} bytes of samples, the file holds {held}",
            remedy="download it again from the logger",
        )
    return True


def _check_ogg(path: Path) -> bool:
    """Whether it is an Ogg file that ends as it should: its last page carries a mark (RFC 3533, 2003)."""
    with path.open("rb") as file:
        if file.read(4) != b"OggS":
            return False
        file.seek(max(path.stat().st_size - _OGG_PAGE, 0))
        end = file.read()
    page = end.rfind(b"OggS")
    if page < 0 or len(end) < page + 27 or not end[page + 5] & 4:
        raise RecordingError(
            str(path),
            found="truncated: its last page does not say that it is the last",
            remedy="download it again from the logger",
        )
    return True


def read_chunk(path: Path, chunk: Chunk, *, limit: int) -> bytes:
    """First bytes of a chunk's content.

    Parameters
    ----------
    path : pathlib.Path
        Sound file.
    chunk : Chunk
        One of its chunks.
    limit : int
        Bytes to read at most. [byte]

    Returns
    -------
    bytes
        Fewer than asked for when the chunk or the file ends.

    Raises
    ------
    RecordingError
        If the file cannot be read.
    """
    try:
        with path.open("rb") as file:
            file.seek(chunk.offset)
            return file.read(min(limit, chunk.size))
    except OSError as error:
        raise RecordingError(
            str(path), found=f"cannot be read ({error.strerror or error})", remedy="check the file"
        ) from error
