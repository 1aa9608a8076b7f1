"""The product of the folder: what it refuses, and a known offset of the clocks taken out of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from netcorr.delay import DelayEvidence, shifted
from netcorr.delay.evidence import BesideEvidence
from netcorr.errors import DelayError


@pytest.fixture
def evidence() -> DelayEvidence:
    delay_s = np.linspace(-0.05, 0.05, 101)
    return DelayEvidence(
        logger_a="L1",
        logger_b="L2",
        round_number=1,
        delay_s=delay_s,
        log_likelihood=-0.5 * ((delay_s - 0.012) / 0.001) ** 2,
        peak_delay_s=0.012,
        standard_error_s=1e-4,
        coherence=0.3,
        band_hz=(100.0, 800.0),
        significance=1e-6,
        second_opinion_s=0.0119,
        duration_s=10.0,
        frequency_hz=np.array([100.0, 800.0]),
        coherence_spectrum=np.array([0.4, 0.4]),
        phase_rad=np.zeros(2),
        beside=BesideEvidence(0.012, np.zeros(101), np.zeros(101), np.zeros(101)),
    )


def test_every_delay_is_less_by_the_offset(evidence: DelayEvidence) -> None:
    moved = shifted(evidence, 0.003)
    assert moved.delay_s == pytest.approx(evidence.delay_s - 0.003)
    assert moved.delay_s[np.argmax(moved.log_likelihood)] == pytest.approx(0.009)
    assert (moved.peak_delay_s, moved.second_opinion_s) == (pytest.approx(0.009), pytest.approx(0.0089))
    assert moved.beside is not None
    assert moved.beside.known_s == pytest.approx(0.009)
    assert moved.log_likelihood is evidence.log_likelihood
    assert moved.step_s == pytest.approx(evidence.step_s)


def test_there_and_back(evidence: DelayEvidence) -> None:
    back = shifted(shifted(replace(evidence, beside=None), 0.004), -0.004)
    assert back.delay_s == pytest.approx(evidence.delay_s)
    assert back.beside is None


def test_one_likelihood_for_each_delay(evidence: DelayEvidence) -> None:
    with pytest.raises(DelayError, match="101 delays and 3 likelihoods"):
        replace(evidence, log_likelihood=np.zeros(3))
