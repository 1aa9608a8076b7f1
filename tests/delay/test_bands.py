"""Sub-bands tile the band; contiguous bands cover every width."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.delay.bands import contiguous_bands, sub_band_edges_hz


@settings(max_examples=50, deadline=None)
@given(st.floats(0, 500), st.floats(6, 4000))
def test_sub_bands_tile_the_band(low_hz: float, width_hz: float) -> None:
    edges = sub_band_edges_hz(low_hz, low_hz + width_hz)
    assert edges[0] == low_hz
    assert np.isclose(edges[-1], low_hz + width_hz)
    widths = np.diff(edges)
    assert (widths > 0).all()
    assert widths.max() <= 1.5 * 64.0 + 1e-9


def test_low_frequencies_are_divided_more_finely() -> None:
    widths = np.diff(sub_band_edges_hz(0.0, 1024.0))
    assert widths[0] == 16.0
    assert widths[-1] == 64.0
    assert (np.diff(widths) >= 0).all()


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 90))
def test_every_sub_band_is_in_some_band_and_the_whole_is_one(count: int) -> None:
    bands = contiguous_bands(count)
    assert (bands[:, 0] >= 0).all()
    assert (bands[:, 1] <= count).all()
    assert (bands[:, 1] > bands[:, 0]).all()
    assert [0, count] in bands.tolist()
    assert len({tuple(row) for row in bands.tolist()}) == len(bands)
    covered = np.zeros(count, dtype=bool)
    for first, last in bands[bands[:, 1] - bands[:, 0] <= max(count // 2, 1)]:
        covered[first:last] = True
    assert covered.all()
