"""Blurring by the spectrum is blurring point by point."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from netcorr.position.blur import NARROW_POINTS, blurred_rows

WIDTHS = [float(width) for width in 0.5 * 2 ** (np.arange(16) / 2)]


def test_wide_rows_are_those_of_scipy() -> None:
    row = np.zeros(2001)
    row[[300, 1200, 1990]] = 1.0, 0.4, 0.2
    rows = blurred_rows(row, WIDTHS)
    assert rows.shape == (len(WIDTHS), 2001)
    for width, found in zip(WIDTHS, rows, strict=True):
        exact = ndimage.gaussian_filter1d(row, width, mode="nearest", truncate=9.0)
        assert found == pytest.approx(exact, abs=5e-4 * exact.max())


@given(st.floats(NARROW_POINTS, 300.0))
def test_a_peak_keeps_its_area_and_gets_its_width(width: float) -> None:
    row = np.zeros(4001)
    row[2000] = 1.0
    [found] = blurred_rows(row, [width])
    points = np.arange(4001) - 2000
    assert found.sum() == pytest.approx(1.0)
    assert np.sqrt(found @ points**2) == pytest.approx(width, rel=1e-3)
    assert found == pytest.approx(found[::-1], abs=1e-12)
    assert (found >= 0).all()


def test_what_is_even_stays_even_up_to_its_ends() -> None:
    assert blurred_rows(np.full(500, 0.3), WIDTHS) == pytest.approx(np.full((16, 500), 0.3), rel=1e-9)


def test_wider_than_the_row_itself() -> None:
    [found] = blurred_rows(np.linspace(0.0, 1.0, 50), [400.0])
    assert np.isfinite(found).all()
    assert found.min() > 0.3
    assert found.max() < 0.7


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**31), st.floats(9.0, 60.0))
def test_silence_beyond_the_ends_is_silence(seed: int, width: float) -> None:
    row = np.random.default_rng(seed).random(300)
    [found] = blurred_rows(row, [width], silent_beyond=True)
    expected = ndimage.gaussian_filter1d(row, width, mode="constant", truncate=7)
    np.testing.assert_allclose(found, expected, atol=1e-4)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**31), st.lists(st.floats(0.5, 2000.0), min_size=1, max_size=8))
def test_each_width_is_blurred_as_if_alone(seed: int, widths: list[float]) -> None:
    row = np.random.default_rng(seed).random(700) ** 8
    together = blurred_rows(row, widths)
    for width, found in zip(widths, together, strict=True):
        np.testing.assert_allclose(found, blurred_rows(row, [width])[0], atol=1e-4)


def test_wide_rows_keep_what_is_far_below_their_highest() -> None:
    # 6 standard deviations away a peak of 1 has left 1e-10 of its height: neither more nor nothing
    row = np.zeros(3001)
    row[1500] = 1.0
    [found] = blurred_rows(row, [100.0])
    expected = np.exp(-0.5 * 6.0**2) / (100.0 * np.sqrt(2 * np.pi))
    assert found[[900, 2100]] == pytest.approx(expected, rel=1e-3)
