"""Axes of a chart: scales, round ticks, and the frame round a panel."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from netcorr.export.report.svg import element, group, points

#: Height of the letters in a chart, in its own units.
TEXT = 13.0


@dataclass(frozen=True)
class Scale:
    """Numbers from `low` to `high` on a line from `start` to `stop`."""

    low: float
    high: float
    start: float
    stop: float

    def at(self, value: float) -> float:
        """Place of a number; beyond the ends it stays at the end."""
        share = (value - self.low) / (self.high - self.low)
        return self.start + min(max(share, 0.0), 1.0) * (self.stop - self.start)

    def places(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Places of numbers, as `at`."""
        share = np.clip((values - self.low) / (self.high - self.low), 0.0, 1.0)
        return np.asarray(self.start + share * (self.stop - self.start), dtype=np.float64)

    def ticks(self, most: int) -> list[float]:
        """Round numbers on it, at most so many."""
        return round_ticks(self.low, self.high, most=most)


@dataclass(frozen=True)
class Panel:
    """A rectangle with two scales."""

    x: Scale
    y: Scale

    def line(self, x: NDArray[np.float64], y: NDArray[np.float64], *, class_: str) -> Markup:
        """Curve, cut to the panel."""
        inside = (x >= self.x.low) & (x <= self.x.high)
        # the points just outside belong to the curve, too
        inside |= np.append(inside[1:], False) | np.insert(inside[:-1], 0, False)
        xy = np.column_stack([self.x.places(x[inside]), self.y.places(y[inside])])
        return element("polyline", points=points(_thinned(xy)), class_=class_)

    def band(self, low: float, high: float, *, class_: str) -> Markup:
        """Shade from one number on the horizontal scale to another."""
        left, right = self.x.at(low), self.x.at(high)
        top = min(self.y.start, self.y.stop)
        size = {"width": max(right - left, 1.5), "height": abs(self.y.stop - self.y.start)}
        return element("rect", x=left, y=top, **size, class_=class_)

    def frame(self, *, x_words: str = "", y_words: str = "", x_ticks: int = 6, y_ticks: int = 4) -> Markup:
        """Lines, ticks and words round the panel."""
        left, right = self.x.start, self.x.stop
        bottom, top = self.y.start, self.y.stop
        parts: list[Markup] = []
        for value in self.y.ticks(y_ticks) if y_ticks else []:
            at = self.y.at(value)
            parts.append(element("line", x1=left, x2=right, y1=at, y2=at, class_="grid"))
            text = {"x": left - 6, "y": at + 4, "text_anchor": "end", "class_": "tick"}
            parts.append(element("text", tick_text(value), **text))
        for value in self.x.ticks(x_ticks) if x_words else []:
            at = self.x.at(value)
            parts.append(element("line", x1=at, x2=at, y1=bottom, y2=bottom + 4, class_="axis"))
            text = {"x": at, "y": bottom + 17, "text_anchor": "middle", "class_": "tick"}
            parts.append(element("text", tick_text(value), **text))
        parts.append(element("line", x1=left, x2=right, y1=bottom, y2=bottom, class_="axis"))
        if x_words:
            text = {"x": (left + right) / 2, "y": bottom + 35, "text_anchor": "middle", "class_": "words"}
            parts.append(element("text", x_words, **text))
        if y_words:
            parts.append(element("text", y_words, x=left, y=top - 7, class_="words"))
        return group(parts)


def round_ticks(low: float, high: float, *, most: int) -> list[float]:
    """Multiples of 1, 2 or 5 times a power of ten between two numbers.

    Examples
    --------
    >>> round_ticks(0.0, 154.8, most=6)
    [0.0, 50.0, 100.0, 150.0]
    >>> round_ticks(-3.2, 3.2, most=5)
    [-2.0, 0.0, 2.0]
    """
    span = high - low
    if not (math.isfinite(span) and span > 0):
        return [low]
    power = 10.0 ** math.floor(math.log10(span / most))
    step = next(s for f in (1.0, 2.0, 5.0, 10.0) if (s := f * power) * most >= span * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(k * step, 10) + 0.0 for k in range(first, last + 1)]


def tick_text(value: float) -> str:
    """Number beside a tick."""
    return f"{value:.6g}" if abs(value) < 1e5 else f"{value:.0e}"


def _thinned(xy: NDArray[np.float64]) -> list[tuple[float, float]]:
    """Points of a curve, of each half unit across the first, the highest, the lowest and the last."""
    if len(xy) < 1200:
        return [(float(x), float(y)) for x, y in xy]
    columns = np.floor(2 * xy[:, 0]).astype(np.int64)
    starts = np.flatnonzero(np.diff(columns, prepend=columns[0] - 1))
    kept: list[int] = []
    for start, stop in zip(starts, np.append(starts[1:], len(xy)), strict=True):
        part = xy[start:stop, 1]
        kept += sorted({int(start), int(start + part.argmin()), int(start + part.argmax()), int(stop - 1)})
    return [(float(x), float(y)) for x, y in xy[kept]]
