"""Dispersion is taken out place by place: the peak is at the nominal delay, and cycles stay ambiguous."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from netcorr.delay import DelayEvidence, Dispersion, delay_evidence, prepare_round
from netcorr.errors import DelayError

RATE_HZ = 1000.0
MAX_S = 0.32
LENGTH_M, SPEED_M_S, REFERENCE_HZ = 120.0, 400.0, 100.0


def slowness(f: np.ndarray, loss: float) -> np.ndarray:
    """Phase slowness of a wall with a constant loss factor over that at 100 Hz (Kramers and Kronig)."""
    return (np.maximum(f, 1.0) / REFERENCE_HZ) ** (-loss / np.pi)


def path_dispersion(loss: float, *, places: int = 9) -> Dispersion:
    """Of one plastic pipe from A to B."""
    f = np.arange(0.0, 500.0, 2.0)
    delay_s = np.linspace(-1, 1, places) * LENGTH_M / SPEED_M_S
    return Dispersion(delay_s, f, 2 * np.pi * f * (slowness(f, loss) - 1) * delay_s[:, None])


def recorded(
    from_a_m: float,
    *,
    loss: float,
    seed: int,
    band_hz: tuple[float, float] = (10.0, 180.0),
    snr_db: float = 6.0,
    duration_s: float = 10.0,
) -> np.ndarray:
    """Two recordings of a leak in a lossless pipe whose speed grows with frequency."""
    rng = np.random.default_rng(seed)
    n, edge = round(duration_s * RATE_HZ), round(RATE_HZ)
    size = n + 2 * edge
    f = np.fft.rfftfreq(size, 1 / RATE_HZ)
    source = np.fft.rfft(rng.normal(size=size)) * ((f >= band_hz[0]) & (f <= band_hz[1]))
    distances_m = np.array([[from_a_m], [LENGTH_M - from_a_m]])
    heard = source * np.exp(-2j * np.pi * f * slowness(f, loss) * distances_m / SPEED_M_S)
    samples = np.fft.irfft(heard, size)[:, edge : edge + n]
    return np.asarray(10 ** (snr_db / 20) * samples + rng.normal(size=(2, n)))


def evidence_of(samples: np.ndarray, dispersion: Dispersion | None) -> DelayEvidence:
    a, b = prepare_round(samples, RATE_HZ, max_delay_s=MAX_S)
    return delay_evidence(a, b, max_delay_s=MAX_S, dispersion=dispersion)


def place_m(evidence: DelayEvidence) -> float:
    return (LENGTH_M - SPEED_M_S * evidence.peak_delay_s) / 2


@pytest.mark.parametrize("loss", [0.04, 0.08])
@pytest.mark.parametrize("from_a_m", [6.0, 40.0, 60.0, 113.0])
def test_the_place_is_right_along_the_path(from_a_m: float, loss: float) -> None:
    samples = recorded(from_a_m, loss=loss, seed=1)
    with_it, without = evidence_of(samples, path_dispersion(loss)), evidence_of(samples, None)
    assert place_m(with_it) == pytest.approx(from_a_m, abs=0.08)
    # a peak sharper than without
    assert with_it.log_likelihood.max() > without.log_likelihood.max() - 3
    # near an end the delay of the group is off by half a metre and more; in the middle by nothing
    bias_m = abs(place_m(without) - from_a_m)
    assert bias_m > 0.3 if from_a_m in (6.0, 113.0) else bias_m < 0.5


def test_what_is_left_of_the_phase_is_flat() -> None:
    evidence = evidence_of(recorded(6.0, loss=0.08, seed=2), path_dispersion(0.08))
    inside = (evidence.frequency_hz > 20) & (evidence.frequency_hz < 170)
    assert np.abs(evidence.phase_rad[inside]).max() < 0.25


def test_no_dispersion_changes_nothing() -> None:
    samples = recorded(30.0, loss=0.0, seed=3)
    one, other = evidence_of(samples, path_dispersion(0.0, places=3)), evidence_of(samples, None)
    np.testing.assert_allclose(one.log_likelihood, other.log_likelihood, atol=1e-6)
    assert one.peak_delay_s == pytest.approx(other.peak_delay_s, abs=1e-9)


def test_swapping_a_and_b_mirrors() -> None:
    samples = recorded(25.0, loss=0.06, seed=4)
    one, other = (evidence_of(row, path_dispersion(0.06)) for row in (samples, samples[::-1]))
    # a glance is no better
    np.testing.assert_allclose(one.log_likelihood, other.log_likelihood[::-1], atol=0.01)


def test_few_places_are_enough() -> None:
    samples = recorded(20.0, loss=0.08, seed=5)
    few, many = (evidence_of(samples, path_dispersion(0.08, places=n)) for n in (7, 41))
    assert few.peak_delay_s == pytest.approx(many.peak_delay_s, abs=1e-4)
    assert few.log_likelihood.max() == pytest.approx(many.log_likelihood.max(), rel=0.05)


@settings(max_examples=25, deadline=None)
@given(st.integers(2, 9), st.floats(-0.5, 0.5))
def test_between_places_the_phase_is_on_a_straight_line_and_beyond_held(places: int, delay_s: float) -> None:
    given_s = np.linspace(-0.3, 0.3, places)
    one = Dispersion(given_s, np.array([0.0, 100.0]), np.outer(given_s, [0.0, 7.0]))
    expected = 7.0 * np.clip(delay_s, -0.3, 0.3)
    found = one.at(delay_s, np.array([0.0, 50.0, 100.0]))
    np.testing.assert_allclose(found, expected * np.array([0, 0.5, 1]), atol=1e-9)
    for place in range(places):
        at_place = one.at(float(given_s[place]), np.array([20.0, 180.0]))
        np.testing.assert_allclose(one.phase(place, np.array([20.0, 180.0])), at_place, atol=1e-9)


@pytest.mark.parametrize(
    ("delay_s", "phase"),
    [
        ([0.1], np.zeros((1, 2))),
        ([0.1, -0.1], np.zeros((2, 2))),
        ([-0.1, 0.1], np.zeros((2, 3))),
        ([-0.1, 0.1], np.array([[0.0, np.nan], [0.0, 0.0]])),
    ],
)
def test_what_is_refused(delay_s: list[float], phase: np.ndarray) -> None:
    with pytest.raises(DelayError, match="dispersion"):
        Dispersion(np.array(delay_s), np.array([0.0, 100.0]), phase)


def slips(*, share: float, coherence: float, draws: int, duration_s: float) -> tuple[float, float, float]:
    """Share of draws at the wrong cycle, mean weight of the wrong cycles, and what theory says of the share.

    ``P = 2 Q(sqrt(D / 2))`` with ``D = 2 T int C / (1 - C) (1 - cos 2 pi f / f_c) df``: the chance that noise
    lifts either neighbouring cycle above the true one (union bound over two Gaussian differences).
    """
    centre_hz = 100.0
    band_hz = (centre_hz * (1 - share / 2), centre_hz * (1 + share / 2))
    f = np.linspace(*band_hz, 2001)
    d = (
        2
        * duration_s
        * np.trapezoid(coherence / (1 - coherence) * (1 - np.cos(2 * np.pi * f / centre_hz)), f)
    )
    wrong, weights = 0, []
    ratio = np.sqrt(coherence) / (1 - np.sqrt(coherence))  # signal over noise, at both
    level_db = 10 * np.log10(ratio)
    for seed in range(draws):
        samples = recorded(60.0, loss=0.0, seed=seed, band_hz=band_hz, snr_db=level_db, duration_s=duration_s)
        a, b = prepare_round(samples, RATE_HZ, max_delay_s=0.05, band_hz=band_hz)
        evidence = delay_evidence(a, b, max_delay_s=0.05, band_hz=band_hz)
        near = np.abs(evidence.delay_s) <= 1.5 / centre_hz
        likelihood = np.exp(evidence.log_likelihood[near] - evidence.log_likelihood[near].max())
        off = np.abs(evidence.delay_s[near]) > 0.5 / centre_hz
        weights.append(float(likelihood[off].sum() / likelihood.sum()))
        wrong += bool(off[np.argmax(likelihood)])
    return wrong / draws, float(np.mean(weights)), float(2 * stats.norm.sf(np.sqrt(d / 2)))


def test_cycles_of_a_narrow_band_share_the_probability() -> None:
    # a quarter of an octave: the neighbouring cycles are nearly as high, and must be weighed, not hidden
    share, weight, theory = slips(share=0.25, coherence=0.05, draws=100, duration_s=17.0)
    assert theory == pytest.approx(0.13, abs=0.01)
    assert share == pytest.approx(theory, abs=0.08)
    # what the evidence gives to the wrong cycles is no less than how often they win, and at most twice as
    # much: it does not know the coherence
    assert share - 0.05 < weight < 2.2 * share
    wide, weight, theory = slips(share=1.0, coherence=0.05, draws=12, duration_s=30.0)
    assert theory < 1e-3
    assert wide == 0
    assert weight < 0.02
