"""Cross-spectra of many pairs: the same as one by one in double precision."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from netcorr.delay import PreparedRecording, prepare_round
from netcorr.delay.cross_sums import (
    BLOCK,
    DENSE,
    TILE,
    WIDEST_GROUP_HZ,
    bins_in_bands,
    cross_sums,
    group_spectra,
    work_blocks,
)
from netcorr.errors import DelayError

RATE_HZ = 1000.0


@pytest.fixture(scope="module")
def noise() -> tuple[PreparedRecording, ...]:
    """Twenty recordings: one whole tile and a piece of the next; a tone is cut out of the first."""
    rng = np.random.default_rng(11)
    samples = rng.normal(size=(20, 4000))
    samples[0] += 3 * np.sin(2 * np.pi * 130.1 * np.arange(4000) / RATE_HZ)
    return prepare_round(samples, RATE_HZ, max_delay_s=0.1)


def one_by_one(
    prepared: tuple[PreparedRecording, ...], a: int, b: int, *, per_group: int, groups: int
) -> NDArray[np.complex128]:
    """Sum of conj(A) B over the bins nearest to each multiple of the group's width."""
    product = np.conj(prepared[a].spectrum) * prepared[b].spectrum
    group = np.round(np.arange(product.size) / per_group).astype(int)
    return np.asarray([product[group == g].sum() for g in range(groups)])


def test_groups_hold_every_bin_once(noise: tuple[PreparedRecording, ...]) -> None:
    spectra = group_spectra(noise, max_delay_s=0.2)
    energy = np.square(np.abs(spectra.values)).sum(axis=(1, 2))
    expected = [np.square(np.abs(one.spectrum)).sum() for one in noise]
    np.testing.assert_allclose(energy, expected, rtol=1e-5)
    usable = spectra.filled.sum(axis=1) * spectra.values.shape[1]
    np.testing.assert_allclose(usable, [one.usable.sum() for one in noise], rtol=1e-5)


@pytest.mark.parametrize("max_delay_s", [0.05, 0.2, 0.6, 1.2])
def test_groups_are_as_narrow_as_the_delay_asks(
    noise: tuple[PreparedRecording, ...], max_delay_s: float
) -> None:
    spectra = group_spectra(noise, max_delay_s=max_delay_s)
    per_group = spectra.values.shape[1]
    assert per_group % 2 == 1
    assert spectra.group_hz == pytest.approx(per_group * noise[0].bin_hz)
    assert spectra.group_hz <= WIDEST_GROUP_HZ
    assert spectra.group_hz * max_delay_s <= 0.25 or per_group == 1
    # padding adds bins, not information: a bin for each 1 / duration
    assert spectra.independent == pytest.approx(spectra.group_hz * noise[0].duration_s)


@pytest.mark.parametrize("dense", [True, False])
def test_sums_are_those_of_each_pair(noise: tuple[PreparedRecording, ...], dense: bool) -> None:
    spectra = group_spectra(noise, max_delay_s=0.2)
    pairs = np.array(list(combinations(range(TILE), 2)))
    pairs = pairs if dense else pairs[:5]
    assert dense == (len(pairs) >= DENSE * TILE**2)
    sums = cross_sums(spectra, pairs)
    shape = {"per_group": spectra.values.shape[1], "groups": spectra.size}
    for row in range(0, len(pairs), 17):
        expected = one_by_one(noise, *pairs[row].tolist(), **shape)
        np.testing.assert_allclose(sums[row], expected, atol=1e-4 * np.abs(expected).max())


def test_a_full_tile_is_the_same_as_single_pairs(noise: tuple[PreparedRecording, ...]) -> None:
    spectra = group_spectra(noise, max_delay_s=0.2)
    rows, columns = np.indices((TILE, 4)).reshape(2, -1)
    pairs = np.stack([rows, columns + TILE], axis=1)  # the second tile holds four recordings
    together = cross_sums(spectra, pairs)
    alone = np.concatenate([cross_sums(spectra, pairs[i : i + 1]) for i in range(len(pairs))])
    np.testing.assert_allclose(together, alone, atol=1e-4 * np.abs(alone).max())


@settings(max_examples=30, deadline=None)
@given(count=st.integers(1, 700), recordings=st.integers(2, 70), seed=st.integers(0, 999))
def test_blocks_hold_every_pair_once(count: int, recordings: int, seed: int) -> None:
    pairs = np.random.default_rng(seed).integers(0, recordings, size=(count, 2))
    blocks = work_blocks(pairs)
    assert sorted(np.concatenate(blocks).tolist()) == list(range(count))
    for rows in blocks:
        tiles = np.unique(pairs[rows] // TILE, axis=0)
        assert rows.size <= BLOCK or len(tiles) == 1


def test_common_bins_leave_out_what_either_lost(noise: tuple[PreparedRecording, ...]) -> None:
    spectra = group_spectra(noise, max_delay_s=0.2)
    pairs = np.array([[0, 1], [1, 2], [0, 3]])
    bands = np.array([[1, 40], [40, 90], [1, 90], [60, 75]])
    shared = bins_in_bands(spectra.filled, pairs, bands=bands)
    for row, (a, b) in enumerate(pairs):
        for column, (first, last) in enumerate(bands):
            product = spectra.filled[a, first:last] * spectra.filled[b, first:last]
            assert shared[row, column] == pytest.approx(product.sum(), rel=1e-5)
    tone = np.array([[round(130.1 / spectra.group_hz) - 1, round(130.1 / spectra.group_hz) + 2]])
    of_tone = bins_in_bands(spectra.filled, pairs, bands=tone)[:, 0]
    assert of_tone[0] < of_tone[1]  # the tone of recording 0 was cut out


def test_refuses_what_cannot_be_compared(noise: tuple[PreparedRecording, ...]) -> None:
    rng = np.random.default_rng(1)
    other = prepare_round(rng.normal(size=(1, 5000)), RATE_HZ, max_delay_s=0.1)
    with pytest.raises(DelayError, match=r"recording 20.*prepared differently"):
        group_spectra(noise + other, max_delay_s=0.2)
    with pytest.raises(DelayError, match="1 recordings"):
        group_spectra(noise[:1], max_delay_s=0.2)
    with pytest.raises(DelayError, match=r"2 s for 4\.0 s"):
        group_spectra(noise, max_delay_s=2.0)
