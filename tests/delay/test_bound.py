"""Bounds and coherence statistics against published values."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal, stats

from netcorr.delay.bound import coherence_moments, coherence_threshold, delay_bound_s, peak_probability
from netcorr.errors import DelayError


@pytest.mark.parametrize(
    ("band_hz", "duration_s", "coherence", "expected_us"),
    [
        # closed form for a flat band, sqrt(3 (1-C) / (8 pi^2 T C (f2^3 - f1^3))): Knapp and Carter (1976);
        # Carter (1987); the four were confirmed by Monte Carlo
        ((100.0, 600.0), 4.0, 0.25, 11.51),
        ((300.0, 800.0), 10.0, 1 / 9, 7.917),
        ((20.0, 100.0), 10.0, 0.25, 107.2),
        ((500.0, 1500.0), 5.0, 1 / 36, 9.046),
    ],
)
def test_bound_of_a_flat_band(
    band_hz: tuple[float, float], duration_s: float, coherence: float, expected_us: float
) -> None:
    f = np.linspace(*band_hz, 20001)
    found = delay_bound_s(f, np.full(f.size, coherence), duration_s=duration_s)
    assert found * 1e6 == pytest.approx(expected_us, rel=1e-3)


def test_bound_of_a_shaped_band() -> None:
    # 50-600 Hz, 8 s, signal to noise 2 exp(-(f - 50)/80): the same integral by other hands, 49.55 us
    f = np.linspace(50, 600, 20001)
    snr = 2 * np.exp(-(f - 50) / 80)
    found = delay_bound_s(f, (snr / (1 + snr)) ** 2, duration_s=8.0)
    assert found * 1e6 == pytest.approx(49.55, abs=0.1)


@pytest.mark.parametrize("coherence", [-0.1, 1.0, 1.2])
def test_bound_refuses_impossible_coherence(coherence: float) -> None:
    with pytest.raises(DelayError, match="0 to 1"):
        delay_bound_s([1.0, 2.0], [coherence, coherence], duration_s=1.0)


def test_bound_needs_some_coherence() -> None:
    with pytest.raises(DelayError, match="zero everywhere"):
        delay_bound_s([1.0, 2.0], [0.0, 0.0], duration_s=1.0)


@pytest.mark.parametrize(
    ("averages", "at_5_percent", "at_1_percent"),
    # Carter (1987): 1 - p^(1/(n-1))
    [
        (8, 0.34816, 0.48205),
        (10, 0.28313, 0.40052),
        (16, 0.18104, 0.26436),
        (32, 0.09211, 0.13805),
        (40, 0.07394, 0.11138),
        (64, 0.04644, 0.07049),
        (100, 0.02981, 0.04545),
    ],
)
def test_coherence_threshold(averages: int, at_5_percent: float, at_1_percent: float) -> None:
    assert coherence_threshold(averages, false_alarm=0.05) == pytest.approx(at_5_percent, abs=1e-5)
    assert coherence_threshold(averages, false_alarm=0.01) == pytest.approx(at_1_percent, abs=1e-5)
    assert coherence_threshold(averages, false_alarm=0.05) == pytest.approx(
        stats.beta(1, averages - 1).ppf(0.95), abs=1e-9
    )


@pytest.mark.parametrize(
    ("averages", "coherence", "mean", "variance"),
    # Carter, Knapp and Nuttall (1973), exact moments
    [
        (16, 0.0, 0.06250, 0.003447),
        (16, 0.3, 0.33176, 0.016865),
        (16, 0.5, 0.51663, 0.014810),
        (32, 0.1, 0.12547, 0.005170),
        (32, 0.5, 0.50806, 0.007618),
        (64, 0.3, 0.30773, 0.004496),
    ],
)
def test_coherence_moments(averages: int, coherence: float, mean: float, variance: float) -> None:
    found = coherence_moments(coherence, averages=averages)
    assert found[0] == pytest.approx(mean, abs=1e-5)
    assert found[1] == pytest.approx(variance, abs=1e-5)


def test_threshold_holds_for_scipys_coherence() -> None:
    rng = np.random.default_rng(1)
    a, b = rng.normal(size=(2, 200_000))
    _, estimate = signal.coherence(a, b, nperseg=1000, noverlap=0, window="boxcar", detrend=False)
    above = np.mean(estimate > coherence_threshold(200, false_alarm=0.05))
    assert above == pytest.approx(0.05, abs=0.03)


def test_peak_probability_matches_simulated_noise() -> None:
    rng = np.random.default_rng(2)
    bins, low, high, search_s = 2000, 1000, 3000, 0.2
    f = np.arange(low, high) * 0.1
    rms_hz = float(np.sqrt(np.mean(f**2)))
    peaks = []
    for _ in range(300):
        a, b = ((rng.normal(size=bins) + 1j * rng.normal(size=bins)) / np.sqrt(2) for _ in range(2))
        spectrum = np.zeros(16384, dtype=complex)
        spectrum[low:high] = np.conj(a) * b
        values = np.fft.irfft(spectrum, 2 * 16384 - 2) * (16384 - 1) / bins
        lags = np.arange(values.size) / (values.size * 0.1)
        inside = np.minimum(lags, 10 - lags) <= search_s / 2
        peaks.append(values[inside].max())
    for level in (0.5, 0.1):
        height = float(np.quantile(peaks, 1 - level))
        stated = peak_probability(height, bins=bins, search_s=search_s, rms_frequency_hz=rms_hz)
        assert stated == pytest.approx(level, abs=0.45 * level + 0.03)


def test_peak_probability_falls_with_height_and_rises_with_search() -> None:
    heights = np.linspace(0.01, 0.3, 20)
    p = [peak_probability(h, bins=1000, search_s=0.2, rms_frequency_hz=500) for h in heights]
    assert (np.diff(p) <= 0).all()
    assert peak_probability(0.08, bins=1000, search_s=0.4, rms_frequency_hz=500) > peak_probability(
        0.08, bins=1000, search_s=0.1, rms_frequency_hz=500
    )
