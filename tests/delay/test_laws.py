"""Laws that the evidence of a pair obeys whatever was recorded.

Swapping A and B, delaying one recording and the order of rounds have their tests in test_pair and in
tests/position/test_posterior.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.delay import DelayEvidence, delay_evidence, prepare_round

from .conftest import noisy_pair

RATE_HZ = 2000.0
MAX_S = 0.06


def heard(seed: int, *, snr_db: float = -3.0, duration_s: float = 5.0, delay_s: float = 0.02) -> np.ndarray:
    return noisy_pair(
        np.random.default_rng(seed),
        delay_s=delay_s,
        snr_db=snr_db,
        band_hz=(100.0, 700.0),
        duration_s=duration_s,
        rate_hz=RATE_HZ,
    )


def evidence_of(samples: np.ndarray) -> DelayEvidence:
    a, b = prepare_round(samples, RATE_HZ, max_delay_s=MAX_S)
    return delay_evidence(a, b, max_delay_s=MAX_S)


def width_s(evidence: DelayEvidence) -> float:
    """Standard deviation of the posterior of a flat prior, on a grid fine enough for it."""
    fine = evidence.peak_delay_s + np.linspace(-3e-4, 3e-4, 6001)
    # a cubic through the logarithms: peaks are narrower than the grid
    from scipy.interpolate import CubicSpline

    log_l = CubicSpline(evidence.delay_s, evidence.log_likelihood)(fine)
    weight = np.exp(log_l - log_l.max())
    weight /= weight.sum()
    mean = float(weight @ fine)
    return float(np.sqrt(weight @ (fine - mean) ** 2))


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.1, 8.0), st.floats(0.0, 1.0))
def test_silence_adds_nothing(seed: int, seconds: float, before: float) -> None:
    samples = heard(seed)
    plain = evidence_of(samples)
    first, last = round(before * seconds * RATE_HZ), round((1 - before) * seconds * RATE_HZ)
    longer = evidence_of(np.pad(samples, ((0, 0), (first, last))))
    assert longer.log_likelihood.max() == pytest.approx(plain.log_likelihood.max(), rel=0.12)
    assert longer.peak_delay_s == pytest.approx(plain.peak_delay_s, abs=0.3 * plain.standard_error_s + 2e-6)
    assert longer.standard_error_s == pytest.approx(plain.standard_error_s, rel=0.12)


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([(1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)]))
def test_polarity_changes_the_polarity_alone(seed: int, signs: tuple[float, float]) -> None:
    samples = heard(seed)
    plain, turned = evidence_of(samples), evidence_of(samples * np.array(signs)[:, None])
    assert turned.polarity == plain.polarity * round(signs[0] * signs[1])
    assert turned.peak_delay_s == pytest.approx(plain.peak_delay_s, abs=1e-9)
    assert turned.standard_error_s == pytest.approx(plain.standard_error_s, rel=1e-9)
    assert turned.second_opinion_s == pytest.approx(plain.second_opinion_s, abs=1e-9)
    # one polarity is three times as likely as the other before anything is heard
    difference = plain.log_likelihood.max() - turned.log_likelihood.max()
    assert difference == pytest.approx(0.0 if signs[0] == signs[1] else np.log(3.0), abs=1e-3)
    said = any("opposite polarity" in note for note in turned.notes)
    assert said == (signs[0] != signs[1])


@pytest.mark.parametrize("snr_db", [-3.0, 3.0])
def test_the_posterior_tightens_with_the_root_of_time(snr_db: float) -> None:
    widths = {
        seconds: np.mean(
            [width_s(evidence_of(heard(s, snr_db=snr_db, duration_s=seconds))) for s in range(6)]
        )
        for seconds in (4.0, 16.0)
    }
    assert widths[4.0] / widths[16.0] == pytest.approx(2.0, rel=0.2)


def test_evidence_grows_with_time() -> None:
    # log-likelihood of the true delay: in proportion to the length of the record
    tops = [
        np.mean([evidence_of(heard(s, duration_s=seconds)).log_likelihood.max() for s in range(4)])
        for seconds in (4.0, 16.0)
    ]
    assert tops[1] / tops[0] == pytest.approx(4.0, rel=0.2)
