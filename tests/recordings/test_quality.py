"""What is told of a recording, and what is refused."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from netcorr.errors import RecordingError
from netcorr.recordings import measure_quality

Noise = Callable[..., NDArray[np.float32]]
RATE = 4000


def as_pcm(samples: NDArray[np.float32], *, bits: int = 16) -> NDArray[np.float32]:
    """What integer samples of so many bits give back."""
    scale = 2 ** (bits - 1)
    return (np.clip(np.round(samples * scale), -scale, scale - 1) / scale).astype(np.float32)


def coloured(size: int, seed: int, *, decay: float = 0.98) -> NDArray[np.float32]:
    """Noise whose neighbours are alike, as that of a plastic main."""
    from scipy.signal import lfilter

    white = np.random.default_rng(seed).normal(size=size)
    samples = lfilter([1], [1, -decay], white)
    return (0.1 * samples / samples.std()).astype(np.float32)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("colour", ["white", "red"])
@pytest.mark.parametrize("bits", [16, 24])
def test_good_recordings_have_no_findings(seed: int, colour: str, bits: int, noise: Noise) -> None:
    samples = noise(40_000, seed=seed) if colour == "white" else coloured(40_000, seed)
    quality = measure_quality(as_pcm(samples, bits=bits), RATE)
    assert quality.findings == ()
    assert (quality.clipped_share, quality.hum_hz, quality.hum_share) == (0.0, None, 0.0)


def test_level_and_peak() -> None:
    """A sine of amplitude a has the root mean square a / sqrt(2)."""
    sine = (0.5 * np.sin(2 * np.pi * 123.4 * np.arange(40_000) / RATE)).astype(np.float32)
    quality = measure_quality(sine, RATE)
    assert quality.rms == pytest.approx(0.5 / np.sqrt(2), rel=1e-4)
    assert quality.peak == pytest.approx(0.5, rel=1e-4)
    assert quality.clipped_share == 0


@pytest.mark.parametrize("value", [0.0, 0.25, -1.0])
def test_one_value_is_refused(value: float) -> None:
    what = "silence: every sample is zero" if value == 0 else f"one constant value, {value:g}"
    with pytest.raises(RecordingError, match=f"logger 7: {what}; check that the sensor"):
        measure_quality(np.full(8000, value, dtype=np.float32), RATE, item="logger 7")


def test_a_few_clicks_are_still_silence() -> None:
    samples = np.zeros(8000, dtype=np.float32)
    samples[::1000] = 0.7
    with pytest.raises(RecordingError, match="a deaf sensor: 7992 of 8000 samples are 0"):
        measure_quality(samples, RATE)
    samples[::100] = 0.7
    assert measure_quality(samples, RATE).peak == pytest.approx(0.7)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_values_that_are_no_numbers(value: float, noise: Noise) -> None:
    samples = noise(8000)
    samples[[17, 5000]] = value, -value
    with pytest.raises(RecordingError, match="not numbers"):
        measure_quality(samples, RATE)


@pytest.mark.parametrize("shape", [(0,), (10, 2)])
def test_shapes_that_are_no_recording(shape: tuple[int, ...]) -> None:
    with pytest.raises(RecordingError, match="give one channel"):
        measure_quality(np.zeros(shape, dtype=np.float32), RATE)


@pytest.mark.parametrize("limit", [1.0, 0.5, 0.013])
@pytest.mark.parametrize("red", [True, False])
@pytest.mark.parametrize("clip_at_sd", [2.5, 1.0])
def test_clipping_is_told_wherever_the_limit_lies(
    limit: float, red: bool, clip_at_sd: float, noise: Noise
) -> None:
    """The share beyond a limit of z standard deviations is 2 (1 - Phi(z))."""
    from scipy.stats import norm

    samples = coloured(80_000, 3) if red else noise(80_000, rms=0.1)
    samples = as_pcm(np.clip(samples * limit / (0.1 * clip_at_sd), -limit, limit).astype(np.float32))
    quality = measure_quality(samples, 8000)
    assert quality.clipped_share == pytest.approx(2 * norm.sf(clip_at_sd), rel=0.2)
    (finding,) = quality.findings
    assert "of the samples are clipped" in finding
    assert ("levels and weak noise do not" in finding) is (clip_at_sd == 1.0)


def test_one_sided_clipping(noise: Noise) -> None:
    quality = measure_quality(as_pcm(np.minimum(noise(40_000), 0.15)), RATE)
    assert quality.clipped_share == pytest.approx(0.0668, rel=0.1)  # 1 - Phi(1.5)


def test_peak_normalised_recording_is_not_clipped(noise: Noise) -> None:
    samples = noise(40_000)
    quality = measure_quality(as_pcm(samples / np.abs(samples).max()), RATE)
    assert 0 < quality.clipped_share < 1e-4
    assert quality.findings == ()


@pytest.mark.parametrize("frequency_hz", [37.7, 123.4, 500.0, 1000.0, 1999.0])
def test_unclipped_sines(frequency_hz: float) -> None:
    """A pure tone dwells at its crest; that alone is no clipping."""
    sine = 0.4 * np.sin(2 * np.pi * frequency_hz * np.arange(40_000) / RATE + 0.3)
    assert measure_quality(as_pcm(sine.astype(np.float32)), RATE).clipped_share == 0


def test_clipped_to_one_bit_is_kept(noise: Noise) -> None:
    quality = measure_quality(np.sign(noise(40_000)), RATE)
    assert quality.clipped_share == 1
    assert "100 % of the samples are clipped" in quality.findings[0]


def test_few_levels(noise: Noise) -> None:
    quality = measure_quality(as_pcm(noise(40_000, rms=2.0**-15 * 0.7)), RATE)
    assert any("different values: raise the gain" in text for text in quality.findings)
    assert not any("gap" in text for text in quality.findings)


def test_constant_offset(noise: Noise) -> None:
    (finding,) = measure_quality(noise(40_000, rms=0.01) + np.float32(0.3), RATE).findings
    assert finding.startswith("a constant offset of 0.300 of full scale lies under the noise")
    assert "-40 dB" in finding
    assert measure_quality(noise(40_000) + np.float32(0.05), RATE).findings == ()


def test_beyond_full_scale(noise: Noise) -> None:
    (finding,) = measure_quality(100 * noise(40_000), RATE).findings
    assert "times full scale" in finding


@pytest.mark.parametrize("value", [0.0, 0.031])
def test_gaps(value: float, noise: Noise) -> None:
    samples = noise(40_000)
    samples[4000:4400] = samples[20_000:20_800] = value
    (finding,) = measure_quality(samples, RATE).findings
    assert finding.startswith("2 gaps without signal, 3 % of the record, the longest 0.2 s at 5.0 s")


def test_slow_and_quiet_noise_has_no_gaps() -> None:
    """Sixteen levels at 48 kHz: one value is held long, and nothing is wrong."""
    slow = np.sin(2 * np.pi * 40 * np.arange(480_000) / 48_000) * 2.0**-15 * 8
    assert not any(
        "gap" in text for text in measure_quality(as_pcm(slow.astype(np.float32)), 48_000).findings
    )


def test_short(noise: Noise) -> None:
    assert "only 3.0 s long" in measure_quality(noise(12_000), RATE).findings[0]


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
@pytest.mark.parametrize("stray_hz", [-0.2, 0.0, 0.13])
def test_hum_and_its_share(mains_hz: float, stray_hz: float, noise: Noise) -> None:
    """Tones of known energy: amplitude**2 / 2 each, of a total that is known too."""
    time_s = np.arange(80_000) / RATE
    hum = sum(
        0.1 / order * np.sin(2 * np.pi * order * (mains_hz + stray_hz) * time_s + order)
        for order in (1, 2, 3, 5)
    )
    share = np.mean(hum**2) / (np.mean(hum**2) + 0.1**2)
    quality = measure_quality(noise(80_000) + hum.astype(np.float32), RATE)
    assert quality.hum_hz == mains_hz
    assert quality.hum_share == pytest.approx(share, abs=0.02)
    assert f"({mains_hz:g} Hz and its harmonics)" in quality.findings[-1]


@pytest.mark.parametrize("seconds", [2, 5, 10, 61])
def test_hum_in_records_of_any_length(seconds: int, noise: Noise) -> None:
    time_s = np.arange(seconds * RATE) / RATE
    samples = noise(time_s.size) + (0.1 * np.sin(2 * np.pi * 100 * time_s)).astype(np.float32)
    quality = measure_quality(samples, RATE)
    assert quality.hum_hz == 50
    assert quality.hum_share == pytest.approx(1 / 3, abs=0.06)


def test_other_tones_are_no_hum(noise: Noise) -> None:
    """A pump at 73 Hz, and a line at 300 Hz that both mains could claim."""
    time_s = np.arange(40_000) / RATE
    for tone_hz in (73.0, 300.0, 455.0):
        tone = (0.1 * np.sin(2 * np.pi * tone_hz * time_s)).astype(np.float32)
        assert measure_quality(noise(40_000) + tone, RATE).hum_hz is None


def test_too_short_to_tell_hum(noise: Noise) -> None:
    assert measure_quality(noise(2000), RATE).hum_hz is None


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 1000),
    gain_bits=st.integers(-6, 2),
    hum=st.floats(0, 0.2),
    flip=st.booleans(),
)
def test_shares_do_not_depend_on_gain_or_sign(seed: int, gain_bits: int, hum: float, flip: bool) -> None:
    rng = np.random.default_rng(seed)
    time_s = np.arange(8000) / 1000
    samples = rng.normal(0, 0.05, 8000) + hum * np.sin(2 * np.pi * 50 * time_s)
    samples = np.clip(samples, -0.12, 0.12).astype(np.float32)
    gain = np.float32((-1 if flip else 1) * 2.0**gain_bits)
    one, other = measure_quality(samples, 1000), measure_quality(gain * samples, 1000)
    assert other.clipped_share == one.clipped_share
    assert other.hum_hz == one.hum_hz
    assert other.hum_share == pytest.approx(one.hum_share, abs=1e-6)
    assert other.rms == pytest.approx(abs(gain) * one.rms)
    assert other.peak == pytest.approx(abs(gain) * one.peak)


@settings(max_examples=30, deadline=None)
@given(
    samples=st.lists(st.floats(-1, 1, width=32), min_size=1, max_size=300), rate=st.sampled_from([100, 4000])
)
def test_any_samples_give_shares_or_our_error(samples: list[float], rate: int) -> None:
    array = np.asarray(samples, dtype=np.float32)
    try:
        quality = measure_quality(array, rate)
    except RecordingError:
        values, counts = np.unique(array, return_counts=True)
        assert counts.max() >= 0.998 * array.size
        assert values.size <= 2
        return
    assert 0 <= quality.clipped_share <= 1
    assert 0 <= quality.hum_share <= 1
    assert 0 <= quality.rms <= quality.peak * 1.0001 <= 1.001


@pytest.mark.parametrize("above", [0.05, 0.3, 0.49])
def test_crest_of_a_coarse_sine_is_no_clipping(above: float) -> None:
    """However the crest lies within its level, it is met at most 1 / (sqrt(2) - 1) = 2.4 times the next."""
    crest = (20 + above) / 32768
    sine = crest * np.sin(2 * np.pi * 123.4 * np.arange(400_000) / RATE)
    assert measure_quality(as_pcm(sine.astype(np.float32)), RATE).clipped_share == 0


def test_slow_noise_of_few_levels_has_no_gaps() -> None:
    time_s = np.arange(80_000) / 8000
    slow = sum(np.sin(2 * np.pi * tone_hz * time_s) for tone_hz in (3.1, 5.3, 7.7)) * 2.0**-15
    few, rumble = measure_quality(as_pcm(slow.astype(np.float32)), 8000).findings
    assert "different values" in few
    assert "rumble" in rumble
