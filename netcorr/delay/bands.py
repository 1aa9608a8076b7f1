"""How the spectrum is divided: narrow sub-bands, and every contiguous band that they can form.

A leak fills some contiguous band that nobody knows beforehand: low in plastic, up to a kilohertz and more in
iron. All bands are tried and averaged over; none is chosen.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from netcorr.delay.prepare import HIGHEST_HZ, LOWEST_HZ
from netcorr.errors import DelayError

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Half of the search beyond the longest delay, so that the ends of the range can be judged. [s]
MARGIN_S = 0.002
#: (up to this frequency, width of a sub-band), both in Hz: fine where plastic pipes carry sound.
SUB_BAND_WIDTHS_HZ = ((256.0, 16.0), (512.0, 32.0), (np.inf, 64.0))
#: Widths of the contiguous bands that are tried, in sub-bands.
BAND_WIDTHS = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64)


def sub_band_edges_hz(low_hz: float, high_hz: float) -> NDArray[np.float64]:
    """Edges of the sub-bands between two frequencies.

    Parameters
    ----------
    low_hz, high_hz : float
        Ends of the band. [Hz]

    Returns
    -------
    numpy.ndarray
        Shape (b + 1,): edges, the first `low_hz` and the last `high_hz`. [Hz]

    Examples
    --------
    >>> sub_band_edges_hz(10.0, 60.0)
    array([10., 26., 42., 60.])
    """
    edges = [low_hz]
    for top_hz, width_hz in SUB_BAND_WIDTHS_HZ:
        while edges[-1] < min(top_hz, high_hz) - 1e-9:
            edges.append(edges[-1] + width_hz)
    # the last one is stretched or dropped rather than left as a sliver
    edges = [edge for edge in edges if edge <= high_hz]
    if high_hz - edges[-1] > 0:
        if len(edges) > 1 and high_hz - edges[-1] < 0.5 * (edges[-1] - edges[-2]):
            edges[-1] = high_hz
        else:
            edges.append(high_hz)
    return np.asarray(edges)


def contiguous_bands(count: int) -> NDArray[np.int64]:
    """Every contiguous band that is tried.

    Parameters
    ----------
    count : int
        Number of sub-bands.

    Returns
    -------
    numpy.ndarray
        Shape (m, 2): first sub-band and one past the last.

    Examples
    --------
    >>> contiguous_bands(3).tolist()
    [[0, 1], [1, 2], [2, 3], [0, 2], [1, 3], [0, 3]]
    """
    rows = [
        (start, start + width)
        for width in BAND_WIDTHS
        if width <= count
        for start in range(0, count - width + 1, max(width // 4, 1))
    ]
    if (0, count) not in rows:
        rows.append((0, count))
    return np.asarray(rows, dtype=np.int64)


def usable_band(
    frequency_hz: NDArray[np.float64],
    usable: NDArray[np.bool_],
    *,
    band_hz: tuple[float, float] | None,
    item: str,
) -> tuple[float, float]:
    """Band asked for, cut to what both recordings have. [Hz]

    Raises
    ------
    DelayError
        If it holds next to nothing.
    """
    low_hz, high_hz = band_hz if band_hz is not None else (LOWEST_HZ, HIGHEST_HZ)
    inside = usable & (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    if inside.sum() < 16:
        raise DelayError(
            item,
            found=f"nothing to compare between {low_hz:g} and {high_hz:g} Hz",
            remedy="choose a wider band",
        )
    # sub-bands begin at the same places in every recording
    return float(low_hz), float(min(high_hz, frequency_hz[inside][-1]))
