"""Knocks, loud stretches and tones are told in words; good recordings of any colour have nothing to tell."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from netcorr.recordings import measure_quality
from netcorr.recordings.disturbances import measure_levels

Noise = Callable[..., NDArray[np.float32]]
Real = NDArray[np.float64]
RATE = 4000

#: Amplitude over frequency of what loggers hear when all is well.
COLOURS: dict[str, Callable[[Real], Real]] = {
    "white": np.ones_like,
    "pink": lambda f: (np.maximum(f, 10) / 10) ** -0.5,
    "red": lambda f: (np.maximum(f, 10) / 10) ** -1.0,
    # a leak 60 m away in a plastic main, and one in iron
    "plastic": lambda f: np.exp(-2 * np.pi * 7e-5 * 60 * f) * (f > 20),
    "iron": lambda f: np.sqrt(1 / (1 + (30 / np.maximum(f, 1e-9)) ** 4) / (1 + (f / 1500) ** 4)),
}


def coloured(colour: str, seed: int, *, rate: int = RATE, seconds: float = 10.0, rms: float = 0.05) -> Real:
    """Gaussian noise of a colour in steps of a 16-bit converter, through the high-pass of a sensor."""
    size = round(rate * seconds)
    spectrum = np.fft.rfft(np.random.default_rng(seed).normal(size=2 * size))
    f = np.fft.rfftfreq(2 * size, 1 / rate)
    high_pass = (f / 10) ** 2 / np.sqrt(1 + (f / 10) ** 4)
    samples = np.fft.irfft(spectrum * COLOURS[colour](f) * high_pass)[:size]
    return np.round(samples * (rms / samples.std()) * 32768) / 32768


def told(samples: Real, rate: int = RATE) -> tuple[str, ...]:
    return measure_quality(samples.astype(np.float32), rate).findings


@pytest.mark.parametrize("colour", list(COLOURS))
def test_200_good_recordings_have_nothing_to_tell(colour: str) -> None:
    """40 of each colour: no finding in any of them."""
    kinds = [(4000, 10.0), (8000, 10.0), (2000, 30.0), (4000, 6.0)]
    for seed in range(40):
        rate, seconds = kinds[seed % len(kinds)]
        assert told(coloured(colour, seed, rate=rate, seconds=seconds), rate) == ()


def ringing(at_s: float, *, height: float, ring_hz: float = 700.0, size: int = 40_000) -> Real:
    """A knock: a tone that dies away in 10 ms."""
    after = np.maximum(np.arange(size) / RATE - at_s, 0.0)
    return height * np.exp(-after / 0.01) * np.sin(2 * np.pi * ring_hz * after)


@pytest.mark.parametrize("colour", list(COLOURS))
def test_knocks_are_counted_and_placed(colour: str) -> None:
    samples = coloured(colour, 3, rms=0.02)
    for at_s, height in ((1.3, 0.4), (4.75, 0.9), (8.01, 0.5)):
        samples = samples + ringing(at_s, height=height)
    (finding,) = told(samples)
    assert finding.startswith("3 knocks, the loudest ")
    assert " times the usual level at 4.8 s, which count no more than other moments" in finding
    (one,) = told(coloured(colour, 3, rms=0.02) + ringing(6.2, height=0.6))
    assert one.startswith("1 knock, the loudest ")


@pytest.mark.parametrize("colour", list(COLOURS))
@pytest.mark.parametrize("rise_db", [14.0, 30.0])
def test_usage_in_part_of_the_record(colour: str, rise_db: float) -> None:
    samples = coloured(colour, 5, rms=0.004)
    # begins and ends in the middle of frames
    loud = (np.arange(40_000) >= 4.1 * RATE) & (np.arange(40_000) < 7.4 * RATE)
    samples = np.where(loud, 10 ** (rise_db / 20) * samples, samples)
    (finding,) = told(samples)
    start = finding.removeprefix("loud for ").split(" s", 1)
    assert float(start[0]) == pytest.approx(3.3, abs=0.5)
    assert " s from 4." in finding
    said_db = float(finding.split(" on, ")[1].split(" dB")[0])
    assert said_db == pytest.approx(rise_db, abs=3)
    assert "must not be taken for a leak" in finding


@pytest.mark.parametrize("tone_hz", [17.3, 73.0, 300.0, 455.5, 1310.0])
def test_tone_of_a_pump_or_regulator(tone_hz: float, noise: Noise) -> None:
    """Amplitude a: a**2 / 2 of the energy."""
    time_s = np.arange(40_000) / RATE
    samples = noise(40_000, rms=0.1) + 0.1 * np.sin(2 * np.pi * tone_hz * time_s)
    (finding,) = told(samples)
    share, rest = finding.split(" % of the energy is a tone at ")
    assert float(share) == pytest.approx(100 * 0.5 / 1.5, abs=3)
    assert float(rest.split(" Hz")[0]) == pytest.approx(tone_hz, abs=0.11)
    assert finding.endswith("which is taken out")


@pytest.mark.parametrize("rumble_hz", [2.0, 5.0, 9.0])
def test_rumble_of_traffic(rumble_hz: float) -> None:
    rng = np.random.default_rng(21)
    spectrum = np.fft.rfft(rng.normal(size=40_000))
    f = np.fft.rfftfreq(40_000, 1 / 4000)
    # a lorry: a narrow band of low noise, four times the amplitude of all the rest
    lorry = np.fft.irfft(np.where(np.abs(f - rumble_hz) < 0.8, spectrum, 0.0), 40_000)
    noise = 0.01 * rng.normal(size=40_000)
    samples = (noise + 0.04 * lorry / lorry.std()).astype(np.float32)
    (said,) = (one for one in measure_quality(samples, 4000).findings if "rumble" in one)
    share = float(said.split(" % of the energy is rumble below 10 Hz (traffic")[0])
    assert share == pytest.approx(100 * 16 / 17, abs=5)
    # much weaker, nobody needs to know
    weak = (noise + 0.01 * lorry / lorry.std()).astype(np.float32)
    assert not any("rumble" in one for one in measure_quality(weak, 4000).findings)


def test_hum_is_no_tone_and_a_tone_beside_it_is(noise: Noise) -> None:
    time_s = np.arange(40_000) / RATE
    hum = sum(0.08 / k * np.sin(2 * np.pi * 50.1 * k * time_s + k) for k in (1, 2, 3, 5))
    (only,) = told(noise(40_000, rms=0.05) + hum)
    assert "mains hum (50 Hz and its harmonics)" in only
    first, second = told(noise(40_000, rms=0.05) + hum + 0.1 * np.sin(2 * np.pi * 187.0 * time_s))
    assert "mains hum" in first
    assert "a tone at 187.0 Hz" in second


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
@pytest.mark.parametrize("seconds", [10, 60])
def test_hum_that_drifts_is_still_hum(mains_hz: float, seconds: int, noise: Noise) -> None:
    """From 0.1 Hz below to 0.1 Hz above in the course of the record; its share is known."""
    time_s = np.arange(seconds * RATE) / RATE
    turns = (mains_hz - 0.1) * time_s + 0.1 * time_s**2 / seconds
    hum = sum(0.1 / k * np.sin(2 * np.pi * k * turns + k) for k in (1, 2, 3))
    quality = measure_quality((noise(time_s.size, rms=0.08) + hum).astype(np.float32), RATE)
    assert quality.hum_hz == mains_hz
    share = np.mean(hum**2) / (np.mean(hum**2) + 0.08**2)
    assert quality.hum_share == pytest.approx(share, abs=0.05)
    assert [("mains hum" in text) for text in quality.findings] == [True]


def test_everything_at_once_is_told_once_each(noise: Noise) -> None:
    time_s = np.arange(40_000) / RATE
    samples = 0.2 * noise(40_000, rms=0.05) + ringing(8.6, height=0.9)
    samples[12_000:16_000] *= 8
    samples += 0.02 * np.sin(2 * np.pi * 187.0 * time_s)
    samples[20_000:20_400] = samples[20_000]
    words = ("gap", "a tone at 187", "1 knock", "loud for")
    findings = told(np.round(samples * 32768) / 32768)
    assert [sum(word in text for text in findings) for word in words] == [1, 1, 1, 1]
    assert len(findings) == 4


def test_weak_disturbances_are_not_worth_a_word(noise: Noise) -> None:
    time_s = np.arange(40_000) / RATE
    assert told(noise(40_000) + 0.04 * np.sin(2 * np.pi * 187.0 * time_s)) == ()
    assert told(noise(40_000) + ringing(3.0, height=0.3)) == ()
    louder = np.where((time_s > 3) & (time_s < 5), 2.0, 1.0)
    assert told(noise(40_000, rms=0.05) * louder) == ()


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 1000),
    gain_bits=st.integers(-5, 0),
    offset=st.floats(-0.02, 0.02),
    flip=st.booleans(),
)
def test_gain_sign_and_offset_change_no_word(seed: int, gain_bits: int, offset: float, flip: bool) -> None:
    samples = coloured("pink", seed, rms=0.02) + ringing(2.0, height=0.4)
    samples[20_000:26_000] *= 6
    gain = (-1 if flip else 1) * 2.0**gain_bits
    # adding an offset rounds a little: only numbers may move, and only in their last digit
    one, other = told(samples), told(gain * samples + offset * gain)
    assert [text.split(",")[0] for text in one] == [text.split(",")[0] for text in other]
    assert len(one) == 2


@settings(max_examples=30, deadline=None)
@given(
    samples=st.lists(st.floats(-1, 1, width=32), min_size=1, max_size=300),
    rate=st.sampled_from([1, 7, 400, 4000]),
)
def test_levels_of_any_samples(samples: list[float], rate: int) -> None:
    levels = measure_levels(np.asarray(samples, dtype=np.float32), rate)
    assert levels.frame.size == levels.highest.size >= 1
    assert np.isfinite(levels.frame).all()
    assert 0 <= levels.usual <= 2 / 0.6745


def test_levels_of_noise_and_of_knocks(noise: Noise) -> None:
    samples = noise(40_000, rms=0.1)
    levels = measure_levels(samples, RATE)
    assert levels.frame.size == 40
    assert levels.usual == pytest.approx(0.1, rel=0.02)
    knocked = measure_levels((samples + ringing(2.0, height=0.9)).astype(np.float32), RATE)
    assert knocked.usual == pytest.approx(levels.usual, rel=0.01)


def test_quality_is_measured_in_no_time(noise: Noise) -> None:
    """10 s at 4 kHz: some 6 ms; the best of several, for the machine may be busy."""
    samples = noise(40_000)
    taken = []
    for _ in range(10):
        begin = time.perf_counter()
        measure_quality(samples, RATE)
        taken.append(time.perf_counter() - begin)
    assert min(taken) < 0.03
