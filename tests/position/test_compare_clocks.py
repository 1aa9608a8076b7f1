"""Clocks that part during a round: corrected and said, left alone where the table knows better."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from netcorr.delay import DelayEvidence, prepare_round
from netcorr.position.compare import compare
from netcorr.recordings import Deployment, Recording, RecordingQuality, interpolate

RATE = 4000.0
DELAY_S, SPEED_M_S = 0.0175, 1250.0


def heard(ppm: float, *, seconds: float, seed: int = 1) -> NDArray[np.float64]:
    """Band of noise that B hears `DELAY_S` after A, by a clock that is fast by `ppm`."""
    rng = np.random.default_rng(seed)
    size = round(seconds * RATE)
    spectrum = np.fft.rfft(rng.normal(size=size + 200))
    f = np.fft.rfftfreq(size + 200, 1 / RATE)
    spectrum *= (f > 200) & (f < 1400)
    a, b = (np.fft.irfft(spectrum * np.exp(-2j * np.pi * f * late)) for late in (0.0, DELAY_S))
    stretched = interpolate(b, first=0.0, step=1 / (1 + 1e-6 * ppm), size=size)
    return np.stack([a[:size], stretched]) + rng.normal(size=(2, size))


def compared(
    samples: NDArray[np.float64], *, ppm: float = 0.0, sd_ppm: float | None = None
) -> tuple[DelayEvidence, float]:
    def recording(logger: str, row: NDArray[np.float64]) -> Recording:
        deployment = Deployment(
            table="t.csv",
            row=2,
            logger=logger,
            recording=Path(f"{logger}.wav"),
            fitting=f"V-{logger}",
            clock_drift_ppm=ppm,
            clock_drift_sd_ppm=sd_ppm,
        )
        start = datetime(2026, 3, 1, 2, tzinfo=UTC)
        quality = RecordingQuality(rms=1.0, peak=4.0)
        return Recording(deployment, row.astype(np.float32), RATE, start, "table", quality)

    a, b = prepare_round(samples, RATE, max_delay_s=0.08)
    return compare(
        a,
        b,
        recordings=(recording("L1", samples[0]), recording("L2", samples[1])),
        max_delay_s=0.08,
        band_hz=None,
        round_number=1,
    )


@pytest.mark.parametrize("ppm", [12.0, -25.0])
def test_drift_is_corrected_and_said(ppm: float) -> None:
    evidence, drift_sd_s = compared(heard(ppm, seconds=40.0))
    (note,) = [text for text in evidence.notes if "drift" in text]
    assert note.startswith("the clocks of L1 and L2 drift by ")
    assert float(note.split("drift by ")[1].split(" ppm")[0]) == pytest.approx(abs(ppm), abs=0.3)
    assert note.endswith("; corrected")
    assert abs(evidence.peak_delay_s - DELAY_S) * SPEED_M_S / 2 < 0.1
    assert 0 < drift_sd_s < 2e-5


def test_clocks_that_agree_are_left_alone() -> None:
    evidence, drift_sd_s = compared(heard(0.0, seconds=25.0))
    assert not any("drift" in text for text in evidence.notes)
    assert evidence.peak_delay_s == pytest.approx(DELAY_S, abs=1e-5)
    assert drift_sd_s < 2e-5


def test_a_short_round_says_nothing_of_drift() -> None:
    evidence, drift_sd_s = compared(heard(20.0, seconds=10.0))
    assert not any("drift" in text for text in evidence.notes)
    # 15 millionths between two crystals, over half of 10 s
    assert drift_sd_s == pytest.approx(75e-6)


def test_a_short_round_rests_on_what_the_table_says_of_drift() -> None:
    evidence, drift_sd_s = compared(heard(0.0, seconds=10.0), sd_ppm=0.5)
    assert evidence.peak_delay_s == pytest.approx(DELAY_S, abs=2e-5)
    assert drift_sd_s == 0  # the table's own share is part of the site's clock


def test_what_the_table_knows_is_not_estimated() -> None:
    evidence, drift_sd_s = compared(heard(12.0, seconds=25.0), ppm=0.0, sd_ppm=0.1)
    assert not any("drift" in text for text in evidence.notes)
    assert drift_sd_s == 0
