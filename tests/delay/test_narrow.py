"""A source in a narrow band is heard alike wherever its edges lie; its cycle is as sure as theory says."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.special import erfc

from netcorr.delay import DelayEvidence, Dispersion, delay_evidence, prepare_round
from netcorr.delay.band_tables import band_log_likelihood
from netcorr.delay.narrow import GRID_HZ, HIGHEST_NARROW_HZ, PER_CYCLE, SHARP_NATS, WIDTHS, NarrowCorrelograms

RATE_HZ, SECONDS, DELAY_S = 1000.0, 10.0, 0.04
LONGEST_S = 0.1


def heard(seed: int, *, band_hz: tuple[float, float], snr: float) -> NDArray[np.float64]:
    """A flat source in a band, in white noise; B hears it later."""
    rng = np.random.default_rng([31, seed])
    size = round(SECONDS * RATE_HZ)
    f = np.fft.rfftfreq(size, 1 / RATE_HZ)
    inside = (f >= band_hz[0]) & (f <= band_hz[1])
    source = inside * (rng.normal(size=f.size) + 1j * rng.normal(size=f.size))
    noise = rng.normal(size=(2, f.size)) + 1j * rng.normal(size=(2, f.size))
    both = np.stack([source, source * np.exp(-2j * np.pi * f * DELAY_S)])
    return np.fft.irfft(both * np.sqrt(snr) + noise, size)


def evidence(seed: int, *, band_hz: tuple[float, float], snr: float) -> DelayEvidence:
    a, b = prepare_round(heard(seed, band_hz=band_hz, snr=snr), RATE_HZ, max_delay_s=LONGEST_S)
    return delay_evidence(a, b, max_delay_s=LONGEST_S)


def by_cycle(one: DelayEvidence, frequency_hz: float) -> dict[int, float]:
    """Probability of each cycle round the true delay, all delays alike before."""
    likelihood = np.exp(one.log_likelihood - one.log_likelihood.max())
    cycle = np.round((one.delay_s - DELAY_S) * frequency_hz).astype(int)
    total = likelihood.sum()
    return {int(k): float(likelihood[cycle == k].sum() / total) for k in np.unique(cycle)}


def cross_of(seed: int = 0, *, k: int = 3000) -> NDArray[np.complex128]:
    rng = np.random.default_rng(seed)
    return rng.normal(size=k) + 1j * rng.normal(size=k)


def made(
    cross: NDArray[np.complex128], delay_s: NDArray[np.float64], dispersion: Dispersion | None = None
) -> NDArray[np.float64]:
    narrow = NarrowCorrelograms(
        cross,
        np.ones(cross.size, dtype=bool),
        bin_hz=0.1,
        duration_s=10.0,
        delay_s=delay_s,
        band_hz=(10.0, 300.0),
        dispersion=dispersion,
    )
    both = narrow.of_polarities()
    assert both is not None
    return both[0]


def test_it_is_the_mean_over_all_narrow_bands_of_the_plain_sum() -> None:
    f = 0.1 * np.arange(3000)
    cross = 0.3 * np.exp(-2j * np.pi * f * 0.02) + 0.1 * cross_of()
    delay_s = np.arange(-400, 401) / (2 * PER_CYCLE * HIGHEST_NARROW_HZ)
    values = made(cross, delay_s)
    at = 522  # by hand: every band of 2, 3, 4 and 6 steps of 40 bins from bin 100 on, below 256 Hz
    steered = (cross * np.exp(2j * np.pi * f * delay_s[at])).real
    bands = [
        (100 + 40 * start, 100 + 40 * (start + width))
        for width in (2, 3, 4, 6)
        for start in range((2560 - 100) // 40 - width + 1)
    ]
    terms = [float(band_log_likelihood(np.array([steered[i:j].mean()]), float(j - i))[0]) for i, j in bands]
    assert values[at] == pytest.approx(np.log(np.mean(np.exp(terms))), abs=0.02)


@given(seed=st.integers(0, 1000))
@settings(max_examples=10, deadline=None)
def test_exchanging_the_recordings_mirrors_it(seed: int) -> None:
    delay_s = np.linspace(-0.05, 0.05, 401)
    cross = cross_of(seed) / 3
    assert made(cross, delay_s) == pytest.approx(made(np.conj(cross), delay_s)[::-1], abs=1e-6)


def test_dispersion_is_taken_out() -> None:
    f = 0.1 * np.arange(3000)
    late = np.array([[-1.5], [1.5]]) * (f / 300) ** 2
    pipe = Dispersion(delay_s=np.array([-0.05, 0.05]), frequency_hz=f, phase_rad=late)
    delay_s = np.linspace(-0.05, 0.05, 401)
    inside = (f > 80) & (f < 92)
    plain = inside * 0.6 * np.exp(-2j * np.pi * f * 0.03)
    bent = plain * np.exp(-1j * pipe.at(0.03, f))
    assert made(bent, delay_s, pipe)[320] == pytest.approx(made(plain, delay_s)[320], abs=0.5)


def test_a_band_too_low_or_narrow_to_hold_one_says_nothing() -> None:
    few = NarrowCorrelograms(
        cross_of(k=3000),
        np.ones(3000, dtype=bool),
        bin_hz=0.1,
        duration_s=10.0,
        delay_s=np.linspace(-0.05, 0.05, 101),
        band_hz=(260.0, 300.0),
    )
    assert few.of_polarities() is None
    rows = np.ones((2, 101))
    assert np.array_equal(few.beside(*rows), rows)


def test_where_the_edges_lie_hardly_matters() -> None:
    # sub-bands begin at 10, 26, 42, 58 Hz: the second lies across two of them
    found = [
        np.median([evidence(seed, band_hz=band, snr=1.5).log_likelihood.max() for seed in range(5)])
        for band in ((43.0, 53.0), (53.0, 63.0))
    ]
    assert found[1] > 0.75 * found[0]


def slip_probability(band_hz: tuple[float, float], snr: float) -> float:
    """Chance of the wrong cycle: ``2 Q(sqrt(D / 2))``.

    ``D = 2 T int g2 / (1 - g2) (1 - cos 2 pi f / f0) df``, the two nearest cycles as independent
    errors of a maximum-likelihood choice (Weinstein and Weiss, 1984).
    """
    f = np.linspace(*band_hz, 501)
    g2 = (snr / (1 + snr)) ** 2
    per_hz = g2 / (1 - g2) * (1 - np.cos(2 * np.pi * f / np.mean(band_hz)))
    d = 2 * SECONDS * float(np.trapezoid(per_hz, f))
    return float(erfc(np.sqrt(d / 2) / np.sqrt(2)))


def test_the_cycle_is_as_sure_as_it_is_right() -> None:
    # 53 to 63 Hz, across two sub-bands: theory says 23 % wrong at the lower of these, 1 % at the higher
    for snr in (1.0, 3.0):
        slips = slip_probability((53.0, 63.0), snr)
        shares = [by_cycle(evidence(100 + seed, band_hz=(53.0, 63.0), snr=snr), 58.0) for seed in range(14)]
        best = [max(share, key=share.__getitem__) for share in shares]
        stated = [share[k] for share, k in zip(shares, best, strict=True)]
        right = np.mean([k == 0 for k in best])
        assert right > 1 - slips - 0.25
        assert np.mean(stated) < right + 0.12
        assert sum(p > 0.8 and k != 0 for p, k in zip(stated, best, strict=True)) <= 1


def test_in_a_wide_band_there_is_no_narrow_picture(monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object, **__: object) -> None:
        raise AssertionError("a wide band asked for narrow ones")

    before = evidence(3, band_hz=(50.0, 350.0), snr=1.0)
    monkeypatch.setattr("netcorr.delay.pair.NarrowCorrelograms", never)
    after = evidence(3, band_hz=(50.0, 350.0), snr=1.0)
    assert before.band_hz[1] - before.band_hz[0] > 200
    assert np.array_equal(before.log_likelihood, after.log_likelihood)
    with pytest.raises(AssertionError):
        evidence(3, band_hz=(53.0, 63.0), snr=1.5)


@pytest.mark.parametrize("polarity", [1, -1])
def test_every_narrow_band_counts_alike(polarity: int) -> None:
    # band by band, at the delays at which the likelihood is worked out
    rng = np.random.default_rng(3)
    cross, usable = np.exp(2j * np.pi * rng.random(1600)), rng.random(1600) > 0.1
    delay_s = np.linspace(-0.05, 0.05, int(np.ceil(0.1 * PER_CYCLE * HIGHEST_NARROW_HZ)) + 2)
    made = NarrowCorrelograms(
        cross, usable, bin_hz=0.1, duration_s=10.0, delay_s=delay_s, band_hz=(10.0, 150.0)
    )
    both = made.of_polarities()
    assert both is not None
    found = both[0 if polarity > 0 else 1]
    each, first = round(GRID_HZ / 0.1), 100
    f = np.arange(1600) * 0.1
    steered = np.where(usable, cross, 0.0) * np.exp(2j * np.pi * np.outer(delay_s[::40], f))
    by_band = []
    for width in WIDTHS:
        for start in range((1500 - first) // each - width + 1):
            inside = slice(first + start * each, first + (start + width) * each)
            bins = float(usable[inside].sum())
            r = polarity * steered[:, inside].real.sum(axis=1) / bins
            by_band.append(np.exp(band_log_likelihood(r, bins)))
    assert found[::40] == pytest.approx(np.log(np.mean(by_band, axis=0)), abs=2e-3)


def test_where_it_is_sharp_no_spline_rounds_it_off() -> None:
    # nearly the same in both: the likelihood falls by tens of nats from one coarse delay to the next
    f = 0.1 * np.arange(3000)
    cross = np.exp(-2j * np.pi * f * 0.02) + 0.05 * cross_of(2)
    delay_s = 0.02 + np.arange(-300, 301) / (7 * PER_CYCLE * HIGHEST_NARROW_HZ)
    values = made(cross, delay_s)
    bands = [
        (100 + 40 * start, 100 + 40 * (start + width))
        for width in WIDTHS
        for start in range((2560 - 100) // 40 - width + 1)
    ]
    for at in (285, 297, 300, 302, 311):
        steered = (cross * np.exp(2j * np.pi * f * delay_s[at])).real
        terms = [
            float(band_log_likelihood(np.array([steered[i:j].mean()]), float(j - i))[0]) for i, j in bands
        ]
        expected = max(terms) + np.log(np.mean(np.exp(np.array(terms) - max(terms))))
        assert expected > SHARP_NATS
        assert values[at] == pytest.approx(expected, rel=2e-3)
