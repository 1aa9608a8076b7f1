"""Loudness over time and frequency of two recordings of the same moments."""

from __future__ import annotations

import base64
import io
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup
from PIL import Image
from scipy import signal

from netcorr.export.plain_text import plain_text
from netcorr.export.report.along_data import something_heard
from netcorr.export.report.axes import Panel, Scale
from netcorr.export.report.figure import DataTable, Figure, picture
from netcorr.export.report.spectra import highest_hz
from netcorr.export.report.svg import element

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.export.report.sound import HeardPair
    from netcorr.position.fix import PairFix

_WIDTH, _LEFT, _RIGHT = 440.0, 46.0, 14.0
_TALL = 108.0
#: Pixels of a picture, and its steps of loudness: fewer steps make a smaller file.
_COLUMNS, _ROWS, _STEPS = 360, 120, 28
#: From the loudest to the quietest shade. [dB]
_RANGE_DB = 50.0
#: Quiet to loud; lightness rises all the way, so that it reads in grey and by colour-blind people, too.
_SHADES = ((13, 27, 42), (32, 66, 105), (58, 110, 134), (116, 160, 142), (206, 190, 120), (255, 240, 200))


def spectrogram_figure(pair: PairFix, heard: HeardPair) -> Figure:
    """Spectrograms of both recordings, one over the other.

    Parameters
    ----------
    pair : PairFix
        For the band and the names.
    heard : HeardPair
        Recordings of one round.

    Returns
    -------
    Figure
        Two pictures with axes.
    """
    top_hz = min(highest_hz(pair), *(rate / 2 for rate in heard.rates_hz))
    band = next(one.band_hz for one in pair.evidence if one.round_number == heard.round_number)
    seconds = min(part.size / rate for part, rate in zip(heard.samples, heard.rates_hz, strict=True))
    parts: list[Markup] = []
    levels: list[NDArray[np.float64]] = []
    for index, (samples, rate) in enumerate(zip(heard.samples, heard.rates_hz, strict=True)):
        level_db = loudness_db(samples[: int(seconds * rate)], rate, top_hz=top_hz)
        levels.append(level_db)
        top = 22.0 + index * (_TALL + 30)
        panel = Panel(Scale(0.0, seconds, _LEFT, _WIDTH - _RIGHT), Scale(0.0, top_hz, top + _TALL, top))
        name = (pair.path.sensor_a, pair.path.sensor_b)[index]
        parts.append(
            element(
                "image", href=png_uri(level_db), x=_LEFT, y=top, width=_WIDTH - _LEFT - _RIGHT, height=_TALL,
                preserveAspectRatio="none",
            )
        )  # fmt: skip
        x_words = "time, s" if index else ""
        parts.append(
            panel.frame(x_words=x_words, y_words=f"{'AB'[index]}: {plain_text(name)}, Hz", y_ticks=3)
        )
        for edge in band if something_heard(pair) else ():
            y = panel.y.at(edge)
            parts.append(element("line", x1=_LEFT, x2=_WIDTH - _RIGHT, y1=y, y2=y, class_="band-edge"))
    words = (
        f"Loudness over time (across) and frequency (up) of both recordings of round {heard.round_number}, "
        "from the same moment on; brighter is louder, the darkest shade 50 dB below the loudest. A leak is a "
        "steady band; knocks are upright lines, hum is level lines."
    )
    if something_heard(pair):
        words += " Between the dashed lines lies the band that carries the evidence."
    height = 22.0 + 2 * _TALL + 30 + 42
    drawn = picture(parts, width=_WIDTH, height=height, name="How loud, when and how high", words=words)
    return Figure("How loud, when and how high", words, (drawn,), _table(levels, top_hz, pair))


def loudness_db(samples: NDArray[np.float32], sample_rate_hz: float, *, top_hz: float) -> NDArray[np.float64]:
    """Level over frequency and time, below the loudest.

    Parameters
    ----------
    samples : numpy.ndarray
        Shape (n,).
    sample_rate_hz : float
        Sample rate. [Hz]
    top_hz : float
        Highest frequency. [Hz]

    Returns
    -------
    numpy.ndarray
        Shape (rows, columns), lowest frequency first; 0 is the loudest of 99.5 % of it, -50 the least. [dB]
    """
    length = int(min(max(sample_rate_hz * 80 / top_hz, 64), samples.size))
    hop = max(int(samples.size / (2 * _COLUMNS)), 1)
    _, _, power = signal.spectrogram(
        samples.astype(np.float64), sample_rate_hz, nperseg=length, noverlap=max(length - hop, 0),
        detrend="constant",
    )  # fmt: skip
    rows = np.linspace(0, top_hz / sample_rate_hz * length, _ROWS + 1)
    small = _averaged(power, rows, axis=0)
    small = _averaged(small, np.linspace(0, small.shape[1], _COLUMNS + 1), axis=1)
    level = 10 * np.log10(np.maximum(small, 1e-30))
    return np.asarray(np.clip(level - np.quantile(level, 0.995), -_RANGE_DB, 0.0), dtype=np.float64)


def _averaged(values: NDArray[np.float64], edges: NDArray[np.float64], *, axis: int) -> NDArray[np.float64]:
    """Means between edges along an axis; at least one value in each."""
    count = values.shape[axis]
    starts = np.clip(edges[:-1].astype(np.int64), 0, count - 1)
    stops = np.clip(np.maximum(edges[1:].astype(np.int64), starts + 1), 1, count)
    zero = np.zeros_like(values.take([0], axis=axis))
    total = np.concatenate([zero, values.cumsum(axis=axis)], axis=axis)
    size = (stops - starts).reshape((-1, 1) if axis == 0 else (1, -1))
    mean: NDArray[np.float64] = (total.take(stops, axis=axis) - total.take(starts, axis=axis)) / size
    return mean


def png_uri(level_db: NDArray[np.float64]) -> Markup:
    """Levels as a small PNG picture, lowest frequency at the bottom, as a data URI."""
    steps = np.rint((level_db / _RANGE_DB + 1) * (_STEPS - 1)).astype(np.uint8)
    image = Image.fromarray(steps[::-1].copy(), mode="P")
    at = np.linspace(0, len(_SHADES) - 1, _STEPS)
    colours = np.column_stack(
        [np.interp(at, range(len(_SHADES)), [shade[k] for shade in _SHADES]) for k in range(3)]
    )
    image.putpalette(np.rint(colours).astype(np.uint8).tobytes())
    stream = io.BytesIO()
    image.save(stream, "PNG", optimize=True)
    return Markup("data:image/png;base64,") + base64.b64encode(stream.getvalue()).decode("ascii")


def _table(levels: list[NDArray[np.float64]], top_hz: float, pair: PairFix) -> DataTable:
    """Mean levels over eight equal stretches of frequency."""
    names = [plain_text(name) for name in (pair.path.sensor_a, pair.path.sensor_b)]
    edges = np.linspace(0, _ROWS, 9).astype(int)
    rows = []
    for low, high in pairwise(edges.tolist()):
        span = f"{low / _ROWS * top_hz:.0f} to {high / _ROWS * top_hz:.0f} Hz"
        rows.append((span, *(f"{float(level[low:high].mean()):.0f} dB" for level in levels)))
    return DataTable(("Frequency", *(f"{name}, below its loudest" for name in names)), tuple(rows))
