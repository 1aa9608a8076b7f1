"""The likelihood over delay: against its limits and direct sums."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from netcorr.delay.band_tables import CARRYING_SHARES, DELAYS_AT_ONCE, band_log_likelihood
from netcorr.delay.bands import contiguous_bands
from netcorr.delay.glance import LITTLE_NATS
from netcorr.delay.likelihood import LEAST_BINS, BandCorrelograms

BIN_HZ = 0.1
DURATION_S = 10.0


def random_cross(seed: int, *, bins: int = 18000) -> np.ndarray:
    rng = np.random.default_rng(seed)
    a, b = (rng.normal(size=bins) + 1j * rng.normal(size=bins) for _ in range(2))
    return np.asarray(np.conj(a) * b / 2)


def correlograms(
    cross: np.ndarray, usable: np.ndarray | None = None, *, max_delay_s: float, highest_hz: float
) -> BandCorrelograms:
    """From 10 Hz on, of a spectrum of which every bin is usable unless it is said otherwise."""
    return BandCorrelograms(
        cross,
        np.ones(cross.size, dtype=bool) if usable is None else usable,
        bin_hz=BIN_HZ,
        duration_s=DURATION_S,
        max_delay_s=max_delay_s,
        band_hz=(10.0, highest_hz),
    )


def test_correlograms_agree_with_direct_sums() -> None:
    cross = random_cross(1)
    usable = np.random.default_rng(2).random(cross.size) > 0.05
    cross = np.where(usable, cross, 0.0)
    made = correlograms(cross, usable, max_delay_s=0.05, highest_hz=1800.0)
    f = np.arange(cross.size) * BIN_HZ
    rng = np.random.default_rng(3)
    for index in rng.integers(0, made.delay_s.size, 6):
        for first, last in ((0, 1), (3, 9), (0, made.edges_hz.size - 1)):
            inside = (f >= made.edges_hz[first]) & (f < made.edges_hz[last]) & usable
            direct = (cross[inside] * np.exp(2j * np.pi * f[inside] * made.delay_s[index])).real.mean()
            found, bins = made.mean(first, last)
            assert bins == pytest.approx(inside.sum(), abs=1.5)
            assert found[index] == pytest.approx(direct, abs=0.002 / np.sqrt(inside.sum()))


def test_noise_alone_gives_no_evidence_on_average() -> None:
    values = []
    for seed in range(30):
        cross = random_cross(100 + seed)
        made = correlograms(cross, max_delay_s=0.05, highest_hz=1800.0)
        values.append(np.exp(made.log_likelihood()).mean())
    # a likelihood ratio has mean 1 under the null; skewed, so most lie below
    assert 0.3 < float(np.mean(values)) < 1.6


def test_delays_are_even_and_symmetric() -> None:
    cross = random_cross(4)
    made = correlograms(cross, max_delay_s=0.123, highest_hz=1800.0)
    np.testing.assert_allclose(made.delay_s, -made.delay_s[::-1], atol=1e-12)
    np.testing.assert_allclose(np.diff(made.delay_s), made.delay_s[1] - made.delay_s[0], rtol=1e-9)
    assert made.delay_s[-1] >= 0.123


def test_best_band_is_where_the_source_is(pair: Callable[..., np.ndarray]) -> None:
    from netcorr.delay.prepare import prepare_recording

    samples = pair(np.random.default_rng(5), delay_s=0.01, snr_db=0.0, band_hz=(426.0, 746.0))
    a, b = (prepare_recording(row, 4000.0, pad_s=0.1) for row in samples)
    made = BandCorrelograms(
        np.conj(a.spectrum) * b.spectrum,
        a.usable & b.usable,
        bin_hz=a.bin_hz,
        duration_s=10.0,
        max_delay_s=0.05,
        band_hz=(10.0, 1800.0),
    )
    peak = int(np.argmax(made.log_likelihood()))
    assert made.delay_s[peak] == pytest.approx(0.01, abs=1e-4)
    first, last = made.best_band(peak)
    assert made.edges_hz[first] == pytest.approx(426, abs=64)
    # chance adds what is next to nothing beyond: no more than that
    assert made.edges_hz[last] == pytest.approx(746, abs=64) or _adds(made, peak, 778.0, last) < 1.0


def _adds(made: BandCorrelograms, peak: int, from_hz: float, last: int) -> float:
    """Evidence for a delay of the sub-bands from a frequency up to the last."""
    total = 0.0
    for band in range(int(np.searchsorted(made.edges_hz, from_hz)), last):
        r, bins = made.mean(band, band + 1)
        total += float(band_log_likelihood(r[peak : peak + 1], bins)[0])
    return total


@pytest.mark.parametrize("polarity", [1, -1])
@pytest.mark.parametrize("max_delay_s", [0.01, 0.09])
def test_pictures_are_the_means_over_their_bands(max_delay_s: float, polarity: int) -> None:
    # band by band and delay by delay; of a sub-band with hardly a usable bin nothing is counted
    cross, usable = random_cross(5), np.ones(18000, dtype=bool)
    cross *= np.exp(-2j * np.pi * BIN_HZ * np.arange(cross.size) * 0.004)
    usable[258:419] = False
    made = correlograms(np.where(usable, cross, 0.0), usable, max_delay_s=max_delay_s, highest_hz=600.0)
    assert (made.delay_s.size > DELAYS_AT_ONCE) == (max_delay_s > 0.05)
    assert (np.diff(made.bins) >= LEAST_BINS).sum() == made.edges_hz.size - 2
    one_band, own = made.one_band(polarity), made.own_coherences(polarity)
    for index in np.random.default_rng(6).integers(0, made.delay_s.size, 12).tolist():
        by_band = []
        for first, last in contiguous_bands(made.edges_hz.size - 1).tolist():
            r, bins = made.mean(first, last)
            if bins >= LEAST_BINS:
                by_band.append(float(band_log_likelihood(polarity * r[index : index + 1], bins)[0]))
        assert one_band[index] == pytest.approx(np.log(np.mean(np.exp(by_band))), abs=2e-3)
        carrying = []
        for share in CARRYING_SHARES:
            total = 0.0
            for band in range(made.edges_hz.size - 1):
                r, bins = made.mean(band, band + 1)
                if bins >= LEAST_BINS:
                    ratio = np.exp(band_log_likelihood(polarity * r[index : index + 1], bins)[0])
                    total += float(np.log(1 - share + share * ratio))
            carrying.append(total)
        assert own[index] == pytest.approx(np.log(np.mean(np.exp(carrying))), abs=1e-6)


@pytest.mark.parametrize("leak", [0.0, 0.5])
def test_both_polarities_at_once_are_each_by_itself(leak: float) -> None:
    # with a source, and with noise alone
    cross = random_cross(8)
    cross += leak * np.exp(-2j * np.pi * BIN_HZ * np.arange(cross.size) * 0.004)
    made = correlograms(cross, max_delay_s=0.05, highest_hz=1500.0)
    for found, polarity in zip(made.of_polarities(), (1, -1), strict=True):
        expected = made.of_polarity(polarity)
        loud = expected > LITTLE_NATS + 0.1
        assert loud.any() == bool(leak)
        np.testing.assert_allclose(found[loud], expected[loud], atol=1e-6)
        # beside a source all bands speak against it at once, where tables are steep
        np.testing.assert_allclose(found, expected, atol=0.1 if leak else 0.02)
        # the highest is in full, little as it may be
        assert found.max() == pytest.approx(expected.max(), abs=1e-6)


def test_where_no_band_says_anything_both_polarities_are_as_likely_as_without_a_source() -> None:
    made = correlograms(random_cross(9), np.zeros(18000, dtype=bool), max_delay_s=0.02, highest_hz=600.0)
    for found in made.of_polarities():
        np.testing.assert_allclose(found, 0.0, atol=1e-12)
