"""One night as it may really be: speeds, lengths, mountings and noise that the locator is not told."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from netcorr.errors import PlanError
from netcorr.rehearsal.places import LeakPlace, distances_m, mains_within
from netcorr.simulation import (
    Burst,
    Conditions,
    LeakSource,
    Place,
    SensorSetup,
    TrueSpeeds,
    simulate_survey,
)
from netcorr.speed import pipe_wave_speed

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import networkx as nx

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.rehearsal.sites import PlannedSite
    from netcorr.simulation import SimulatedRound
    from netcorr.simulation.setup import NoiseColour

#: Pipes farther than this from all loggers and the leak are left out of the simulation. [m]
SIMULATED_M = 320.0
#: Bands in which leaks of these pipes are loud, and in which levels are stated (judgement). [Hz]
PLASTIC = frozenset({"pvc", "pvc_o", "pe", "pe80", "pe100", "grp"})
CEMENT = frozenset({"asbestos_cement", "concrete"})
_BANDS_HZ = {"plastic": (20.0, 300.0), "cement": (20.0, 600.0), "metal": (50.0, 1500.0)}
#: Errors of the map: share of every length, place of a fitting along its main [m], a stated lead [m].
LENGTH_SD_SHARE = 0.003
FITTING_SD_M = 0.2
LEAD_SD_M = 0.15
#: Share of nights with mains hum and with usage, of loggers wired the other way round (judgement).
HUM_SHARE = 0.5
USAGE_SHARE = 0.35
REVERSED_SHARE = 0.1


@dataclass(frozen=True)
class NightSettings:
    """What the nights of a rehearsal are like.

    Attributes
    ----------
    loudness_db : float
        Leak noise at the leak itself over the usual ambient noise. [dB]
    noise_spread_db : float
        Standard deviation of the ambient noise between sites. [dB]
    clock_sd_s : float
        Standard deviation of the loggers' clocks, which the table of deployments states. [s]
    rounds : int
        Rounds of recordings.
    duration_s : float
        Length of a recording. [s]
    sample_rate_hz : float
        Of all loggers. [Hz]

    Raises
    ------
    PlanError
        If a value makes no sense.
    """

    loudness_db: float = 10.0
    noise_spread_db: float = 4.0
    clock_sd_s: float = 2e-4
    rounds: int = 2
    duration_s: float = 10.0
    sample_rate_hz: float = 4000.0

    def __post_init__(self) -> None:
        faults = [
            text
            for text, bad in (
                (f"a loudness of {self.loudness_db} dB", not math.isfinite(self.loudness_db)),
                (f"a spread of the noise of {self.noise_spread_db} dB", not self.noise_spread_db >= 0),
                (f"clocks of {self.clock_sd_s} s", not 0 <= self.clock_sd_s < 0.5),
                (f"{self.rounds} rounds", self.rounds < 1),
                (f"recordings of {self.duration_s} s", not self.duration_s >= 2),
            )
            if bad
        ]
        if faults:
            raise PlanError(
                "night to rehearse",
                found=", ".join(faults),
                remedy="give at least one round of 2 s, and spreads of 0 or more",
            )


def simulate_night(
    network: PipeNetwork,
    sites: Sequence[PlannedSite],
    leak: LeakPlace | None,
    *,
    settings: NightSettings,
    rng: np.random.Generator,
) -> tuple[SimulatedRound, ...]:
    """Record one night at the sites.

    Parameters
    ----------
    network : PipeNetwork
        The map, as the locator has it.
    sites : sequence of PlannedSite
        Two or more that record at the same time.
    leak : LeakPlace or None
        The leak, if there is one.
    settings : NightSettings
        Loudness, clocks, rounds.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    tuple of SimulatedRound
        As the loggers stored them; the leads are those of the plan.

    Raises
    ------
    SimulationError, SpeedError
        If nothing can be simulated there.

    Notes
    -----
    True speeds are drawn with the spreads that the speed of each pipe states. Lengths, places of the fittings
    and leads differ from the map by `LENGTH_SD_SHARE`, `FITTING_SD_M` and `LEAD_SD_M`. A pipe without
    material or diameter is really like most of those around it.
    """
    truth = _true_network(network, sites, leak, rng=rng)
    sensors = [_sensor(site, settings=settings, rng=rng) for site in sites]
    rounds = simulate_survey(
        truth,
        sensors=sensors,
        leak=None if leak is None else _source(truth, network, leak, settings.loudness_db),
        conditions=_conditions(truth, sites, leak, settings=settings, rng=rng),
        rng=rng,
        speeds=true_speeds(truth, rng=rng),
        rounds=range(1, settings.rounds + 1),
    )
    planned = {site.logger: site.lead_m for site in sites}
    return tuple(
        replace(
            one,
            recordings=tuple(
                replace(item, sensor=replace(item.sensor, lead_m=planned[item.sensor.logger]))
                for item in one.recordings
            ),
        )
        for one in rounds
    )


def true_speeds(network: PipeNetwork, *, rng: np.random.Generator) -> TrueSpeeds:
    """Draw factors on the speeds from the tables, with the spreads that these state."""
    by_material: dict[str, float] = {}
    by_pipe: dict[str, float] = {}
    for _, _, data in network.graph.edges(data=True):
        if not data["is_open"]:
            continue
        speed = pipe_wave_speed(
            data["material"],
            data["diameter_mm"],
            wall_mm=_known(data["wall_mm"]),
            year=_known(data["year"]),
            wave_speed_m_s=_known(data["wave_speed_m_s"]),
            item=f"{network.source}, pipe {data['pipe_id']}",
        )
        for factors, name, sd_m_s in (
            (by_material, data["material"], speed.common_sd_m_s),
            (by_pipe, data["pipe_id"], speed.pipe_sd_m_s),
        ):
            factor = float(np.exp(rng.normal(0, sd_m_s / speed.speed_m_s)))
            factors.setdefault(str(name), float(np.clip(factor, 0.5, 2.0)))
    return TrueSpeeds(by_material=by_material, by_pipe=by_pipe)


def _true_network(
    network: PipeNetwork, sites: Sequence[PlannedSite], leak: LeakPlace | None, *, rng: np.random.Generator
) -> PipeNetwork:
    """The pipes around the sites and the leak as they really are."""
    stand = {network.node_of(site.fitting) for site in sites}
    middle = {*stand, *(leak.place.edge[:2] if leak else ())}
    near = distances_m(network, dict.fromkeys(middle, 0.0), cutoff_m=SIMULATED_M)
    # edges that leave the circle stay, with their far nodes: the solver goes on beyond them without an end
    kept = [edge for edge in network.graph.edges(near, keys=True) if network.edge(*edge)["is_open"]]
    graph = network.graph.edge_subgraph(kept).copy()
    graph.add_nodes_from(stand)
    material, diameter_mm = _typical(graph.edges(data=True))
    for _, _, data in graph.edges(data=True):
        data["length_m"] *= float(np.exp(rng.normal(0, LENGTH_SD_SHARE)))
        data["material"] = data["material"] or material
        if not math.isfinite(data["diameter_mm"]):
            data["diameter_mm"] = diameter_mm
    for node in sorted(stand):
        _shift_along(graph, node, float(rng.normal(0, FITTING_SD_M)))
    return replace(network, graph=graph)


def _typical(edges: Iterable[tuple[int, int, dict[str, Any]]]) -> tuple[str, float]:
    """Material and diameter of most metres, to stand for what the map does not say."""
    metres: dict[tuple[str, float], float] = {}
    for _, _, data in edges:
        if data["material"] is not None and math.isfinite(data["diameter_mm"]):
            kind = (str(data["material"]), float(data["diameter_mm"]))
            metres[kind] = metres.get(kind, 0.0) + float(data["length_m"])
    return max(metres, key=lambda kind: metres[kind], default=("ductile_iron", 150.0))


def _shift_along(graph: nx.MultiGraph, node: int, by_m: float) -> None:
    """Move a fitting along its main: one of two pipes longer, the other shorter."""
    around = sorted(
        (data for _, _, data in graph.edges(node, data=True)),
        key=lambda data: -float(data["length_m"]),
    )[:2]
    if len(around) == 2 and min(float(data["length_m"]) for data in around) > 2 * abs(by_m) + 0.5:
        around[0]["length_m"] += by_m
        around[1]["length_m"] -= by_m


def _source(truth: PipeNetwork, network: PipeNetwork, leak: LeakPlace, loudness_db: float) -> LeakSource:
    """The leak on the true pipe, at the same share of its length as on the map."""
    share = leak.place.offset_m / float(network.edge(*leak.place.edge)["length_m"])
    place = Place(leak.place.edge, share * float(truth.edge(*leak.place.edge)["length_m"]))
    return LeakSource(place, loudness_db=loudness_db)


def _sensor(site: PlannedSite, *, settings: NightSettings, rng: np.random.Generator) -> SensorSetup:
    lead_m = max(site.lead_m + float(rng.normal(0, LEAD_SD_M)), 0.1) if site.lead_m else 0.0
    return SensorSetup(
        logger=site.logger,
        fitting=site.fitting,
        lead_m=lead_m,
        gain=float(10 ** (rng.normal(0, 3) / 20)),
        resonance_hz=float(rng.uniform(900, 3000)),
        resonance_q=float(rng.uniform(2, 6)),
        polarity=-1 if rng.random() < REVERSED_SHARE else 1,
        clock_error_s=float(rng.normal(0, settings.clock_sd_s)),
        noise_level_db=float(rng.normal(0, settings.noise_spread_db)),
        sample_rate_hz=settings.sample_rate_hz,
    )


def _conditions(
    truth: PipeNetwork,
    sites: Sequence[PlannedSite],
    leak: LeakPlace | None,
    *,
    settings: NightSettings,
    rng: np.random.Generator,
) -> Conditions:
    hum_hz = float(rng.choice([50.0, 60.0])) if rng.random() < HUM_SHARE else None
    hum_level_db = float(rng.uniform(-5, 15))
    taps = int(rng.integers(1, 4)) if rng.random() < USAGE_SHARE else 0
    colours: list[NoiseColour] = ["white", "pink", "red"]
    return Conditions(
        band_hz=_BANDS_HZ[family(leak.material if leak else None)],
        noise_colour=colours[int(rng.integers(3))],
        hum_hz=hum_hz,
        hum_level_db=hum_level_db,
        bursts=tuple(_tap(truth, sites, settings=settings, rng=rng) for _ in range(taps)),
        duration_s=settings.duration_s,
    )


def family(material: str | None) -> str:
    """Kind of pipe: 'plastic', 'cement' or 'metal'."""
    if material in PLASTIC:
        return "plastic"
    return "cement" if material in CEMENT else "metal"


def _tap(
    truth: PipeNetwork, sites: Sequence[PlannedSite], *, settings: NightSettings, rng: np.random.Generator
) -> Burst:
    """Somebody uses water within 150 m of a logger."""
    parts = mains_within(truth, {truth.node_of(site.fitting) for site in sites}, within_m=150.0)
    lengths = np.array([high_m - low_m for _, low_m, high_m in parts])
    edge, low_m, high_m = parts[int(rng.choice(len(parts), p=lengths / lengths.sum()))]
    length_s = float(rng.uniform(0.3, min(3.0, settings.duration_s / 2)))
    return Burst(
        Place(edge, float(rng.uniform(low_m, high_m))),
        at_s=float(rng.uniform(0, settings.duration_s - length_s)),
        length_s=length_s,
        level_db=float(rng.uniform(0, 20)),
        round_number=int(rng.integers(1, settings.rounds + 1)),
    )


def _known(value: float) -> float | None:
    return None if not math.isfinite(value) else float(value)
