"""Recordings show what was asked for: delays, levels, hum, usage, clocks; the delays are measured by phase.

The pipes here have a stated wave speed, so that the expected delays are lengths over speeds.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from numpy.typing import NDArray

from netcorr.errors import SimulationError
from netcorr.network.pipe_network import PipeNetwork
from netcorr.simulation.setup import (
    Burst,
    Conditions,
    LeakSource,
    OutsideSource,
    Place,
    SensorSetup,
    Spectrum,
    TrueSpeeds,
    place_on_pipe,
)
from netcorr.simulation.survey import AMBIENT_RMS, SimulatedRound, simulate_round, simulate_survey

NetworkMaker = Callable[..., PipeNetwork]
IRON = {"wave_speed_m_s": 1250.0}
PVC = {"wave_speed_m_s": 400.0, "material": "pvc", "diameter_mm": 160.0}
#: Endless to either side, A at node 1 and B at node 3, nothing that reflects.
LINE = [(0, 1, 900.0, IRON), (1, 2, 40.0, IRON), (2, 3, 60.0, IRON), (3, 4, 900.0, IRON)]
FITTINGS = {"A": 1, "B": 3}
A, B = SensorSetup("K1", "A"), SensorSetup("K2", "B")
LEAK = LeakSource(Place((1, 2, 0), 30.0), Spectrum(30.0, 1500.0))
#: The speed is stated for 100 Hz; in the band of the test the wave is a fifth of a percent faster.
DISPERSION_S = 2.5e-4
LOUD = Conditions(snr_db=30.0, noise_colour="white", duration_s=4.0)


def rng(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


def delay_s(
    recorded: SimulatedRound, *, band_hz: tuple[float, float] = (200.0, 900.0), rate_hz: float = 4000.0
) -> float:
    """Arrival at the second sensor minus arrival at the first, by the peak of the whitened correlation."""
    first, second = (r.samples.astype(float) for r in recorded.recordings[:2])
    size = 2 * max(first.size, second.size)
    cross = np.conj(np.fft.rfft(first, size)) * np.fft.rfft(second, size)
    frequency = np.fft.rfftfreq(size, 1 / rate_hz)
    inside = (frequency > band_hz[0]) & (frequency < band_hz[1])
    fine = 16
    curve = np.fft.irfft(np.where(inside, cross / np.maximum(np.abs(cross), 1e-30), 0), size * fine)
    peak = int(np.argmax(curve))
    return (peak - size * fine if peak > size * fine // 2 else peak) / (rate_hz * fine)


def power(samples: NDArray[np.float32], low_hz: float, high_hz: float, rate_hz: float = 4000.0) -> float:
    spectrum = np.abs(np.fft.rfft(samples.astype(float))) ** 2
    frequency = np.fft.rfftfreq(samples.size, 1 / rate_hz)
    return float(spectrum[(frequency >= low_hz) & (frequency <= high_hz)].sum() * 2 / samples.size**2)


def test_delay_is_the_difference_of_the_travel_times(network_of: NetworkMaker) -> None:
    # 30 m to A and 10 + 60 m to B
    recorded = simulate_round(
        network_of(LINE, FITTINGS), sensors=[A, B], leak=LEAK, conditions=LOUD, rng=rng()
    )
    assert delay_s(recorded) == pytest.approx(40 / 1250, abs=DISPERSION_S)


def test_mixed_pipes_and_lead_add_their_own_times(network_of: NetworkMaker) -> None:
    pipes = [(0, 1, 900.0, IRON), (1, 2, 40.0, IRON), (2, 3, 20.0, PVC), (3, 4, 900.0, PVC)]
    sensors = [replace(A, lead_m=4.0), B]
    recorded = simulate_round(
        network_of(pipes, FITTINGS), sensors=sensors, leak=LEAK, conditions=LOUD, rng=rng()
    )
    # what dispersion leaves between the phase speed at 100 Hz and the speed in the band is allowed for
    expected = (10 / 1250 + 20 / 400) - (30 + 4) / 1250
    assert delay_s(recorded, band_hz=(60.0, 500.0)) == pytest.approx(expected, abs=5e-4)


@pytest.mark.parametrize(("edge", "expected_m"), [((0, 1, 0), 100.0), ((3, 4, 0), -100.0)])
def test_beyond_a_sensor_the_delay_is_the_whole_path(
    network_of: NetworkMaker, edge: tuple[int, int, int], expected_m: float
) -> None:
    place = Place(edge, 880.0 if edge[0] == 0 else 20.0)
    recorded = simulate_round(
        network_of(LINE, FITTINGS),
        sensors=[A, B],
        leak=LeakSource(place),
        conditions=LOUD,
        rng=rng(),
    )
    assert delay_s(recorded) == pytest.approx(expected_m / 1250, abs=DISPERSION_S)


def test_speed_factors_scale_the_delay(network_of: NetworkMaker) -> None:
    speeds = TrueSpeeds({"grey_iron": 1.25}, {"P1": 0.8, "P2": 0.8})
    faster = TrueSpeeds({"grey_iron": 1.25})
    network = network_of(LINE, FITTINGS)
    for given, factor in ((speeds, 1.0), (faster, 1.25)):
        recorded = simulate_round(
            network, sensors=[A, B], leak=LEAK, conditions=LOUD, rng=rng(), speeds=given
        )
        assert delay_s(recorded) == pytest.approx(40 / 1250 / factor, abs=1e-4)


def test_clock_that_runs_ahead_shows_arrivals_later(network_of: NetworkMaker) -> None:
    # sign: clock error is logger's clock minus true time; delay is arrival at B minus arrival at A
    sensors = [replace(A, clock_error_s=0.0004), replace(B, clock_error_s=0.0033)]
    recorded = simulate_round(
        network_of(LINE, FITTINGS), sensors=sensors, leak=LEAK, conditions=LOUD, rng=rng()
    )
    assert delay_s(recorded) == pytest.approx(40 / 1250 + 0.0029, abs=1e-4)
    assert recorded.recordings[0].start == recorded.recordings[1].start == LOUD.start


@pytest.mark.parametrize("drift_ppm", [-40.0, 25.0])
def test_clock_that_drifts_parts_the_arrivals(network_of: NetworkMaker, drift_ppm: float) -> None:
    # a clock that is fast by 25 millionths shows arrivals 0.5 ms later after 20 s
    conditions = replace(LOUD, duration_s=22.0)
    sensors = [A, replace(B, clock_drift_ppm=drift_ppm)]
    recorded = simulate_round(
        network_of(LINE, FITTINGS), sensors=sensors, leak=LEAK, conditions=conditions, rng=rng()
    )
    second = slice(4000)
    last = slice(80_000, 84_000)
    first_s, last_s = (
        delay_s(
            replace(
                recorded, recordings=tuple(replace(r, samples=r.samples[part]) for r in recorded.recordings)
            )
        )
        for part in (second, last)
    )
    assert first_s == pytest.approx(40 / 1250, abs=DISPERSION_S)
    assert last_s - first_s == pytest.approx(20e-6 * drift_ppm, abs=5e-5)


def test_a_drift_of_next_to_nothing_changes_next_to_nothing(network_of: NetworkMaker) -> None:
    conditions = Conditions(hum_hz=50.0, duration_s=4.0)
    network = network_of(LINE, FITTINGS)
    plain, drifting = (
        simulate_round(
            network,
            sensors=[replace(A, clock_drift_ppm=drift_ppm)],
            leak=None,
            conditions=conditions,
            rng=rng(),
        )
        .recordings[0]
        .samples
        for drift_ppm in (0.0, 1e-6)
    )
    np.testing.assert_allclose(plain, drifting, atol=1e-6 * float(np.abs(plain).max()))


def test_late_start_is_in_the_stamp_and_in_the_samples(network_of: NetworkMaker) -> None:
    sensors = [A, replace(B, start_delay_s=0.25)]
    recorded = simulate_round(
        network_of(LINE, FITTINGS), sensors=sensors, leak=LEAK, conditions=LOUD, rng=rng()
    )
    first, second = recorded.recordings
    assert second.start - first.start == timedelta(seconds=0.25)
    assert delay_s(recorded) == pytest.approx(40 / 1250 - 0.25, abs=1e-4)


def test_sample_rates_see_the_same_sound(network_of: NetworkMaker) -> None:
    sensors = [
        SensorSetup(f"K{rate_hz:.0f}", "A", sample_rate_hz=rate_hz, noise_level_db=-120.0)
        for rate_hz in (4000.0, 8000.0, 5000.0)
    ]
    conditions = replace(LOUD, snr_db=120.0)
    recorded = simulate_round(
        network_of(LINE, FITTINGS), sensors=sensors, leak=LEAK, conditions=conditions, rng=rng()
    )
    slow, fast, middle = (r.samples.astype(float) for r in recorded.recordings)
    assert [x.size for x in (slow, fast, middle)] == [16000, 32000, 20000]
    # the same spectrum in the band that both keep
    band = (100, 1500)
    for other, rate in ((fast, 8000.0), (middle, 5000.0)):
        assert power(other, *band, rate) == pytest.approx(power(slow, *band), rel=1e-3)
    spectrum = np.fft.rfft(fast)[: slow.size // 2 + 1] / 2 - np.fft.rfft(slow)
    frequency = np.fft.rfftfreq(slow.size, 1 / 4000)
    inside = (frequency > 100) & (frequency < 1500)
    assert np.sum(np.abs(spectrum[inside]) ** 2) < 1e-3 * np.sum(np.abs(np.fft.rfft(slow)[inside]) ** 2)


@pytest.mark.parametrize("snr_db", [-10.0, 0.0, 12.0])
def test_snr_is_the_stated_one_at_the_quieter_sensor(network_of: NetworkMaker, snr_db: float) -> None:
    conditions = Conditions(snr_db=snr_db, band_hz=(100.0, 1000.0), duration_s=40.0)
    sensors = [replace(A, noise_level_db=6.0), B]
    network = network_of(LINE, FITTINGS)
    with_leak = simulate_round(network, sensors=sensors, leak=LEAK, conditions=conditions, rng=rng(1))
    without = simulate_round(network, sensors=sensors, leak=None, conditions=conditions, rng=rng(2))
    stated = [r.leak_snr_db for r in with_leak.recordings]
    assert min(stated) == pytest.approx(snr_db)
    for loud, quiet, expected in zip(with_leak.recordings, without.recordings, stated, strict=True):
        ratio = power(loud.samples, 100, 1000) / power(quiet.samples, 100, 1000)
        assert ratio == pytest.approx(1 + 10 ** (expected / 10), rel=0.05)


def test_of_three_sensors_the_second_best_has_the_snr(network_of: NetworkMaker) -> None:
    third = SensorSetup("K3", "C")
    network = network_of([*LINE[:3], (3, 4, 60.0, IRON)], {**FITTINGS, "C": 4})
    recorded = simulate_round(
        network, sensors=[third, A, B], leak=LEAK, conditions=Conditions(snr_db=3.0), rng=rng()
    )
    assert sorted(r.leak_snr_db for r in recorded.recordings)[1] == pytest.approx(3.0)


def test_ambient_noise_has_its_level_and_is_not_shared(network_of: NetworkMaker) -> None:
    conditions = Conditions(band_hz=(50.0, 1500.0), duration_s=40.0)
    sensors = [A, replace(B, noise_level_db=10.0, gain=0.5)]
    recorded = simulate_round(
        network_of(LINE, FITTINGS), sensors=sensors, leak=None, conditions=conditions, rng=rng()
    )
    one, two = (r.samples for r in recorded.recordings)
    assert power(one, 50, 1500) == pytest.approx(AMBIENT_RMS**2, rel=0.05)
    assert power(two, 50, 1500) == pytest.approx(AMBIENT_RMS**2 * 10 / 4, rel=0.05)
    assert abs(np.corrcoef(one, two)[0, 1]) < 0.02
    assert all(r.leak_snr_db == -math.inf for r in recorded.recordings)


def test_hum_stands_at_its_lines(network_of: NetworkMaker) -> None:
    conditions = Conditions(hum_hz=50.0, hum_level_db=10.0, duration_s=10.0)
    recorded = simulate_round(
        network_of(LINE, FITTINGS), sensors=[A, B], leak=None, conditions=conditions, rng=rng()
    )
    for r in recorded.recordings:
        lines = sum(power(r.samples, f - 0.2, f + 0.2) for f in (50, 100, 150, 250, 350, 450))
        assert 10 * np.log10(lines / AMBIENT_RMS**2) == pytest.approx(10.0, abs=0.5)


def test_usage_is_heard_in_its_round_at_its_time(network_of: NetworkMaker) -> None:
    burst = Burst(Place((3, 4, 0), 20.0), at_s=2.0, length_s=0.5, level_db=20.0, round_number=2)
    conditions = Conditions(bursts=(burst,), duration_s=5.0)
    first, second = simulate_survey(
        network_of(LINE, FITTINGS), sensors=[A, B], leak=None, conditions=conditions, rng=rng()
    )
    for i in (0, 1):
        calm, usage = (r.recordings[i].samples.reshape(50, -1).var(axis=1) for r in (first, second))
        assert calm.max() < 4 * np.median(calm)
        loud = np.flatnonzero(usage > 5 * np.median(usage)) / 10
        assert loud.min() == pytest.approx(2.0, abs=0.11)
        assert loud.max() == pytest.approx(2.4, abs=0.11)
    part = slice(8000, 10_200)
    only = [replace(r, samples=r.samples[part]) for r in second.recordings]
    assert delay_s(SimulatedRound(2, tuple(only))) == pytest.approx(-100 / 1250, abs=2e-4)


def test_steady_source_outside_has_its_level(network_of: NetworkMaker) -> None:
    outside = OutsideSource(Place((3, 4, 0), 20.0), level_db=6.0)
    conditions = Conditions(outside=(outside,), duration_s=40.0)
    network = network_of(LINE, FITTINGS)
    recorded = simulate_round(network, sensors=[A, B], leak=None, conditions=conditions, rng=rng())
    ratio = power(recorded.recordings[1].samples, 50, 1500) / AMBIENT_RMS**2
    assert ratio == pytest.approx(1 + 10**0.6, rel=0.08)
    assert delay_s(recorded) == pytest.approx(-100 / 1250, abs=DISPERSION_S)


def test_polarity_and_gain_are_exact(network_of: NetworkMaker) -> None:
    network = network_of(LINE, FITTINGS)
    plain, turned = (
        simulate_round(network, sensors=[s, B], leak=LEAK, conditions=LOUD, rng=rng())
        for s in (A, replace(A, polarity=-1, gain=0.5))
    )
    one, other = plain.recordings[0].samples, turned.recordings[0].samples
    assert np.abs(other + 0.5 * one).max() < 1e-6 * np.abs(one).max()
    assert np.array_equal(plain.recordings[1].samples, turned.recordings[1].samples)


def test_samples_stop_at_full_scale(network_of: NetworkMaker) -> None:
    recorded = simulate_round(
        network_of(LINE, FITTINGS), sensors=[replace(A, gain=1000.0)], leak=None, conditions=LOUD, rng=rng()
    )
    assert recorded.recordings[0].samples.dtype == np.float32
    assert np.abs(recorded.recordings[0].samples).max() == 1.0


def test_same_generator_same_samples(network_of: NetworkMaker) -> None:
    network = network_of(LINE, FITTINGS)
    conditions = replace(LOUD, hum_hz=60.0)
    runs = [
        simulate_survey(network, sensors=[A, B], leak=LEAK, conditions=conditions, rng=rng(seed))
        for seed in (7, 7, 8)
    ]
    for i in (0, 1):
        for k in (0, 1):
            assert np.array_equal(runs[0][i].recordings[k].samples, runs[1][i].recordings[k].samples)
            assert not np.array_equal(runs[0][i].recordings[k].samples, runs[2][i].recordings[k].samples)
    assert not np.array_equal(runs[0][0].recordings[0].samples, runs[0][1].recordings[0].samples)
    assert [r.number for r in runs[0]] == [1, 2]


def test_echo_of_a_dead_end_is_there(network_of: NetworkMaker) -> None:
    # a stub of 25 m behind B: the wave comes back 40 ms later; pressure adds, so the autocorrelation rises
    pipes = [(0, 1, 900.0, IRON), (1, 2, 40.0, IRON), (2, 3, 60.0, IRON), (3, 4, 25.0, IRON)]
    network = network_of(pipes, FITTINGS)
    recorded = simulate_round(network, sensors=[A, B], leak=LEAK, conditions=LOUD, rng=rng())
    spectrum = np.abs(np.fft.rfft(recorded.recordings[1].samples.astype(float))) ** 2
    cepstrum = np.fft.irfft(np.log(np.maximum(spectrum, 1e-12)))
    window = cepstrum[40:400]
    assert (int(np.argmax(window)) + 40) / 4000 == pytest.approx(2 * 25 / 1250, abs=5e-4)


@pytest.mark.parametrize(
    ("sensors", "message"),
    [
        ([], "no sensors"),
        ([replace(A, clock_error_s=5.0)], "true starts -5.000"),
        ([replace(A, start_delay_s=100.0)], "100.000 s after the scheduled"),
    ],
)
def test_sensors_that_cannot_be_simulated(
    network_of: NetworkMaker, sensors: list[SensorSetup], message: str
) -> None:
    with pytest.raises(SimulationError, match=message):
        simulate_round(network_of(LINE, FITTINGS), sensors=sensors, leak=None, conditions=LOUD, rng=rng())


def test_leak_behind_a_closed_valve_is_not_heard(network_of: NetworkMaker) -> None:
    pipes = [*LINE, (3, 5, 0.1, {"is_open": False}), (5, 6, 50.0, IRON)]
    leak = LeakSource(Place((5, 6, 0), 20.0))
    with pytest.raises(SimulationError, match="leak: its sound does not reach"):
        simulate_round(network_of(pipes, FITTINGS), sensors=[A, B], leak=leak, conditions=LOUD, rng=rng())


def test_a_round_is_quick(network_of: NetworkMaker) -> None:
    # the limit is half a second; some 0.03 s was measured when this was written
    network = network_of(LINE, FITTINGS)
    simulate_round(network, sensors=[A, B], leak=LEAK, conditions=Conditions(), rng=rng())
    begin = time.perf_counter()
    simulate_round(network, sensors=[A, B], leak=LEAK, conditions=Conditions(), rng=rng())
    assert time.perf_counter() - begin < 0.5


def test_a_leak_of_a_given_loudness_is_heard_as_the_pipe_lets_it(network_of: NetworkMaker) -> None:
    # an endless pipe: nothing comes back, so the level at the leak itself is the one that was asked for
    network = network_of(
        [(0, 1, 400.0), (1, 2, 1.0), (2, 3, 99.0), (3, 4, 400.0)], {"A": 1, "B": 2, "C": 3}, material="pvc"
    )
    sensors = [SensorSetup(logger=name, fitting=name) for name in "ABC"]
    conditions = Conditions(snr_db=-3.0, band_hz=(20.0, 300.0), duration_s=2.0)

    def heard_db(loudness_db: float | None) -> list[float]:
        leak = LeakSource(place_on_pipe(network, "P0", into_m=399.0), loudness_db=loudness_db)
        rng = np.random.default_rng(1)
        one = simulate_round(network, sensors=sensors, leak=leak, conditions=conditions, rng=rng)
        return [item.leak_snr_db for item in one.recordings]

    quiet, loud, by_snr = heard_db(5.0), heard_db(25.0), heard_db(None)
    assert quiet[0] == pytest.approx(5.0, abs=0.6), "a metre away it has lost next to nothing"
    assert quiet[0] > quiet[1] > quiet[2]
    assert np.subtract(loud, quiet) == pytest.approx(20.0, abs=1e-6)
    assert by_snr[1] == pytest.approx(-3.0, abs=1e-6), "without a loudness the second loudest sensor counts"
    assert np.diff(by_snr) == pytest.approx(np.diff(quiet), abs=1e-6), "the pipes are the same"


def test_a_leak_too_far_away_is_only_faint_when_its_loudness_is_given(network_of: NetworkMaker) -> None:
    network = network_of([(0, 1, 100.0), (2, 3, 100.0)], {"A": 1, "B": 2})
    sensors = [SensorSetup(logger=name, fitting=name) for name in "AB"]
    place = place_on_pipe(network, "P0", into_m=50.0)
    rng = np.random.default_rng(1)
    conditions = Conditions(duration_s=2.0)
    one = simulate_round(
        network, sensors=sensors, leak=LeakSource(place, loudness_db=10.0), conditions=conditions, rng=rng
    )
    assert one.recordings[0].leak_snr_db > 0.0
    assert one.recordings[1].leak_snr_db < -200.0, "no pipe leads there"


def test_a_loudness_that_is_none_is_refused() -> None:
    with pytest.raises(SimulationError, match="loudness"):
        LeakSource(Place((0, 1, 0), 1.0), loudness_db=math.nan)
