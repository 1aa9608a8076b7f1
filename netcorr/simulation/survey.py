"""Simulated rounds of recordings: sources through the pipes, ambient noise, hum, mounting and clock."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from scipy import signal

from netcorr.errors import SimulationError
from netcorr.simulation.acoustics import ResponseGrid, transfer_functions
from netcorr.simulation.noise import (
    LOW_CORNER_HZ,
    ambient_amplitude,
    band_power,
    hum,
    mounting_response,
    random_spectrum,
    source_amplitude,
)
from netcorr.simulation.pipe_lines import LocalPipes, local_pipes
from netcorr.simulation.setup import (
    Burst,
    Conditions,
    LeakSource,
    OutsideSource,
    SensorSetup,
    TrueSpeeds,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.simulation.noise import Complex, Real
    from netcorr.speed.soil import Soil

_Source: TypeAlias = LeakSource | OutsideSource | Burst

#: Samples, of which 1 is full scale, for ambient noise of power 1 at a gain of 1: -50 dB of full scale.
AMBIENT_RMS = 10 ** (-50 / 20)
#: Time before the scheduled start that is simulated too, for early clocks. [s]
_MARGIN_S = 1.0


@dataclass(frozen=True, eq=False)
class SimulatedRecording:
    """What one logger stored.

    Attributes
    ----------
    sensor : SensorSetup
        The logger and its fitting.
    samples : numpy.ndarray
        Shape (n,), float32, 1 = full scale.
    start : datetime
        Start by the logger's own clock.
    leak_snr_db : float
        Power of the leak noise over the ambient noise at this sensor; minus infinity without a leak. [dB]
    """

    sensor: SensorSetup
    samples: NDArray[np.float32]
    start: datetime
    leak_snr_db: float


@dataclass(frozen=True, eq=False)
class SimulatedRound:
    """One round of recordings.

    Attributes
    ----------
    number : int
        1 for the first.
    recordings : tuple of SimulatedRecording
        In the order of the sensors.
    """

    number: int
    recordings: tuple[SimulatedRecording, ...]


def simulate_round(
    network: PipeNetwork,
    *,
    sensors: Sequence[SensorSetup],
    leak: LeakSource | None,
    conditions: Conditions,
    rng: np.random.Generator,
    speeds: TrueSpeeds | None = None,
    soil: Soil | None = None,
    round_number: int = 1,
) -> SimulatedRound:
    """Record one round with sensors on a network.

    Parameters
    ----------
    network : PipeNetwork
        The true network; pipes within reach need material and diameter.
    sensors : sequence of SensorSetup
        One or more.
    leak : LeakSource or None
        The leak, if there is one.
    conditions : Conditions
        Noise, hum, usage, time.
    rng : numpy.random.Generator
        Everything random comes from it.
    speeds : TrueSpeeds, optional
        How the true wave speeds differ from those of material and size.
    soil : Soil, optional
        Around all pipes; none for pipes in air.
    round_number : int, default 1
        Which round.

    Returns
    -------
    SimulatedRound
        Samples and times.

    Raises
    ------
    SimulationError
        If there is no sensor, a place is on no open pipe, or the sensors cannot hear the leak.
    SpeedError
        If a pipe within reach lacks material or diameter.
    """
    rounds = simulate_survey(
        network,
        sensors=sensors,
        leak=leak,
        conditions=conditions,
        rng=rng,
        speeds=speeds,
        soil=soil,
        rounds=(round_number,),
    )
    return rounds[0]


def simulate_survey(
    network: PipeNetwork,
    *,
    sensors: Sequence[SensorSetup],
    leak: LeakSource | None,
    conditions: Conditions,
    rng: np.random.Generator,
    speeds: TrueSpeeds | None = None,
    soil: Soil | None = None,
    rounds: Sequence[int] = (1, 2),
) -> tuple[SimulatedRound, ...]:
    """Record several rounds with the same sensors; the pipes are solved once.

    Parameters
    ----------
    network, sensors, leak, conditions, rng, speeds, soil
        As for `simulate_round`.
    rounds : sequence of int, default (1, 2)
        Numbers of the rounds.

    Returns
    -------
    tuple of SimulatedRound
        In the order of `rounds`.

    Raises
    ------
    SimulationError, SpeedError
        As `simulate_round`.
    """
    if not sensors:
        raise SimulationError("survey", found="no sensors", remedy="give at least one")
    stage = _Stage.of(sensors, conditions)
    sources: list[_Source] = [*conditions.outside, *conditions.bursts]
    if leak is not None:
        sources.insert(0, leak)
    scene = _Scene.of(network, tuple(sensors), tuple(sources), stage, speeds=speeds, soil=soil)
    return tuple(scene.round(number, rng) for number in rounds)


@dataclass(frozen=True)
class _Stage:
    """The stretch of true time that is simulated; it repeats, so that nothing has a beginning."""

    conditions: Conditions
    sample_rate_hz: float
    period_s: int

    @classmethod
    def of(cls, sensors: Sequence[SensorSetup], conditions: Conditions) -> _Stage:
        latest_s = max(sensor.start_delay_s - sensor.clock_error_s for sensor in sensors)
        earliest_s = min(sensor.start_delay_s - sensor.clock_error_s for sensor in sensors)
        if earliest_s < -_MARGIN_S or latest_s > 60:
            raise SimulationError(
                "sensors",
                found=f"true starts {earliest_s:.3f} to {latest_s:.3f} s after the scheduled one",
                remedy=f"keep start_delay_s less clock_error_s between -{_MARGIN_S:g} and 60 s",
            )
        period_s = math.ceil(_MARGIN_S + max(latest_s, 0.0) + conditions.duration_s + 2.0)
        return cls(conditions, max(sensor.sample_rate_hz for sensor in sensors), period_s)

    @property
    def grid(self) -> ResponseGrid:
        return ResponseGrid(self.sample_rate_hz)

    @property
    def size(self) -> int:
        return round(self.period_s * self.sample_rate_hz)

    @property
    def frequency_hz(self) -> Real:
        return np.asarray(np.fft.rfftfreq(self.size, 1 / self.sample_rate_hz), dtype=np.float64)

    @property
    def ambient(self) -> Real:
        c = self.conditions
        return ambient_amplitude(self.frequency_hz, c.noise_colour, band_hz=c.band_hz)


@dataclass(frozen=True, eq=False)
class _Scene:
    """Sensors and sources with the response from each source to each sensor.

    `responses`, shape (sensors, sources, f), bring every source to its level over an ambient power of 1;
    `leak_snr_db`, shape (sensors,), is what the leak comes to.
    """

    sensors: tuple[SensorSetup, ...]
    sources: tuple[_Source, ...]
    stage: _Stage
    responses: Complex
    leak_snr_db: Real

    @classmethod
    def of(
        cls,
        network: PipeNetwork,
        sensors: tuple[SensorSetup, ...],
        sources: tuple[_Source, ...],
        stage: _Stage,
        *,
        speeds: TrueSpeeds | None,
        soil: Soil | None,
    ) -> _Scene:
        silent = np.full(len(sensors), -np.inf)
        if not sources:
            none = np.zeros((len(sensors), 0, stage.frequency_hz.size), dtype=np.complex128)
            return cls(sensors, sources, stage, none, silent)
        local = local_pipes(
            network,
            sensors=sensors,
            places=[source.place for source in sources],
            grid=stage.grid,
            speeds=speeds or TrueSpeeds(),
            soil=soil,
        )
        *at_sensors, at_leak = _pipe_responses(local, sources, stage)
        responses = np.array(at_sensors)
        ambient_db = np.array([sensor.noise_level_db for sensor in sensors])
        power = band_power(np.abs(responses) ** 2, stage.frequency_hz, stage.conditions.band_hz)
        ratio = power / 10 ** (ambient_db[:, None] / 10)
        own = band_power(np.abs(at_leak[0]) ** 2, stage.frequency_hz, stage.conditions.band_hz)
        factors = [
            _level(source, ratio[:, i], stage.conditions, at_place=float(own))
            for i, source in enumerate(sources)
        ]
        responses *= np.array(factors)[:, None]
        if isinstance(sources[0], LeakSource):
            silent = 10 * np.log10(np.maximum(factors[0] ** 2 * ratio[:, 0], 1e-30))
        return cls(sensors, sources, stage, responses, silent)

    def round(self, number: int, rng: np.random.Generator) -> SimulatedRound:
        stage = self.stage
        drives = [_drive(source, number, stage, rng) for source in self.sources]
        recordings = []
        for i, sensor in enumerate(self.sensors):
            heard = random_spectrum(rng, stage.size, sample_rate_hz=stage.sample_rate_hz)
            heard *= stage.ambient * 10 ** (sensor.noise_level_db / 20)
            for drive, response in zip(drives, self.responses[i], strict=True):
                heard += drive * response
            heard *= mounting_response(stage.frequency_hz, sensor)
            samples = _record(heard, sensor, stage, rng)
            start = stage.conditions.start_of(number) + timedelta(seconds=sensor.start_delay_s)
            recordings.append(SimulatedRecording(sensor, samples, start, float(self.leak_snr_db[i])))
        return SimulatedRound(number, tuple(recordings))


def _pipe_responses(local: LocalPipes, sources: Sequence[_Source], stage: _Stage) -> Complex:
    """Pressure for a source of its spectrum, at the frequencies of the stage.

    Shape (sensors + 1, sources, f): at the sensors, and last at the place of the first source itself.
    """
    grid = stage.grid
    transfer = transfer_functions(
        local.lines,
        sources=local.source_nodes,
        receivers=(*local.sensor_nodes, local.source_nodes[0]),
        terminations=local.terminations,
    )
    fine = np.fft.rfft(grid.to_time(transfer, high_pass_hz=LOW_CORNER_HZ), n=stage.size)
    shapes = np.array([source_amplitude(stage.frequency_hz, source.spectrum) for source in sources])
    return np.asarray(fine * shapes * np.exp(2j * np.pi * stage.frequency_hz * grid.lead_in_s))


def _level(source: _Source, power_ratio: Real, conditions: Conditions, *, at_place: float) -> float:
    """Factor that brings a source to its stated level over the ambient noise."""
    is_leak = isinstance(source, LeakSource)
    if isinstance(source, LeakSource) and source.loudness_db is not None:
        return float(np.sqrt(10 ** (source.loudness_db / 10) / at_place))
    heard = np.sort(power_ratio)[::-1]
    reference = float(heard[min(1, heard.size - 1)] if is_leak else heard[0])
    if not reference > 1e-9 * float(heard[0]) or not math.isfinite(reference):
        raise SimulationError(
            "leak" if is_leak else "source of noise",
            found="its sound does not reach the sensors it should",
            remedy="put it on open pipes connected to two sensors, and not too far away",
        )
    level_db = conditions.snr_db if isinstance(source, LeakSource) else source.level_db
    return float(np.sqrt(10 ** (level_db / 10) / reference))


def _drive(source: _Source, number: int, stage: _Stage, rng: np.random.Generator) -> Complex:
    """Spectrum of the white noise that drives a source in one round."""
    white = random_spectrum(rng, stage.size, sample_rate_hz=stage.sample_rate_hz)
    if not isinstance(source, Burst):
        return white
    if source.round_number != number:
        return np.zeros_like(white)
    since_s = (np.arange(stage.size) / stage.sample_rate_hz - _MARGIN_S - source.at_s) % stage.period_s
    edge_s = min(0.02, source.length_s / 4)
    rise = np.clip(since_s / edge_s, 0, 1) * np.clip((source.length_s - since_s) / edge_s, 0, 1)
    return np.asarray(np.fft.rfft(np.fft.irfft(white, n=stage.size) * rise))


def _record(
    spectrum: Complex, sensor: SensorSetup, stage: _Stage, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Sample what reaches a sensor at its own moments; a shift by any time is exact."""
    c = stage.conditions
    begin_s = _MARGIN_S + sensor.start_delay_s - sensor.clock_error_s
    size = round(stage.period_s * sensor.sample_rate_hz)
    bins = size // 2 + 1
    frequency_hz = stage.frequency_hz[:bins]
    share = np.clip((2 * frequency_hz / sensor.sample_rate_hz - 0.9) / 0.1, 0, 1)
    shifted = spectrum[:bins] * np.cos(np.pi / 2 * share) ** 2 * np.exp(2j * np.pi * frequency_hz * begin_s)
    count = round(c.duration_s * sensor.sample_rate_hz)
    # a fast clock takes its samples closer together
    step = 1 / (1 + 1e-6 * sensor.clock_drift_ppm)
    samples = _at_steps(shifted, size, count=count, step=step) * (
        sensor.sample_rate_hz / stage.sample_rate_hz
    )
    if c.hum_hz is not None:
        time_s = begin_s + np.arange(count, dtype=np.float64) * (step / sensor.sample_rate_hz)
        samples = samples + 10 ** (c.hum_level_db / 20) * hum(rng, time_s, hum_hz=c.hum_hz)
    scaled = samples * AMBIENT_RMS * sensor.gain * sensor.polarity
    return np.asarray(np.clip(scaled, -1, 1), dtype=np.float32)


def _at_steps(spectrum: Complex, size: int, *, count: int, step: float) -> Real:
    """Values of a periodic signal of `size` samples at multiples of `step` samples, shape (count,).

    The sum of its waves is evaluated there exactly, by the chirp transform.
    """
    if step == 1.0:
        return np.asarray(np.fft.irfft(spectrum, n=size)[:count], dtype=np.float64)
    one_sided = np.where(np.arange(spectrum.size) > 0, 2.0, 1.0) * spectrum
    waves = signal.czt(one_sided, m=count, w=np.exp(2j * np.pi * step / size))
    return np.asarray(waves.real, dtype=np.float64) / size
