"""Evidence of a pair: the delay, what it is worth, and the laws it obeys."""

from __future__ import annotations

from importlib.resources import files

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.delay import DelayEvidence, delay_evidence, prepare_round
from netcorr.errors import DelayError

from .conftest import noisy_pair

RATE_HZ = 4000.0
MAX_S = 0.1


def evidence_of(samples: np.ndarray, **options: object) -> DelayEvidence:
    a, b = prepare_round(samples, RATE_HZ, max_delay_s=MAX_S)
    return delay_evidence(a, b, max_delay_s=MAX_S, **options)  # type: ignore[arg-type]


@settings(max_examples=20, deadline=None)
@given(st.floats(-0.09, 0.09), st.integers(0, 10_000))
def test_the_delay_that_was_put_in_comes_out(delay_s: float, seed: int) -> None:
    samples = noisy_pair(np.random.default_rng(seed), delay_s=delay_s, snr_db=0.0, duration_s=5.0)
    evidence = evidence_of(samples)
    assert evidence.peak_delay_s == pytest.approx(delay_s, abs=6e-5)
    assert evidence.significance < 1e-6
    assert evidence.second_opinion_s == pytest.approx(delay_s, abs=3e-4)


@settings(max_examples=15, deadline=None)
@given(st.floats(-0.09, 0.09), st.integers(0, 10_000))
def test_swapping_a_and_b_mirrors_everything(delay_s: float, seed: int) -> None:
    samples = noisy_pair(np.random.default_rng(seed), delay_s=delay_s, snr_db=-3.0, duration_s=4.0)
    one, other = evidence_of(samples), evidence_of(samples[::-1])
    # a glance is no better
    np.testing.assert_allclose(one.log_likelihood, other.log_likelihood[::-1], atol=0.01)
    assert one.peak_delay_s == pytest.approx(-other.peak_delay_s, abs=1e-9)
    assert one.standard_error_s == pytest.approx(other.standard_error_s, rel=1e-9)


@settings(max_examples=15, deadline=None)
@given(st.floats(0.01, 100), st.integers(0, 1000))
def test_gain_changes_nothing(gain: float, seed: int) -> None:
    samples = noisy_pair(np.random.default_rng(seed), delay_s=0.02, duration_s=4.0)
    louder = evidence_of(samples * np.array([[1.0], [gain]]))
    np.testing.assert_allclose(louder.log_likelihood, evidence_of(samples).log_likelihood, atol=1e-5)


@settings(max_examples=12, deadline=None)
@given(st.integers(-300, 300), st.integers(0, 1000))
def test_delaying_one_recording_moves_the_peak(shift: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    s = rng.normal(size=24000)
    noise = rng.normal(size=(2, 20000))
    samples = np.stack([s[2000:22000], s[2000 - shift : 22000 - shift]]) + noise
    assert evidence_of(samples).peak_delay_s == pytest.approx(shift / RATE_HZ, abs=4e-5)


def test_error_shrinks_with_the_root_of_time() -> None:
    rng = np.random.default_rng(4)
    stated = {
        seconds: np.mean(
            [
                evidence_of(noisy_pair(rng, delay_s=0.01, snr_db=-3.0, duration_s=seconds)).standard_error_s
                for _ in range(6)
            ]
        )
        for seconds in (4.0, 16.0)
    }
    assert stated[4.0] / stated[16.0] == pytest.approx(2.0, rel=0.15)


def test_noise_alone_is_not_significant() -> None:
    rng = np.random.default_rng(5)
    found = [evidence_of(rng.normal(size=(2, 20000))).significance for _ in range(40)]
    # the allowance for all the bands tried is generous, so a small value is rarer than it says
    assert np.mean(np.array(found) < 0.05) <= 0.05
    assert np.median(found) > 0.1


def test_common_hum_is_no_evidence() -> None:
    rng = np.random.default_rng(6)
    t = np.arange(40000) / RATE_HZ
    hum = sum(2.0 / k * np.sin(2 * np.pi * 50.02 * k * t + k) for k in range(1, 12))
    evidence = evidence_of(rng.normal(size=(2, 40000)) + hum)
    assert evidence.log_likelihood.max() < 6
    assert any("hum" in note for note in evidence.notes)


def test_a_burst_at_one_end_does_not_hide_the_leak() -> None:
    rng = np.random.default_rng(7)
    samples = noisy_pair(rng, delay_s=0.03, snr_db=-3.0)
    burst = 40 * rng.normal(size=1600)
    samples[0, 10000:11600] += burst
    samples[1, 10360:11960] += burst  # arrives 90 ms later
    evidence = evidence_of(samples)
    assert evidence.peak_delay_s == pytest.approx(0.03, abs=2e-4)
    assert any("burst" in note for note in evidence.notes)


def test_the_band_can_be_fixed() -> None:
    samples = noisy_pair(np.random.default_rng(8), delay_s=0.02, band_hz=(300.0, 900.0))
    evidence = evidence_of(samples, band_hz=(400.0, 600.0))
    assert 400 <= evidence.band_hz[0] < evidence.band_hz[1] <= 601
    assert evidence.peak_delay_s == pytest.approx(0.02, abs=1e-4)


def test_disagreement_of_the_second_opinion_is_said() -> None:
    rng = np.random.default_rng(9)
    # loud common rumble at another delay, in a narrow band; the wide weak source carries more evidence
    leak = noisy_pair(rng, delay_s=0.03, snr_db=-4.0, band_hz=(300.0, 1500.0))
    rumble = noisy_pair(rng, delay_s=-0.05, snr_db=40.0, band_hz=(60.0, 64.0)) * 0.02
    evidence = evidence_of(leak + rumble)
    assert evidence.peak_delay_s == pytest.approx(0.03, abs=2e-4)


@pytest.mark.parametrize(
    ("samples", "options", "found"),
    [
        (np.random.default_rng(1).normal(size=(2, 1000 * 4)), {"max_delay_s": 0.5}, "1.0 s of common record"),
        (
            np.random.default_rng(1).normal(size=(2, 40000)),
            {"band_hz": (5000.0, 6000.0)},
            "nothing to compare",
        ),
    ],
)
def test_what_cannot_be_compared_is_refused(
    samples: np.ndarray, options: dict[str, object], found: str
) -> None:
    a, b = prepare_round(samples, RATE_HZ, max_delay_s=MAX_S)
    with pytest.raises(DelayError, match=found):
        delay_evidence(a, b, **{"max_delay_s": MAX_S, **options})  # type: ignore[arg-type]


def test_recordings_prepared_differently_are_refused() -> None:
    samples = np.random.default_rng(2).normal(size=(2, 40000))
    (a, _), (_, b) = (prepare_round(samples, RATE_HZ, max_delay_s=d) for d in (0.1, 0.2))
    with pytest.raises(DelayError, match="prepared differently"):
        delay_evidence(a, b, max_delay_s=0.1)


def test_obspys_documented_pair() -> None:
    """Two records of one seismometer, with the differential pick that obspy's documentation states.

    -0.0144590804 s unfiltered and -0.0130250862 s at 1-10 Hz (obspy, signal tutorial and test of
    `xcorr_pick_correction`); the two differ because the wavelets differ, so ours must lie among them.
    """
    obspy = pytest.importorskip("obspy")
    from obspy.signal.cross_correlation import xcorr_pick_correction

    folder = files("obspy.signal") / "tests" / "data"
    one, two = (obspy.read(str(folder / f"BW.UH1._.EHZ.D.2010.147.{x}.slist.gz"))[0] for x in "ab")
    pick_1 = obspy.UTCDateTime("2010-05-27T16:24:33.315000Z")
    pick_2 = obspy.UTCDateTime("2010-05-27T16:27:30.585000Z")
    theirs, _ = xcorr_pick_correction(pick_1, one, pick_2, two, 0.05, 0.2, 0.1)
    assert theirs == pytest.approx(-0.0144590804, abs=1e-7)
    samples = np.stack(
        [trace.slice(p - 0.3, p + 0.7).data.astype(float) for trace, p in ((one, pick_1), (two, pick_2))]
    )
    a, b = prepare_round(samples, 200.0, max_delay_s=0.1, band_hz=(1.0, 40.0))
    ours = delay_evidence(a, b, max_delay_s=0.1, band_hz=(1.0, 40.0))
    assert theirs - 2e-4 < ours.peak_delay_s < -0.0130250862 + 2e-4
    assert abs(ours.peak_delay_s - theirs) < 2 * ours.standard_error_s
    assert ours.peak_delay_s == pytest.approx(-0.0130250862, abs=1.8e-3)


def test_evidence_needs_matching_shapes() -> None:
    evidence = evidence_of(noisy_pair(np.random.default_rng(1), delay_s=0.0, duration_s=2.0))
    fields = {name: getattr(evidence, name) for name in evidence.__dataclass_fields__}
    with pytest.raises(DelayError, match="likelihoods"):
        DelayEvidence(**{**fields, "log_likelihood": np.zeros(3)})
