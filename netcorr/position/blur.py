"""Likelihoods over delay, blurred by Gaussians of many widths at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage
from scipy.fft import irfft, next_fast_len, rfft

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Rows are blurred point by point up to so many points of their grid, and by their spectrum above, which
#: takes the same time however wide.
NARROW_POINTS = 8.0
#: Widths within so many octaves share a spectrum.
ALIKE_OCTAVES = 3.0
#: A row is carried on beyond its ends for so many standard deviations of the widest blur, and a spectrum is
#: taken to end so many of its own above 0, where ``exp(-9^2 / 2)`` is less than rounding leaves.
SIDE_SDS, SPECTRUM_SDS = 6.0, 9.0


def blurred_rows(row: Floats, widths: Sequence[float] | Floats, *, silent_beyond: bool = False) -> Floats:
    """Blur a row by each of several widths.

    Parameters
    ----------
    row : numpy.ndarray
        Shape (m,): 0 or more.
    widths : numpy.ndarray or sequence of float
        Standard deviations in points of the row.
    silent_beyond : bool
        Whether the row is 0 beyond its ends; it goes on as it is there otherwise.

    Returns
    -------
    numpy.ndarray
        Shape (len(widths), m): 0 or more.

    Examples
    --------
    >>> row = np.zeros(101)
    >>> row[50] = 1.0
    >>> blurred_rows(row, [1.0, 10.0])[:, 50].round(4).tolist()
    [0.3989, 0.0399]
    """
    rows = np.empty((len(widths), row.size))
    for number, width in enumerate(widths):
        if width <= NARROW_POINTS:
            rows[number] = ndimage.gaussian_filter1d(
                row, width, mode="constant" if silent_beyond else "nearest"
            )
    # what is blurred less needs less room beside the row
    room = [max(int(np.ceil(np.log2(width / NARROW_POINTS) / ALIKE_OCTAVES)), 0) for width in widths]
    for one in set(room) - {0}:
        alike = [number for number, its in enumerate(room) if its == one]
        rows[alike] = _by_spectrum(row, [float(widths[number]) for number in alike], silent_beyond)
    return rows


def _by_spectrum(row: Floats, widths: Sequence[float], silent_beyond: bool) -> Floats:
    """The same by the spectrum of the row."""
    beside = min(int(SIDE_SDS * max(widths)) + 1, 2 * row.size)
    size = next_fast_len(row.size + 2 * beside, real=True)
    beyond = (beside, size - row.size - beside)
    spectrum = rfft(np.pad(row, beyond, mode="constant" if silent_beyond else "edge"))
    angle = 2 * np.pi * np.arange(spectrum.size) / size
    rows = np.empty((len(widths), row.size))
    for out, width in zip(rows, widths, strict=True):
        count = int(np.searchsorted(angle, SPECTRUM_SDS / width))  # nothing is left above
        blurred = irfft(spectrum[:count] * np.exp(-0.5 * (angle[:count] * width) ** 2), size)
        np.maximum(blurred[beside : beside + row.size], 0.0, out=out)
    return rows
