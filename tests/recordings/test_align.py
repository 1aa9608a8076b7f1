"""Alignment keeps delays: tones and noise whose true values at any moment are known."""

from __future__ import annotations

import importlib
import math
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from fractions import Fraction

import numpy as np
import pytest
import scipy.signal
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from netcorr.errors import RecordingError
from netcorr.recordings import Recording, Rejected, Round, align, resample

Array = NDArray[np.float64]
Record = Callable[..., Recording]


class Tones:
    """A sum of many tones: its value is known at every moment, between samples too."""

    def __init__(self, *, low_hz: float, high_hz: float, count: int = 12, seed: int = 1) -> None:
        rng = np.random.default_rng(seed)
        step_hz = (high_hz - low_hz) / count
        self.frequency_hz = low_hz + step_hz * (np.arange(count) + rng.uniform(0, 0.7, count))
        self.phase = rng.uniform(0, 2 * np.pi, count)

    def __call__(self, time_s: Array) -> Array:
        turns = self.frequency_hz[:, None] * time_s + self.phase[:, None] / (2 * np.pi)
        return np.asarray(np.sin(2 * np.pi * turns).sum(axis=0) / self.frequency_hz.size)

    def delay_error(self, aligned: Round, delay_s: float) -> float:
        """Delay of row 1 after row 0, by a least-squares fit of all tones to each, minus the true one. [s]"""
        omega = 2 * np.pi * self.frequency_hz
        angle = omega * (np.arange(aligned.samples.shape[1]) / aligned.sample_rate_hz)[:, None]
        basis = np.hstack([np.cos(angle), np.sin(angle)])
        fits = np.linalg.solve(basis.T @ basis, basis.T @ aligned.samples.T.astype(float))
        cosine, sine = np.split(fits, 2)
        spectrum = cosine - 1j * sine
        turn = np.angle(spectrum[:, 0] * spectrum[:, 1].conj() * np.exp(-1j * omega * delay_s))
        return float((omega @ turn) / (omega @ omega))


def recording_of(
    tones: Tones, record: Record, logger: str, *, rate: float, at_s: float, seconds: float, delay_s: float
) -> Recording:
    """What a logger records that starts at `at_s` and hears everything `delay_s` late."""
    time_s = at_s - delay_s + np.arange(round(seconds * rate)) / rate
    return record(logger, at_s=at_s, rate=rate, samples=tones(time_s).astype(np.float32))


@pytest.mark.parametrize(
    ("rate_a", "rate_b"),
    [
        (48_000, 8000),
        (8000, 48_000),
        (44_100, 48_000),
        (48_000, 44_100),
        (4000, 4000),
        (11_025, 8000),
        (5000, 4999),
    ],
)
@pytest.mark.parametrize("delay_s", [0.0123456, -0.0007])
def test_delay_between_different_rates(rate_a: int, rate_b: int, delay_s: float, record: Record) -> None:
    """The bar is 2 microseconds, 1.3 mm of position at 1250 m/s; reached is far less."""
    tones = Tones(low_hz=20, high_hz=0.4 * min(rate_a, rate_b))
    a = recording_of(tones, record, "A", rate=rate_a, at_s=0.0, seconds=1.2, delay_s=0.0)
    b = recording_of(tones, record, "B", rate=rate_b, at_s=0.1, seconds=1.2, delay_s=delay_s)
    together = align([a, b])
    assert together.sample_rate_hz == min(rate_a, rate_b)
    assert abs(tones.delay_error(together, delay_s)) < 20e-9


@settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    derandomize=True,
)
@given(
    delay_us=st.integers(-20_000, 20_000),
    start_us=st.integers(-500_000, 500_000),
    rates=st.tuples(st.sampled_from([1000, 1024, 2000]), st.sampled_from([1000, 1500, 3000])),
)
def test_delay_is_kept_whatever_the_starts(
    delay_us: int, start_us: int, rates: tuple[int, int], record: Record
) -> None:
    """The bar is 1 microsecond."""
    tones = Tones(low_hz=5, high_hz=0.4 * min(rates))
    a = recording_of(tones, record, "A", rate=rates[0], at_s=0.0, seconds=2, delay_s=0.0)
    b = recording_of(
        tones, record, "B", rate=rates[1], at_s=start_us / 1e6, seconds=2, delay_s=delay_us / 1e6
    )
    together = align([a, b])
    assert abs(tones.delay_error(together, delay_us / 1e6)) < 0.2e-6
    assert together.start == max(a.start, b.start)
    assert together.duration_s == pytest.approx(2 - abs(start_us) / 1e6, abs=1.01 / min(rates))


@pytest.mark.parametrize("old", [1000, 1500, 4000, 4800])
@pytest.mark.parametrize("first_s", [Fraction(1, 10), Fraction(123_457, 1_000_000)])
def test_values_are_those_of_the_sound_itself(old: int, first_s: Fraction) -> None:
    """Away from the ends within 1e-5 of full scale, 100 dB down; at the very ends the past is not known."""
    tones = Tones(low_hz=3, high_hz=450)
    samples = tones(np.arange(8 * old) / old).astype(np.float32)
    got = resample(samples, sample_rate_hz=old, new_rate_hz=1000, first_s=first_s, size=7000)
    error = np.abs(got - tones(float(first_s) + np.arange(7000) / 1000))
    assert error[700:-1500].max() < 1e-5
    assert error.max() < 0.2


def test_agrees_with_polyphase_filtering_of_scipy() -> None:
    """`scipy.signal.resample_poly` is an independent method with no delay of its own."""
    samples = np.random.default_rng(4).normal(size=48_000)
    low = scipy.signal.sosfiltfilt(scipy.signal.butter(8, 2000, fs=48_000, output="sos"), samples)
    got = resample(low.astype(np.float32), sample_rate_hz=48_000, new_rate_hz=8000, first_s=0.0, size=8000)
    other = scipy.signal.resample_poly(low, 1, 6, window=("kaiser", 12.0))
    assert np.abs(got - other)[500:-500].max() < 2e-3 * np.abs(other).max()
    lag = scipy.signal.correlate(got, other).argmax() - (other.size - 1)
    assert lag == 0


def test_nothing_folds_down() -> None:
    """A tone above half the new rate must vanish, not come back as a lower one."""
    time_s = np.arange(48_000) / 48_000
    for tone_hz in (4010.0, 5000.0, 9000.0, 20_000.0):
        tone = np.sin(2 * np.pi * tone_hz * time_s).astype(np.float32)
        got = resample(tone, sample_rate_hz=48_000, new_rate_hz=8000, first_s=0.0, size=8000)
        assert np.abs(got[600:-600]).max() < 1e-4


def test_band_that_is_kept() -> None:
    """Flat to 92 % of half the common rate."""
    time_s = np.arange(48_000) / 48_000
    for tone_hz, gain in ((10.0, 1.0), (2000.0, 1.0), (3670.0, 1.0), (3840.0, 0.5)):
        tone = np.sin(2 * np.pi * tone_hz * time_s).astype(np.float32)
        got = resample(tone, sample_rate_hz=48_000, new_rate_hz=8000, first_s=0.0, size=8000)
        assert np.sqrt(2 * np.mean(got[1000:-1000] ** 2.0)) == pytest.approx(gain, abs=0.002)


def test_whole_samples_are_copied_untouched(record: Record) -> None:
    a, b = record("A", at_s=0.0), record("B", at_s=1.25, row=3)
    together = align([a, b])
    assert np.array_equal(together.samples[0], a.samples[625:])
    assert np.array_equal(together.samples[1], b.samples[: a.samples.size - 625])
    assert together.samples.dtype == np.float32
    assert together.start == b.start


def test_blocks_do_not_show(monkeypatch: pytest.MonkeyPatch) -> None:
    samples = np.random.default_rng(2).normal(size=60_000).astype(np.float32)
    asked = {"sample_rate_hz": 4800.0, "new_rate_hz": 1600.0, "first_s": Fraction(1, 7), "size": 19_000}
    whole = resample(samples, **asked)
    monkeypatch.setattr(importlib.import_module("netcorr.recordings.align"), "_BLOCK", 1700)
    assert np.abs(resample(samples, **asked) - whole).max() < 2e-5


def test_shift_there_and_back() -> None:
    """Two shifts by half a sample are one by a whole sample."""
    tones = Tones(low_hz=5, high_hz=400)
    samples = tones(np.arange(4000) / 1000).astype(np.float32)
    half = resample(samples, sample_rate_hz=1000, new_rate_hz=1000, first_s=Fraction(1, 2000), size=3999)
    whole = resample(half, sample_rate_hz=1000, new_rate_hz=1000, first_s=Fraction(1, 2000), size=3998)
    assert np.abs(whole[600:-600] - samples[601:-601]).max() < 1e-5


def test_three_recordings_share_what_all_have(record: Record) -> None:
    group = [record("A", at_s=0.0), record("B", at_s=3.0, row=3), record("C", at_s=-2.0, row=4)]
    together = align(group, number=7, rejected=[Rejected(group[0].deployment, "x")])
    assert together.samples.shape == (3, 5 * 500)
    assert together.duration_s == 5.0
    assert together.number == 7
    assert together.recordings == tuple(group)
    assert [item.reason for item in together.rejected] == ["x"]


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(order=st.permutations(range(4)))
def test_order_of_rows_changes_nothing_else(order: list[int], record: Record) -> None:
    made = [
        record(name, at_s=at_s, rate=rate, seconds=3, row=row)
        for row, (name, at_s, rate) in enumerate(
            [("A", 0, 500), ("B", 0.3, 800), ("C", 0.1007, 500), ("D", 0, 600)]
        )
    ]
    plain, mixed = align(made), align([made[index] for index in order])
    assert np.array_equal(mixed.samples, plain.samples[list(order)])
    assert mixed.start == plain.start


def test_everything_later_by_an_hour(record: Record) -> None:
    now = align([record("A", at_s=0.0), record("B", at_s=0.3333, row=3, rate=800)])
    later = align([record("A", at_s=3600.0), record("B", at_s=3600.3333, row=3, rate=800)])
    assert later.start - now.start == timedelta(hours=1)
    assert np.array_equal(now.samples, later.samples)


def test_no_shared_time(record: Record) -> None:
    with pytest.raises(
        RecordingError, match=r"loggers A and B: no shared time: one ends at .*02:00:10\+00:00, the"
    ):
        align([record("A", at_s=0), record("B", at_s=11)])


def test_groups_that_are_none(record: Record) -> None:
    with pytest.raises(RecordingError, match="no recordings: 0 recordings; a delay needs two"):
        align([])
    with pytest.raises(RecordingError, match="round of A: 1 recordings"):
        align([record("A")])
    with pytest.raises(RecordingError, match="logger A: more than one recording"):
        align([record("A"), record("A", row=3)])


@pytest.mark.parametrize(
    ("asked", "what"),
    [
        ({"new_rate_hz": 2000.0}, "go to the lowest sample rate"),
        ({"first_s": -0.001}, "moments within the recording"),
        ({"first_s": 0.5, "size": 501}, "moments within the recording"),
        ({"size": 0}, "moments within the recording"),
    ],
)
def test_moments_that_cannot_be_had(asked: dict[str, float], what: str) -> None:
    fine = {"sample_rate_hz": 1000.0, "new_rate_hz": 1000.0, "first_s": 0.5, "size": 500}
    samples = np.zeros(1000, dtype=np.float32)
    assert resample(samples, **fine).size == 500
    with pytest.raises(RecordingError, match=what):
        resample(samples, **(fine | asked))


def test_last_sample_may_be_asked_for() -> None:
    samples = np.arange(10, dtype=np.float32)
    got = resample(samples, sample_rate_hz=10, new_rate_hz=10, first_s=0.9, size=1)
    assert math.isclose(got[0], 9, abs_tol=1e-6)


def drifting(recording: Recording, ppm: float) -> Recording:
    return replace(recording, deployment=replace(recording.deployment, clock_drift_ppm=ppm))


@pytest.mark.parametrize(("rate_a", "rate_b"), [(4000, 4000), (8000, 4000), (4000, 11_025)])
@pytest.mark.parametrize(("ppm_a", "ppm_b"), [(40.0, 0.0), (0.0, 40.0), (-15.0, 25.0)])
def test_stated_drift_is_taken_out(
    rate_a: int, rate_b: int, ppm_a: float, ppm_b: float, record: Record
) -> None:
    """A clock that is fast by e takes sample k at k / (rate (1 + e)): 0.8 ms in 20 s at 40 millionths."""
    tones = Tones(low_hz=20, high_hz=1500, count=8)

    def heard(logger: str, rate: int, ppm: float, at_s: float, late_s: float) -> Recording:
        time_s = at_s - late_s + np.arange(20 * rate) / (rate * (1 + 1e-6 * ppm))
        made = record(logger, at_s=at_s, rate=rate, samples=tones(time_s).astype(np.float32))
        return drifting(made, ppm)

    together = align([heard("A", rate_a, ppm_a, 0.0, 0.0), heard("B", rate_b, ppm_b, 0.3, 0.0123)])
    assert together.sample_rate_hz == 4000
    assert together.duration_s == pytest.approx(19.7, abs=0.002)
    # nowhere in the record is the delay off by more than a hair: the first and the last second
    for part in (slice(400, 4400), slice(-4400, -400)):
        piece = replace(together, samples=together.samples[:, part])
        assert abs(tones.delay_error(piece, 0.0123)) < 50e-9
    # left in, it has grown to this in the last second, B's clock being late when it is fast
    left = align([heard("A", rate_a, ppm_a, 0.0, 0.0), drifting(heard("B", rate_b, ppm_b, 0.3, 0.0123), 0)])
    grown_s = 1e-6 * ppm_b * (19.7 - 0.6)
    late = replace(left, samples=left.samples[:, -4400:-400])
    assert abs(tones.delay_error(late, 0.0123 + grown_s)) < 2e-6


def test_drift_counts_in_the_length_of_a_recording(record: Record) -> None:
    """A clock fast by 1000 millionths has made its 10 s of samples in 9.99 s."""
    fast = drifting(record("A"), 1000.0)
    assert fast.duration_s == pytest.approx(10 / 1.001)
    assert (fast.end - fast.start).total_seconds() == pytest.approx(fast.duration_s, abs=1e-6)
    assert align([fast, record("B")]).samples.shape == (2, 4995)
