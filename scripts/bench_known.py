"""What a tap at a known hydrant, and noise from beyond both loggers, teach of wave speeds and clocks.

Taps are run at a random fitting of the districts of `bench_district_scenes`; noise from beyond comes to three
loggers on a street. The truth is known: speeds of all mains, and the error of every clock.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import geopandas as gpd
import numpy as np
from bench_district_scenes import SPEED_COMMON_SD, SPEED_PIPE_SD, draw_district, draw_sensor
from bench_pool import run_all
from bench_table import Target, share, table
from shapely import LineString, Point

from netcorr.feedback import NoFeedback
from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import PipeNetwork, build_network
from netcorr.position import LocateSettings
from netcorr.position.beyond_noise import learn_from_beyond
from netcorr.position.first_look import PreparedRounds, clock_drifts
from netcorr.position.known_rounds import learn_from_known, split_rounds
from netcorr.position.planned import compare_planned, plan_pairs
from netcorr.position.sites import find_sites
from netcorr.position.taught import Taught
from netcorr.recordings import SurveyRecordings
from netcorr.rehearsal import as_recordings
from netcorr.simulation import (
    Burst,
    Conditions,
    LeakSource,
    OutsideSource,
    Place,
    SensorSetup,
    draw_speeds,
    place_on_pipe,
    simulate_survey,
)

#: Surveys of each kind unless asked otherwise.
SURVEYS = 12
#: Loggers of a district, and how loud the tap is at the second that hears it best. [dB]
LOGGERS, TAP_DB = 8, 12.0
#: Clocks of the street are off by this, which the table says. [s]
CLOCK_SD_S = 0.002
#: Loggers of the street, by their distance along it. [m]
STREET_M = (0.0, 90.0, 170.0)
#: Loudness of the noise from beyond either end, all the time and while a burst lasts, and of the leak. [dB]
STEADY_DB, BURST_DB, LEAK_DB = 0.0, 10.0, 0.0
KINDS = ("tap", "tap said to be elsewhere", "steady noise beyond", "bursts beyond")


@dataclass(frozen=True)
class KnownJob:
    """One survey: the same job always gives the same."""

    kind: str
    seed: int
    number: int


@dataclass(frozen=True)
class KnownAnswer:
    """What was taught, against the truth.

    Attributes
    ----------
    job : KnownJob
        Which survey.
    speed_errors, speed_sds : tuple of float
        Of the material that was told: speed over the true one less 1, and its stated deviation.
    clock_errors_s, clock_sds_s : tuple of float
        Of the differences of clocks. [s]
    """

    job: KnownJob
    speed_errors: tuple[float, ...]
    speed_sds: tuple[float, ...]
    clock_errors_s: tuple[float, ...]
    clock_sds_s: tuple[float, ...]


def bench_known(*, surveys: int | None, seed: int, workers: int) -> list[Target]:
    """Run surveys of every kind, print what they teach, and return the targets.

    Parameters
    ----------
    surveys : int or None
        Of each kind; None for the usual number.
    seed : int
        Another seed gives other surveys.
    workers : int
        Processes.

    Returns
    -------
    list of Target
        Speeds within 1 %, clocks within 0.2 ms.
    """
    jobs = [KnownJob(kind, seed, number) for number in range(surveys or SURVEYS) for kind in KINDS]
    answers = run_all(run_known, jobs, workers=workers)
    print("Wave speed of the material and differences of clocks, as taught, against the truth.\n")
    rows = [_row(kind, [one for one in answers if one.job.kind == kind]) for kind in KINDS]
    header = ("kind", "surveys", "taught", "speed rms", "z", "within 1 %", "clocks rms", "z", "within 0.2 ms")
    print(table(header, rows))
    beyond = [one for one in answers if "beyond" in one.job.kind]
    tap = [one for one in answers if one.job.kind == "tap"]
    return [
        _most("tap: speed within 1 %", [abs(error) <= 0.01 for one in tap for error in one.speed_errors]),
        _most("beyond: clocks in 0.2 ms", [abs(e) <= 2e-4 for one in beyond for e in one.clock_errors_s]),
    ]


def run_known(job: KnownJob) -> KnownAnswer:
    """Draw and simulate one survey, and learn from it."""
    rng = np.random.default_rng([job.seed, job.number, KINDS.index(job.kind), 41])
    if job.kind.startswith("tap"):
        return _tap(job, rng)
    return _street(job, rng)


def _tap(job: KnownJob, rng: np.random.Generator) -> KnownAnswer:
    network, _ = draw_district(rng, pipes="iron")
    names = [str(name) for name in network.fittings.index]
    sensors = [
        draw_sensor(rng, k, str(name))
        for k, name in enumerate(rng.choice(names, LOGGERS, replace=False), start=1)
    ]
    speeds = draw_speeds(network, rng, common_sd=SPEED_COMMON_SD, pipe_sd=SPEED_PIPE_SD)
    tap, elsewhere = (str(name) for name in rng.choice(names, 2, replace=False))
    node = network.node_of(tap)
    u, v, key = next(iter(network.graph.edges(node, keys=True)))
    data = network.edge(u, v, key)
    place = Place(
        (data["from_node"], data["to_node"], key), 0.0 if data["from_node"] == node else data["length_m"]
    )
    rounds = simulate_survey(
        network,
        sensors=sensors,
        leak=LeakSource(place),
        conditions=Conditions(snr_db=TAP_DB, band_hz=(50.0, 1500.0), duration_s=10.0),
        rng=rng,
        speeds=speeds,
        rounds=(1,),
    )
    recordings = _said(as_recordings(rounds, clock_sd_s=1e-4), tap if job.kind == "tap" else elsewhere)
    settings = LocateSettings()
    sites = find_sites(network, recordings.rounds, settings=settings)
    _, known = split_rounds(network, recordings.rounds)
    taught = learn_from_known(network, sites, known, settings=settings, feedback=NoFeedback())
    return _answer(job, taught, sensors, dict(speeds.by_material))


def _said(recordings: SurveyRecordings, fitting: str) -> SurveyRecordings:
    """The table with a known noise at a fitting."""
    rounds = tuple(
        replace(
            one,
            recordings=tuple(
                replace(item, deployment=replace(item.deployment, known_noise=fitting))
                for item in one.recordings
            ),
        )
        for one in recordings.rounds
    )
    return replace(recordings, rounds=rounds)


def _street(job: KnownJob, rng: np.random.Generator) -> KnownAnswer:
    network = _street_network()
    clocks_s = rng.normal(0, CLOCK_SD_S, len(STREET_M))
    sensors = [
        SensorSetup(f"L{k}", f"V{k}", clock_error_s=float(late_s))
        for k, late_s in enumerate(clocks_s, start=1)
    ]
    speeds = draw_speeds(network, rng, common_sd=SPEED_COMMON_SD, pipe_sd=SPEED_PIPE_SD)
    ends = [place_on_pipe(network, "M0", into_m=100.0), place_on_pipe(network, "M3", into_m=180.0)]
    steady = job.kind.startswith("steady")
    bursts = [
        Burst(place, at_s=float(at_s), length_s=1.0, level_db=BURST_DB)
        for place in ends
        for at_s in rng.uniform(0.5, 8.5, 3)
    ]
    rounds = simulate_survey(
        network,
        sensors=sensors,
        leak=LeakSource(place_on_pipe(network, "M1", into_m=float(rng.uniform(15, 75)))),
        conditions=Conditions(
            snr_db=LEAK_DB,
            duration_s=10.0,
            outside=tuple(OutsideSource(place, STEADY_DB) for place in ends) if steady else (),
            bursts=() if steady else tuple(bursts),
        ),
        rng=rng,
        speeds=speeds,
        rounds=(1,),
    )
    recordings, settings = as_recordings(rounds, clock_sd_s=CLOCK_SD_S), LocateSettings()
    sites = find_sites(network, recordings.rounds, settings=settings)
    planned, _ = plan_pairs(network, sites, settings=settings)
    longest_s = max(pair.times.longest_delay_s for pair in planned)
    spectra = PreparedRounds(recordings.rounds, longest_s, None)
    drifts, [one] = clock_drifts(planned, spectra), recordings.rounds
    compared = {
        (pair.a.logger, pair.b.logger): [
            compare_planned(pair, spectra.of(one), one=one, drifts=drifts, settings=settings)
        ]
        for pair in planned
    }
    taught = learn_from_beyond(network, sites, planned, compared, settings=settings)
    return _answer(job, taught, sensors, dict(speeds.by_material))


def _street_network() -> PipeNetwork:
    ends = [-250.0, *STREET_M, 450.0]
    east, north = 350_000.0, 5_205_000.0
    rows = [
        {
            "asset_id": f"M{k}",
            "material": "ductile_iron",
            "material_text": "DI",
            "diameter_mm": 150.0,
            "wall_mm": math.nan,
            "year": 1985.0,
            "wave_speed_m_s": math.nan,
            "length_m": b - a,
            "in_service": True,
            "geometry": LineString([(east + a, north), (east + b, north)]),
        }
        for k, (a, b) in enumerate(pairwise(ends))
    ]
    fittings = [
        {"asset_id": f"V{k}", "kind": "valve", "is_open": True, "geometry": Point(east + at_m, north)}
        for k, at_m in enumerate(STREET_M, start=1)
    ]
    mains, points = (gpd.GeoDataFrame(one, geometry="geometry", crs="EPSG:32628") for one in (rows, fittings))
    return build_network(NetworkLayers("street", mains, points))


def _answer(
    job: KnownJob, taught: Taught, sensors: Sequence[SensorSetup], factors: dict[str, float]
) -> KnownAnswer:
    true_s = {one.logger: one.clock_error_s for one in sensors}
    between = taught.clocks.between.items()
    return KnownAnswer(
        job,
        tuple(scale.scale / factors[scale.material] - 1 for scale in taught.scales),
        tuple(scale.scale_sd / scale.scale for scale in taught.scales),
        tuple(offset_s - (true_s[b] - true_s[a]) for (a, b), (offset_s, _) in between),
        tuple(sd_s for _, (_, sd_s) in between),
    )


def _row(kind: str, some: Sequence[KnownAnswer]) -> list[str]:
    speed = np.array([error for one in some for error in one.speed_errors])
    speed_sd = np.array([sd for one in some for sd in one.speed_sds])
    clock = np.array([error for one in some for error in one.clock_errors_s])
    clock_sd = np.array([sd for one in some for sd in one.clock_sds_s])
    cells = [kind, str(len(some)), str(sum(bool(one.speed_errors or one.clock_errors_s) for one in some))]
    for error, sd, limit, unit, factor in (
        (speed, speed_sd, 0.01, "%", 100),
        (clock, clock_sd, 2e-4, "ms", 1e3),
    ):
        if not error.size:
            cells += ["-", "-", "-"]
            continue
        cells += [
            f"{factor * float(np.sqrt(np.mean(error**2))):.2f} {unit}",
            f"{float(np.sqrt(np.mean((error / sd) ** 2))):.1f}",
            f"{int((abs(error) <= limit).sum())} of {error.size}",
        ]
    return cells


def _most(name: str, flags: Sequence[bool]) -> Target:
    return Target(
        name, share(sum(flags), of=len(flags)), "most", bool(flags) and sum(flags) > 0.5 * len(flags)
    )
