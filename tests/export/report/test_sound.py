"""Sounds and spectrograms: the right band, the right moment, the right pitch."""

from __future__ import annotations

import base64
import io
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile
from PIL import Image

from netcorr.export.report.sound import LISTENING_HZ, Recordings, _together, in_band, listening_copy
from netcorr.export.report.spectrogram import loudness_db, png_uri
from netcorr.export.report.survey_map import survey_map

if TYPE_CHECKING:
    from netcorr.export import StoredResult

RATE_HZ = 5000.0


def tones(*frequencies_hz: float, seconds: float = 4.0, rate_hz: float = RATE_HZ) -> np.ndarray:
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    return np.sum([0.1 * np.sin(2 * np.pi * f * t) for f in frequencies_hz], axis=0).astype(np.float32)


def strength_at(samples: Any, rate_hz: float, frequency_hz: float) -> float:
    """Amplitude of a tone by the discrete Fourier sum at its frequency alone."""
    part = np.asarray(samples, dtype=float)[int(rate_hz) : int(3 * rate_hz)]
    t = np.arange(part.size) / rate_hz
    return float(2 * abs(np.mean(part * np.exp(-2j * np.pi * frequency_hz * t))))


def decoded(uri: str) -> tuple[np.ndarray, int]:
    data = base64.b64decode(uri.removeprefix("data:audio/wav;base64,"))
    samples, rate = soundfile.read(io.BytesIO(data))
    return samples, rate


class TestListening:
    def test_keeps_the_band_and_drops_the_rest(self) -> None:
        heard = in_band(tones(60, 400, 1900), RATE_HZ, band_hz=(200, 900))
        assert strength_at(heard, RATE_HZ, 400) == pytest.approx(0.1, rel=0.02)
        assert strength_at(heard, RATE_HZ, 60) < 0.001
        assert strength_at(heard, RATE_HZ, 1900) < 0.001

    @pytest.mark.parametrize("rate_hz", [1000.0, 4000.0, 5000.0, 44100.0])
    def test_pitch_stays_at_any_sample_rate(self, rate_hz: float) -> None:
        samples, rate = decoded(listening_copy(tones(300, rate_hz=rate_hz), rate_hz, band_hz=(100, 450)))
        assert rate == LISTENING_HZ
        spectrum = np.abs(np.fft.rfft(samples * np.hanning(samples.size)))
        assert np.fft.rfftfreq(samples.size, 1 / rate)[spectrum.argmax()] == pytest.approx(300, abs=0.5)
        assert samples.size / rate == pytest.approx(4.0, abs=0.01)

    def test_quiet_recordings_are_made_loud_and_loud_ones_do_not_clip(self) -> None:
        for gain in (1e-4, 1.0, 9.0):
            samples, _ = decoded(listening_copy(tones(300) * np.float32(gain), RATE_HZ, band_hz=(100, 450)))
            assert 0.7 < np.abs(samples).max() < 1.0

    def test_silence_is_silence(self) -> None:
        samples, _ = decoded(listening_copy(np.zeros(20000, np.float32), RATE_HZ, band_hz=(100, 450)))
        assert np.abs(samples).max() == 0

    @pytest.mark.parametrize("band_hz", [(10.0, 12.0), (1.0, 9000.0), (2400.0, 2499.0)])
    def test_odd_bands(self, band_hz: tuple[float, float]) -> None:
        samples, _ = decoded(listening_copy(tones(300), RATE_HZ, band_hz=band_hz))
        assert np.isfinite(samples).all()


class TestFinding:
    def test_the_same_moment(self, stored: StoredResult) -> None:
        a, b = stored.recordings[:2]
        late = replace(b, start=a.start + timedelta(seconds=0.5))
        ramp = np.arange(16000, dtype=np.float32)
        heard = _together(1, (a, (ramp, 4000.0)), (late, (ramp, 8000.0)))
        assert heard is not None
        assert heard.samples[0][0] == 2000
        assert heard.samples[1][0] == 0

    def test_no_moment_in_common(self, stored: StoredResult) -> None:
        a, b = stored.recordings[:2]
        late = replace(b, start=a.start + timedelta(seconds=60))
        assert _together(1, (a, (tones(300), RATE_HZ)), (late, (tones(300), RATE_HZ))) is None

    def test_round_with_the_clearest_evidence(self, stored: StoredResult) -> None:
        [pair] = stored.fix.pairs
        one, two = pair.evidence
        louder = replace(two, log_likelihood=two.log_likelihood + 1e4)
        heard = Recordings(stored).best_round(replace(pair, evidence=(one, louder)))
        assert heard is not None
        assert heard.round_number == 2

    def test_a_folder_that_is_not_there(self, stored: StoredResult, tmp_path: Path) -> None:
        with pytest.raises(ValueError, match="no such file"):
            Recordings(stored, tmp_path / "nothing.csv")


class TestSpectrogram:
    def test_tones_lie_at_their_frequencies(self) -> None:
        level = loudness_db(tones(300, 900), RATE_HZ, top_hz=1200)
        assert level.shape == (120, 360)
        mean = level.mean(axis=1)
        loud = {int(row) for row in np.flatnonzero(mean > -6)}
        assert {30, 90} <= {row + shift for row in loud for shift in (-1, 0, 1)}
        assert mean[60] < -30

    def test_time_runs_to_the_right(self) -> None:
        samples = np.concatenate([tones(300, seconds=2), 0.001 * tones(300, seconds=2)])
        level = loudness_db(samples, RATE_HZ, top_hz=1000)
        assert level[36, :160].mean() > -10
        assert level[36, 200:].mean() < -35

    def test_picture_has_low_frequencies_at_the_bottom(self) -> None:
        level = np.full((120, 360), -50.0)
        level[0] = 0.0
        data = base64.b64decode(str(png_uri(level)).removeprefix("data:image/png;base64,"))
        image = np.asarray(Image.open(io.BytesIO(data)).convert("L"), dtype=float)
        assert image.shape == (120, 360)
        assert image[-1].min() > 200  # loud is bright
        assert image[:-1].max() < 60


class TestMap:
    def test_scale_bar_and_true_lengths(self, stored: StoredResult) -> None:
        drawn = survey_map(stored, units="metric")
        per_metre = drawn.scale_units / drawn.scale_m
        halo = str(drawn.content).split('class="halo"')[0].rsplit('points="', 1)[1].split('"')[0]
        ends = [tuple(map(float, p.split(","))) for p in halo.split()]
        length = np.hypot(*(np.array(ends[-1]) - np.array(ends[0]))) / per_metre
        assert length == pytest.approx(120.0, rel=0.002)
        assert ends[-1][1] < ends[0][1]  # B lies to the north of A, and north is up

    def test_feet(self, stored: StoredResult) -> None:
        feet = survey_map(stored, units="us").scale_m / 0.3048
        assert feet == pytest.approx(round(feet), abs=1e-6)

    def test_likelihood_layer_is_drawn(self, stored: StoredResult) -> None:
        table = stored.areas.iloc[[0, 0]].copy()
        table["geometry"] = [pair.path.segments[0].geometry for pair in stored.fix.pairs] * 2
        table["probability_per_m"] = [0.2, 0.0001]
        drawn = survey_map(replace(stored, likelihood=table), units="metric")
        assert str(drawn.content).count('class="likely"') == 1
        assert ("k-likely", "likelihood of a leak, all loggers together") in drawn.legend
