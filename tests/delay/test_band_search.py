"""The search over bands against sums taken delay by delay, and its significance against random phases."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from netcorr.delay import peak_probability
from netcorr.delay.band_search import Level, Peaks, bands_of, joined, search, search_levels

GROUPS, GROUP_HZ = 460, 2.0


def levels(max_delay_s: float = 0.1) -> tuple[Level, ...]:
    return search_levels(GROUPS, GROUP_HZ, max_delay_s=max_delay_s)


def random_phases(n: int, *, seed: int) -> NDArray[np.complex64]:
    """Sums as noise leaves them: sizes that scatter, phases uniform."""
    rng = np.random.default_rng(seed)
    return (rng.normal(size=(n, GROUPS, 2)) @ np.array([1, 1j])).astype(np.complex64)


def exact(sums: NDArray[np.complex64], band: NDArray[np.int64], delay_s: NDArray[np.float64]) -> NDArray:
    """Re sum S exp(j 2 pi f delay) over a band, in double precision, delay by delay."""
    groups = np.arange(band[0], band[1])
    turn = np.exp(2j * np.pi * groups * GROUP_HZ * delay_s[:, None])
    return (turn @ sums[groups].astype(complex)).real


def test_bands_cover_the_spectrum_and_differ() -> None:
    bands = bands_of(levels())
    assert bands.min() == 1
    assert bands.max() == GROUPS
    assert len(np.unique(bands, axis=0)) == len(bands)
    assert (bands[:, 0] < bands[:, 1]).all()


@pytest.mark.parametrize(("groups", "group_hz"), [(20, 0.5), (60, 1.0), (200, 2.0), (1500, 2.0)])
def test_any_spectrum_has_a_search(groups: int, group_hz: float) -> None:
    found = search_levels(groups, group_hz, max_delay_s=0.1)
    assert bands_of(found).max() == groups
    assert [1, groups] in bands_of(found).tolist()
    for level in found:
        # at least two delays for each period of the highest frequency
        assert level.step_s <= 0.5 / (level.edges[-1] * group_hz)
        assert level.half * level.step_s >= min(0.1, 0.49 / group_hz)


@settings(max_examples=25, deadline=None)
@given(
    delay_s=st.floats(-0.09, 0.09),
    first=st.integers(1, 200),
    width=st.integers(
        120, 250
    ),  # half as wide as it is high at least: a narrower one is ambiguous by half cycles
    sign=st.sampled_from([1, -1]),
)
def test_a_clear_source_is_found_where_it_is(delay_s: float, first: int, width: int, sign: int) -> None:
    group = np.arange(GROUPS)
    inside = (group >= first) & (group < first + width)
    source = 8 * sign * inside * np.exp(-2j * np.pi * group * GROUP_HZ * delay_s)
    sums = (random_phases(1, seed=width) + source).astype(np.complex64)
    peaks = search(sums, levels(), max_delay_s=np.array([0.1]))
    assert peaks.log_crossings[0] < math.log(1e-6)
    # two samples for each period may miss the top of a narrow band by half a cycle, not by more
    off = abs(peaks.delay_s[0] - delay_s) * GROUP_HZ * (first + width / 2)
    assert off < 0.7
    assert np.sign(peaks.total[0]) == (sign if off < 0.3 else -sign)


@pytest.mark.parametrize("seed", range(4))
def test_peak_and_significance_are_those_of_the_exact_sum(seed: int) -> None:
    sums = random_phases(3, seed=seed)
    reach_s = np.array([0.1, 0.06, 0.03])
    peaks = search(sums, levels(), max_delay_s=reach_s)
    bands = bands_of(levels())
    for row in range(3):
        band = bands[peaks.band[row]]
        fine_s = np.arange(-reach_s[row], reach_s[row], 2e-5)
        values = exact(sums[row], band, fine_s)
        # sampled at 1.25 delays a half period, then a parabola: a peak between samples may be missed a little
        assert np.abs(values).max() * 0.8 < abs(peaks.total[row]) < np.abs(values).max() * 1.03
        assert abs(peaks.delay_s[row]) <= reach_s[row]
        size = np.abs(sums[row, band[0] : band[1]]).astype(float)
        f = np.arange(band[0], band[1]) * GROUP_HZ
        chance = peak_probability(
            abs(float(peaks.total[row])) / size.size,
            bins=size.size**2 / np.square(size).sum(),
            search_s=2 * float(reach_s[row]),
            rms_frequency_hz=float(np.sqrt((size**2 * f**2).sum() / np.square(size).sum())),
        )
        # either polarity: twice the crossings
        crossings = -2 * math.log1p(-chance)
        assert peaks.log_crossings[row] == pytest.approx(math.log(crossings), abs=1e-3)


def test_noise_passes_no_more_often_than_stated() -> None:
    n, bands = 3000, len(bands_of(levels()))
    peaks = search(random_phases(n, seed=5), levels(), max_delay_s=np.full(n, 0.1))
    for stated in (0.3, 0.1, 0.02):
        measured = np.mean(-np.expm1(-bands * np.exp(peaks.log_crossings)) < stated)
        assert measured < stated + 3 * math.sqrt(stated / n)
    # and not so rarely that the count would be useless: bands that overlap are counted as if they did not
    assert np.mean(bands * np.exp(peaks.log_crossings) < 0.3) > 0.03


def test_one_strong_line_is_no_source() -> None:
    sums = random_phases(50, seed=8)
    sums[:, 25] = 200.0  # the same phase everywhere, as hum on a common supply
    peaks = search(sums, levels(), max_delay_s=np.full(50, 0.1))
    chance = -np.expm1(-len(bands_of(levels())) * np.exp(peaks.log_crossings))
    assert np.mean(chance < 0.05) <= 0.1


def test_pieces_of_any_size_give_the_same() -> None:
    sums, reach_s = random_phases(30, seed=2), np.linspace(0.02, 0.1, 30)
    whole = search(sums, levels(), max_delay_s=reach_s)
    for pairs in (1, 7, 30):
        pieces = search(sums, levels(), max_delay_s=reach_s, block_pairs=pairs)
        np.testing.assert_allclose(pieces.delay_s, whole.delay_s, atol=1e-7)
        np.testing.assert_allclose(pieces.log_crossings, whole.log_crossings, atol=1e-4)
        np.testing.assert_array_equal(pieces.band, whole.band)


def test_joined_keeps_the_order() -> None:
    def one(value: float) -> Peaks:
        values = np.array([value])
        return Peaks(delay_s=values, total=values, log_crossings=values, band=values.astype(np.int64))

    assert joined([one(3), one(1), one(2)]).band.tolist() == [3, 1, 2]
