"""Correlograms of sub-bands agree with the sums that define them, at any delay and for any sub-bands."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.delay.bands import sub_band_edges_hz
from netcorr.delay.dispersion import Dispersion
from netcorr.delay.sub_bands import (
    MULTIPLE,
    dispersed_sums,
    period_samples,
    sub_band_bins,
    sub_band_sums,
)


def random_cross(seed: int, bins: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.asarray(rng.normal(size=bins) + 1j * rng.normal(size=bins))


def by_definition(cross: np.ndarray, bins: np.ndarray, period: int, delays: np.ndarray) -> np.ndarray:
    rows = []
    for first, last in pairwise(bins.tolist()):
        number = np.arange(first, last)
        # whole turns are taken out in integers, so that nothing is lost to rounding
        turns = (np.outer(delays.astype(np.int64), number) % period) / period
        rows.append((cross[number] * np.exp(2j * np.pi * turns)).real.sum(axis=1))
    return np.array(rows)


@pytest.mark.parametrize(("duration_s", "rate_hz"), [(11.0, 4000.0), (3.3, 2000.0), (10.4, 8000.0)])
def test_the_usual_sub_bands_agree_with_direct_sums(duration_s: float, rate_hz: float) -> None:
    cross = random_cross(1, int(duration_s * rate_hz / 2))
    bins = sub_band_bins(sub_band_edges_hz(10.0, 0.45 * rate_hz), 1 / duration_s, cross.size)
    period = period_samples(4 * 2 * cross.size)
    half = int(0.4 * period / duration_s)
    found = sub_band_sums(cross, bins, period=period, start=-half, stop=half + 1)
    assert found.shape == (bins.size - 1, 2 * half + 1)
    some = np.random.default_rng(2).integers(-half, half + 1, 30)
    expected = by_definition(cross, bins, period, some)
    scatter = np.sqrt(np.diff(bins))[:, None]  # of such a sum
    assert (np.abs(found[:, some + half] - expected) < 3e-4 * scatter).all()


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 2**31),
    st.lists(st.integers(1, 400), min_size=1, max_size=5),
    st.integers(0, 300),
    st.integers(-4000, 4000),
    st.integers(1, 700),
)
def test_any_sub_bands_and_any_range_agree_with_direct_sums(
    seed: int, widths: list[int], first: int, start: int, count: int
) -> None:
    bins = first + np.concatenate([[0], np.cumsum(widths)])
    cross = random_cross(seed, int(bins[-1]) + 1)
    period = period_samples(8 * cross.size)
    found = sub_band_sums(cross, bins, period=period, start=start, stop=start + count)
    delays = np.unique(np.linspace(start, start + count - 1, 20).astype(int))
    expected = by_definition(cross, bins, period, delays)
    assert np.abs(found[:, delays - start] - expected).max() < 1e-3 * np.sqrt(max(widths))


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**31), st.integers(-500, 500), st.integers(1, 200), st.integers(0, 199))
def test_part_of_a_range_is_part_of_the_whole(seed: int, start: int, count: int, skip: int) -> None:
    cross, bins = random_cross(seed, 900), np.array([20, 200, 290, 700])
    period = period_samples(7200)
    skip = min(skip, count - 1)
    whole = sub_band_sums(cross, bins, period=period, start=start, stop=start + count)
    part = sub_band_sums(cross, bins, period=period, start=start + skip, stop=start + count)
    np.testing.assert_allclose(part, whole[:, skip:], atol=1e-3)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**31), st.integers(-300, 300))
def test_a_delay_moves_the_correlogram(seed: int, late: int) -> None:
    cross, bins = random_cross(seed, 900), np.array([20, 200, 290, 700])
    period = period_samples(7200)
    moved = cross * np.exp(-2j * np.pi * late * np.arange(cross.size) / period)
    before = sub_band_sums(cross, bins, period=period, start=0, stop=50)
    after = sub_band_sums(moved, bins, period=period, start=late, stop=late + 50)
    np.testing.assert_allclose(after, before, atol=0.02)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**31))
def test_swapping_the_recordings_mirrors_the_correlogram(seed: int) -> None:
    cross, bins = random_cross(seed, 900), np.array([20, 200, 290, 700])
    period = period_samples(7200)
    one = sub_band_sums(cross, bins, period=period, start=-200, stop=201)
    other = sub_band_sums(np.conj(cross), bins, period=period, start=-200, stop=201)
    np.testing.assert_allclose(other, one[:, ::-1], atol=0.02)


def test_nothing_counts_outside_the_sub_bands() -> None:
    cross = np.ones(1000, dtype=complex)
    cross[100:200] = 0.0
    sums = sub_band_sums(cross, np.array([100, 150, 200]), period=period_samples(8000), start=-20, stop=20)
    assert not sums.any()


@given(st.integers(1, 10**7))
def test_periods_are_long_enough_and_divisible(at_least: int) -> None:
    samples = period_samples(at_least)
    assert samples >= at_least
    assert samples % MULTIPLE == 0


@given(st.floats(0.05, 2.0), st.integers(50, 5000))
def test_every_frequency_is_in_the_sub_band_between_its_edges(bin_hz: float, count: int) -> None:
    top_hz = (count - 1) * bin_hz
    edges_hz = np.linspace(0.1 * top_hz, 0.9 * top_hz, 6)
    bins = sub_band_bins(edges_hz, bin_hz, count)
    frequency_hz = np.arange(count) * bin_hz
    for band in range(5):
        inside = frequency_hz[bins[band] : bins[band + 1]]
        assert (inside >= edges_hz[band]).all()
        assert (inside <= edges_hz[band + 1]).all()
    assert bins[-1] - bins[0] == ((frequency_hz >= edges_hz[0]) & (frequency_hz <= edges_hz[-1])).sum()


def test_the_upper_edge_belongs_to_the_last_sub_band() -> None:
    assert sub_band_bins(np.array([0.0, 5.0, 10.0]), 1.0, 20).tolist() == [0, 5, 11]


def bent(places: int, *, rad: float, longest: int, bin_hz: float, period: int) -> Dispersion:
    """Phases that grow with frequency, and towards the ends of a path."""
    nodes = np.linspace(-longest, longest, places) / (period * bin_hz)
    f = np.linspace(0.0, 1000.0 * bin_hz, 30)
    return Dispersion(nodes, f, rad * np.outer(nodes / nodes[-1], (f / f[-1]) ** 1.5))


@settings(max_examples=30, deadline=None)
@given(
    st.integers(0, 2**31),
    st.integers(2, 9),
    st.floats(0.0, 300.0),
    st.integers(-900, 900),
    st.integers(1, 1200),
)
def test_dispersed_sums_agree_with_direct_ones(
    seed: int, places: int, rad: float, start: int, count: int
) -> None:
    # at every delay the spectrum is steered by the two places beside it, joined in a straight line
    cross, bins, bin_hz = random_cross(seed, 1000), np.array([20, 120, 190, 480, 990]), 0.1
    period = period_samples(8000)
    pipe = bent(places, rad=rad, longest=700, bin_hz=bin_hz, period=period)
    found = dispersed_sums(
        cross, bins, bin_hz=bin_hz, dispersion=pipe, period=period, start=start, stop=start + count
    )
    assert found.shape == (4, count)
    number = np.arange(cross.size)
    for delay in np.unique(np.linspace(start, start + count - 1, 15).astype(int)).tolist():
        delay_s = delay / (period * bin_hz)
        at = float(np.interp(delay_s, pipe.delay_s, np.arange(places)))
        below = min(int(at), places - 2)
        turned = sum(
            share * np.exp(1j * pipe.phase(place, number * bin_hz))
            for place, share in ((below, 1 - (at - below)), (below + 1, at - below))
        )
        [expected] = by_definition(cross * turned, bins, period, np.array([delay])).T
        assert np.abs(found[:, delay - start] - expected).max() < 2e-3 * np.sqrt(510)


def test_without_phase_dispersed_sums_are_the_plain_ones() -> None:
    cross, bins, period = random_cross(4, 1000), np.array([20, 120, 480, 990]), period_samples(8000)
    straight = bent(5, rad=0.0, longest=300, bin_hz=0.1, period=period)
    found = dispersed_sums(cross, bins, bin_hz=0.1, dispersion=straight, period=period, start=-500, stop=501)
    np.testing.assert_allclose(
        found, sub_band_sums(cross, bins, period=period, start=-500, stop=501), atol=2e-3
    )


def test_many_turns_are_as_good_as_none() -> None:
    # a phase of thousands of turns, as at high frequencies far from the middle of a long plastic main
    cross, bins, period = random_cross(5, 1000), np.array([20, 480, 990]), period_samples(8000)
    plain, turned = (
        Dispersion(np.array([-0.1, 0.1]), np.array([0.0, 1.0]), np.full((2, 2), 2 * np.pi * turns))
        for turns in (0, 5000)
    )
    one, other = (
        dispersed_sums(cross, bins, bin_hz=0.1, dispersion=pipe, period=period, start=-90, stop=90)
        for pipe in (plain, turned)
    )
    np.testing.assert_allclose(one, other, atol=1e-3)
