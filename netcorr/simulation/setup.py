"""What is simulated: sensors, leak, other sources, conditions, true speeds. Plain values, no physics."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Literal

from netcorr.errors import SimulationError

if TYPE_CHECKING:
    from netcorr.network.pipe_network import PipeNetwork

#: Colours of the ambient noise: power flat over frequency, or falling with 3 or 6 dB an octave.
NoiseColour = Literal["white", "pink", "red"]


@dataclass(frozen=True)
class Place:
    """A point on a pipe of a network.

    Attributes
    ----------
    edge : (int, int, int)
        Edge of `PipeNetwork.graph` as (u, v, key).
    offset_m : float
        Distance along the pipe from the edge's `from_node`. [m]
    """

    edge: tuple[int, int, int]
    offset_m: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.offset_m) and self.offset_m >= 0):
            raise SimulationError(
                f"place on edge {self.edge}",
                found=f"offset {self.offset_m} m",
                remedy="give 0 or a positive distance from the start of the pipe",
            )


def place_on_pipe(network: PipeNetwork, pipe_id: str, *, into_m: float) -> Place:
    """Find the point a distance into a main, which may have been cut into several pieces.

    Parameters
    ----------
    network : PipeNetwork
        The network.
    pipe_id : str
        Asset id of the main.
    into_m : float
        Distance along the main from its first drawn point. [m]

    Returns
    -------
    Place
        On one of its pieces.

    Raises
    ------
    SimulationError
        If there is no such main, or it is shorter.
    """
    pieces = {
        data["from_node"]: ((u, v, key), data)
        for u, v, key, data in network.graph.edges(keys=True, data=True)
        if data["pipe_id"] == pipe_id
    }
    if not pieces:
        raise SimulationError(
            f"{network.source}, pipe {pipe_id}",
            found="no main has this id",
            remedy="check the id against the mains layer",
        )
    ends = {data["to_node"] for _, data in pieces.values()}
    over = {there for end in ends for there in _across_valve(network, end)}
    node = next((start for start in pieces if start not in over), next(iter(pieces)))
    left_m = into_m
    while node in pieces:
        edge, data = pieces.pop(node)
        if 0 <= left_m <= data["length_m"]:
            return Place(edge, left_m)
        left_m -= data["length_m"]
        node = next((there for there in _across_valve(network, data["to_node"]) if there in pieces), -1)
    raise SimulationError(
        f"{network.source}, pipe {pipe_id}",
        found=f"no point {into_m} m from its start; it is {into_m - left_m:.1f} m long",
        remedy="give a distance within the main",
    )


def _across_valve(network: PipeNetwork, node: int) -> list[int]:
    """A node, and those on the other sides of a closed valve that sits on it."""
    found = [node]
    for here in found:
        for _, other, data in network.graph.edges(here, data=True):
            if not data["is_open"] and data["drawn_length_m"] == 0 and other not in found:
                found.append(other)
    return found


@dataclass(frozen=True)
class Spectrum:
    """Shape of the power of a source over frequency: a band with soft edges and a slope inside it.

    Attributes
    ----------
    low_hz, high_hz : float
        Where the power has fallen by half at either edge. [Hz]
    slope_db_octave : float
        Change of the power with frequency; 0 is flat, negative falls. [dB/octave]
    """

    low_hz: float = 20.0
    high_hz: float = 1800.0
    slope_db_octave: float = 0.0

    def __post_init__(self) -> None:
        if not (0 < self.low_hz < self.high_hz):
            raise SimulationError(
                "spectrum of a source",
                found=f"band {self.low_hz} to {self.high_hz} Hz",
                remedy="give 0 < low < high",
            )


#: Leak noise as the water jet makes it: broadband, falling slowly. Shape by judgement, not from data.
LEAK_SPECTRUM = Spectrum(low_hz=30.0, high_hz=1500.0, slope_db_octave=-3.0)


@dataclass(frozen=True)
class LeakSource:
    """A steady source of noise on a pipe: a leak, or something else that runs all the time.

    Attributes
    ----------
    place : Place
        Where.
    spectrum : Spectrum
        Power of its volume velocity.
    loudness_db : float or None
        Its power at the very place over the usual ambient power, in `Conditions.band_hz`: what reaches the
        sensors is then up to the pipes. None: as loud as `Conditions.snr_db` says. [dB]
    """

    place: Place
    spectrum: Spectrum = LEAK_SPECTRUM
    loudness_db: float | None = None

    def __post_init__(self) -> None:
        if self.loudness_db is not None and not math.isfinite(self.loudness_db):
            raise SimulationError(
                "leak", found=f"a loudness of {self.loudness_db} dB", remedy="give a finite number"
            )


@dataclass(frozen=True)
class OutsideSource:
    """Another steady source on the network, such as a regulator or a consumer that never stops.

    Attributes
    ----------
    place : Place
        Where.
    level_db : float
        Its power over the ambient power at the sensor that hears it best, in `Conditions.band_hz`. [dB]
    spectrum : Spectrum
        Power of its volume velocity.
    """

    place: Place
    level_db: float
    spectrum: Spectrum = LEAK_SPECTRUM


@dataclass(frozen=True)
class Burst:
    """A short loud source on the network in one round: a tap, a cistern.

    Attributes
    ----------
    place : Place
        Where.
    at_s : float
        Begin after the scheduled start. [s]
    length_s : float
        Length. [s]
    level_db : float
        Its power while it lasts over the ambient power at the sensor that hears it best. [dB]
    round_number : int
        Round in which it happens.
    spectrum : Spectrum
        Power of its volume velocity.
    """

    place: Place
    at_s: float
    length_s: float
    level_db: float
    round_number: int = 1
    spectrum: Spectrum = field(default_factory=Spectrum)

    def __post_init__(self) -> None:
        if not (self.length_s > 0 and math.isfinite(self.at_s)):
            raise SimulationError(
                "burst of usage",
                found=f"{self.length_s} s long at {self.at_s} s",
                remedy="give a positive length",
            )


@dataclass(frozen=True)
class SensorSetup:
    """A logger on a fitting.

    Attributes
    ----------
    logger : str
        Name of the logger.
    fitting : str
        Asset id of the fitting.
    lead_m : float
        Pipe between the main and the point of contact at its far end. [m]
    lead_diameter_mm : float
        Its bore; the material is that of the main. [mm]
    lead_reflection : float
        Share of the pressure that its end throws back, 0 to 1. A rigid end would throw back all and make the
        lead ring like an organ pipe; seat, bend and air of a real hydrant take some (assumption, no data).
    gain : float
        Of the whole chain, 1 for the usual one.
    resonance_hz : float or None
        Resonance of the mounting. [Hz]
    resonance_q : float
        Its quality factor.
    polarity : {1, -1}
        Sign of the samples.
    clock_error_s : float
        Logger's clock minus true time, at the first sample. [s]
    clock_drift_ppm : float
        By how many millionths its clock runs fast, counted from the first sample: it takes its samples so
        much closer together than it says. [1e-6]
    noise_level_db : float
        Ambient noise at this sensor over the usual one. [dB]
    sample_rate_hz : float
        Whole hertz. [Hz]
    start_delay_s : float
        How much later than scheduled it starts, and says so. [s]
    """

    logger: str
    fitting: str
    lead_m: float = 0.0
    lead_diameter_mm: float = 80.0
    lead_reflection: float = 0.6
    gain: float = 1.0
    resonance_hz: float | None = None
    resonance_q: float = 4.0
    polarity: int = 1
    clock_error_s: float = 0.0
    clock_drift_ppm: float = 0.0
    noise_level_db: float = 0.0
    sample_rate_hz: float = 4000.0
    start_delay_s: float = 0.0

    def __post_init__(self) -> None:
        wrong = [
            text
            for text, bad in (
                (f"lead_m {self.lead_m}", not self.lead_m >= 0),
                (f"lead_diameter_mm {self.lead_diameter_mm}", not self.lead_diameter_mm > 0),
                (f"lead_reflection {self.lead_reflection}", not 0 <= self.lead_reflection <= 1),
                (f"gain {self.gain}", not self.gain > 0),
                (
                    f"resonance_hz {self.resonance_hz}",
                    self.resonance_hz is not None and not self.resonance_hz > 0,
                ),
                (f"resonance_q {self.resonance_q}", not self.resonance_q > 0),
                (f"polarity {self.polarity}", self.polarity not in (1, -1)),
                (f"clock_drift_ppm {self.clock_drift_ppm}", not abs(self.clock_drift_ppm) <= 1000),
                (f"sample_rate_hz {self.sample_rate_hz}", not self._whole_rate()),
                (f"start_delay_s {self.start_delay_s}", not self.start_delay_s >= 0),
            )
            if bad
        ]
        if wrong:
            raise SimulationError(
                f"sensor {self.logger}",
                found=", ".join(wrong),
                remedy="lengths and delays are 0 or more, gain, bore and Q positive, polarity 1 or -1, "
                "the reflection 0 to 1, a drift 1000 millionths at most, the sample rate whole hertz",
            )

    def _whole_rate(self) -> bool:
        return self.sample_rate_hz >= 100 and float(self.sample_rate_hz).is_integer()


@dataclass(frozen=True)
class Conditions:
    """What the night is like, the same for all sensors.

    Attributes
    ----------
    snr_db : float
        Power of the leak noise over the ambient noise in `band_hz`, at the sensor with the second
        highest such ratio: the quieter one of two. Not used for a leak with a loudness of its own. [dB]
    band_hz : (float, float)
        Band in which levels are stated. [Hz]
    noise_colour : {'white', 'pink', 'red'}
        Power of the ambient noise over frequency.
    hum_hz : float or None
        Frequency of the mains, when they hum. [Hz]
    hum_level_db : float
        Power of the hum over the ambient power in `band_hz`. [dB]
    bursts : tuple of Burst
        Usage.
    outside : tuple of OutsideSource
        Steady sources beside the leak.
    duration_s : float
        Length of a recording. [s]
    start : datetime
        Scheduled start of the first round, with a time zone.
    interval_s : float
        From round to round. [s]
    """

    snr_db: float = 0.0
    band_hz: tuple[float, float] = (50.0, 1500.0)
    noise_colour: NoiseColour = "pink"
    hum_hz: float | None = None
    hum_level_db: float = 0.0
    bursts: tuple[Burst, ...] = ()
    outside: tuple[OutsideSource, ...] = ()
    duration_s: float = 10.0
    start: datetime = datetime(2026, 3, 1, 2, 0, tzinfo=UTC)
    interval_s: float = 1800.0

    def __post_init__(self) -> None:
        if not 0 < self.band_hz[0] < self.band_hz[1]:
            raise SimulationError("conditions", found=f"band {self.band_hz} Hz", remedy="give 0 < low < high")
        if not self.duration_s > 0:
            raise SimulationError(
                "conditions", found=f"recordings of {self.duration_s} s", remedy="give a positive length"
            )
        if self.start.tzinfo is None:
            raise SimulationError(
                "conditions", found="a start without a time zone", remedy="give the start in UTC"
            )

    def start_of(self, round_number: int) -> datetime:
        """Scheduled start of a round."""
        return self.start + timedelta(seconds=self.interval_s * (round_number - 1))


@dataclass(frozen=True)
class TrueSpeeds:
    """How far the true wave speeds are from what material and size say.

    Attributes
    ----------
    by_material : mapping of str to float
        Factor for all pipes of a material; 1 where none is given.
    by_pipe : mapping of str to float
        Further factor for one main, by its asset id.
    """

    by_material: Mapping[str, float] = field(default_factory=dict)
    by_pipe: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name, factor in (*self.by_material.items(), *self.by_pipe.items()):
            if not 0.3 < factor < 3:
                raise SimulationError(
                    f"true speed of {name}", found=f"factor {factor}", remedy="give a factor near 1"
                )

    def factor(self, *, material: str | None, pipe_id: str) -> float:
        """Factor of one pipe."""
        return self.by_material.get(material or "", 1.0) * self.by_pipe.get(pipe_id, 1.0)
