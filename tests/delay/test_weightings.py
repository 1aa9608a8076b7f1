"""The textbook's correlograms against scipy, and in the order that Knapp and Carter give them."""

from __future__ import annotations

from typing import get_args

import numpy as np
import pytest
from scipy import signal

from netcorr.delay.bound import delay_bound_s
from netcorr.delay.weightings import CrossSpectra, Weighting, correlogram, cross_spectra
from netcorr.errors import DelayError

RATE_HZ = 2000.0


def delayed_pair(rng: np.random.Generator, *, shift: int, n: int = 8000, noise: float = 0.5) -> np.ndarray:
    s = rng.normal(size=n + 200)
    pair = np.stack([s[100 : n + 100], s[100 - shift : n + 100 - shift]])
    return np.asarray(pair + noise * rng.normal(size=(2, n)))


@pytest.mark.parametrize("weighting", get_args(Weighting))
@pytest.mark.parametrize("shift", [-37, 0, 20])
def test_every_weighting_finds_a_clear_delay(weighting: Weighting, shift: int) -> None:
    a, b = delayed_pair(np.random.default_rng(1), shift=shift)
    spectra = cross_spectra(a, b, sample_rate_hz=RATE_HZ, segment=1000)
    delay_s, values = correlogram(spectra, weighting)
    assert delay_s[values.argmax()] == pytest.approx(shift / RATE_HZ, abs=1e-4)


def test_spectra_agree_with_scipy() -> None:
    a, b = delayed_pair(np.random.default_rng(2), shift=5)
    ours = cross_spectra(a, b, sample_rate_hz=RATE_HZ, segment=500)
    options = {"fs": RATE_HZ, "nperseg": 500, "noverlap": 250, "detrend": False}
    window = np.hanning(500)
    _, csd = signal.csd(a, b, window=window, **options)
    _, coherence = signal.coherence(a, b, window=window, **options)
    scale = abs(csd[50]) / abs(ours.s_ab[50])
    np.testing.assert_allclose(ours.s_ab[1:-1] * scale, csd[1:-1], rtol=1e-8, atol=1e-12)
    np.testing.assert_allclose(ours.coherence, coherence, rtol=1e-8)


def test_plain_correlation_agrees_with_scipys_correlate() -> None:
    a, b = delayed_pair(np.random.default_rng(3), shift=23, n=4000)
    lags = signal.correlation_lags(b.size, a.size)
    theirs = lags[signal.correlate(b, a).argmax()]
    delay_s, values = correlogram(cross_spectra(a, b, sample_rate_hz=RATE_HZ, segment=1000), "plain")
    assert round(delay_s[values.argmax()] * RATE_HZ) == theirs == 23


def test_one_segment_is_refused() -> None:
    with pytest.raises(DelayError, match="1 of 900 samples"):
        cross_spectra(np.ones(1000), np.ones(1000), sample_rate_hz=RATE_HZ, segment=900)


def test_unknown_weighting_is_refused() -> None:
    spectra = cross_spectra(np.ones(1000), np.ones(1000), sample_rate_hz=RATE_HZ, segment=500)
    with pytest.raises(DelayError, match="choose one of"):
        correlogram(spectra, "best")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("window", "share", "expected"),
    # loss of coherence when the delay is a share of the segment: |Rw(D)/Rw(0)|^2, IEEE T-ASSP June 1982
    [("hann", 0.125, 0.8138), ("hann", 0.25, 0.4345), ("hann", 0.5, 0.0278)],
)
def test_an_unaligned_delay_costs_coherence(window: str, share: float, expected: float) -> None:
    rng = np.random.default_rng(4)
    segment = 256
    shift = int(share * segment)
    s = rng.normal(size=400_000 + shift)
    spectra = cross_spectra(s[shift:], s[:400_000], sample_rate_hz=RATE_HZ, segment=segment)
    assert spectra.coherence[5:-5].mean() == pytest.approx(expected, abs=0.01)


FREQUENCY_HZ = np.arange(200, 2400) * 0.25  # 50 to 600 Hz in a record of 4 s
OMEGA = 2 * np.pi * FREQUENCY_HZ
SIGNAL = 2 * np.exp(-(FREQUENCY_HZ - 50) / 100)  # noise has power 1 at both sensors
COHERENCE = (SIGNAL / (SIGNAL + 1)) ** 2
WEIGHTS = {
    "plain": np.ones(FREQUENCY_HZ.size),
    "scot": 1 / (SIGNAL + 1),
    "phat": 1 / SIGNAL,
    "maximum likelihood": COHERENCE / (1 - COHERENCE) / SIGNAL,
}


def published_error_s(weight: np.ndarray) -> float:
    """Spread of the delay for a weight: Knapp and Carter (1976), their variance of the generalized method.

    ``var = sum psi^2 w^2 S11 S22 (1 - C) / (2 (sum psi w^2 |S12|)^2)`` over the bins of the record.
    """
    upper = (weight**2 * OMEGA**2 * (SIGNAL + 1) ** 2 * (1 - COHERENCE)).sum()
    return float(np.sqrt(upper / 2) / (weight * OMEGA**2 * SIGNAL).sum())


def measured_error_s(weight: np.ndarray, *, trials: int = 300) -> float:
    """Spread of the peak round the true delay of 0, by one Newton step."""
    rng = np.random.default_rng(7)
    shape = (trials, OMEGA.size)
    x, n1, n2 = ((rng.normal(size=shape) + 1j * rng.normal(size=shape)) / np.sqrt(2) for _ in range(3))
    cross = np.conj(np.sqrt(SIGNAL) * x + n1) * (np.sqrt(SIGNAL) * x + n2)
    steps = -(weight * OMEGA * cross.imag).sum(axis=1) / (weight * OMEGA**2 * SIGNAL).sum()
    return float(steps.std())


@pytest.mark.parametrize("name", WEIGHTS)
def test_spread_is_that_of_knapp_and_carter(name: str) -> None:
    assert measured_error_s(WEIGHTS[name]) == pytest.approx(published_error_s(WEIGHTS[name]), rel=0.15)


def test_order_of_the_weightings_is_that_of_knapp_and_carter() -> None:
    error_s = {name: published_error_s(weight) for name, weight in WEIGHTS.items()}
    bound_s = delay_bound_s(FREQUENCY_HZ, COHERENCE, duration_s=4.0)
    assert error_s["maximum likelihood"] == pytest.approx(bound_s, rel=0.01)
    assert min(error_s, key=error_s.__getitem__) == "maximum likelihood"
    assert max(error_s, key=error_s.__getitem__) == "phat"  # every empty bin has its vote
    measured = {name: measured_error_s(weight) for name, weight in WEIGHTS.items()}
    assert sorted(measured, key=measured.__getitem__) == sorted(error_s, key=error_s.__getitem__)


def test_our_weights_are_these() -> None:
    spectra = CrossSpectra(
        s_aa=SIGNAL + 1, s_bb=SIGNAL + 1, s_ab=SIGNAL.astype(complex), sample_rate_hz=2400.0, segment=4398
    )
    for name, weight in WEIGHTS.items():
        _, values = correlogram(spectra, name, oversampling=1)  # type: ignore[arg-type]
        made = np.fft.rfft(np.fft.ifftshift(values)).real
        expected = weight * SIGNAL
        # same shape; the ends, which an even transform counts once, aside
        ratio = made[1:-1] / expected[1:-1]
        assert ratio.std() / ratio.mean() < 1e-6
