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
    wide = [number for number, width in enumerate(widths) if width > NARROW_POINTS]
    for number, width in enumerate(widths):
        if width <= NARROW_POINTS:
            rows[number] = ndimage.gaussian_filter1d(
                row, width, mode="constant" if silent_beyond else "nearest"
            )
    if not wide:
        return rows
    beside = min(int(4 * float(np.max(widths))) + 1, 2 * row.size)
    size = next_fast_len(row.size + 2 * beside, real=True)
    beyond = (beside, size - row.size - beside)
    spectrum = rfft(np.pad(row, beyond, mode="constant" if silent_beyond else "edge"))
    angle = 2 * np.pi * np.arange(spectrum.size) / size
    for number in wide:
        blurred = irfft(spectrum * np.exp(-0.5 * (angle * widths[number]) ** 2), size)
        rows[number] = np.maximum(blurred[beside : beside + row.size], 0.0)
    return rows
