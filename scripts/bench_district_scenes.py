"""Random districts with several loggers and known answers: mesh, dead ends, leaks, loggers, recordings.

The recordings come from the network solver (`netcorr.simulation`): tees, dead ends and changes of bore
reflect, pipes that lead out of the district end in what has no end. True speeds differ from those of material
and size by a factor that all pipes share and one of each main; mountings, polarity, leads and ambient noise
differ from logger to logger. The locator is told none of this.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import geopandas as gpd
import networkx as nx
import numpy as np
from bench_district_faults import FAULTS, with_fault
from shapely import LineString, Point

from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import build_network
from netcorr.planning import PlanSettings, make_plan
from netcorr.planning.candidates import candidate_sites
from netcorr.planning.from_network import planning_map
from netcorr.planning.reach import ReachTable
from netcorr.rehearsal import as_recordings, leak_place
from netcorr.rehearsal.places import distances_m, ends_m
from netcorr.simulation import (
    Conditions,
    LeakSource,
    OutsideSource,
    Place,
    SensorSetup,
    draw_speeds,
    simulate_survey,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from netcorr.network import PipeNetwork
    from netcorr.recordings import SurveyRecordings
    from netcorr.rehearsal import LeakPlace

#: Streets: columns and rows of the mesh, its spacing [m], dead ends, share of streets that are not there.
COLUMNS, ROWS, EAST_M, NORTH_M = 5, 5, 95.0, 75.0
DEAD_ENDS, NO_STREET = 8, 0.25
#: Share of the nodes from which a main leads out of the district, and its length: out of reach. [m]
LEADS_OUT, OUT_M = 0.25, 700.0
#: The open Atlantic, where there is no town.
CRS, CORNER = "EPSG:32628", (350_000.0, 5_205_000.0)
#: True speeds against those of material and size: common to a material, and each main's own.
SPEED_COMMON_SD, SPEED_PIPE_SD = 0.025, 0.01
#: Spread of the ambient noise between loggers [dB], and of the clocks [s], which the table states.
NOISE_SPREAD_DB, CLOCK_SD_S = 4.0, 1e-4
#: A second leak has this much less power than the first at its loudest sensor. [dB]
SECOND_DB = -3.0
#: Time for the choice of sites, where they are planned. [s]
PLAN_S = 5.0
#: Leaks keep this far from a logger. [m]
MARGIN_M = 3.0

Scene = Literal[
    "leak",
    "planned",
    "outside",
    "two",
    "branch with",
    "branch without",
    "none",
    "swapped",
    "misplaced",
    "clock",
    "deaf",
]
#: Whether the leaks lie on the shortest way between two loggers; all or none of them.
_BRACKETED: dict[str, bool] = {"leak": True, "planned": True, "outside": False, "two": True} | dict.fromkeys(
    FAULTS, True
)
_PIPES = {"iron": ("ductile_iron", (100.0, 150.0, 200.0)), "plastic": ("pvc", (90.0, 110.0, 160.0))}
BANDS_HZ = {"iron": (50.0, 1500.0), "plastic": (20.0, 300.0)}


@dataclass(frozen=True)
class Condition:
    """Surveys of one kind.

    Attributes
    ----------
    key : str
        Name of it.
    pipes : {'iron', 'plastic'}
        Material of the whole district.
    loggers : int
        How many, at random nodes; where the sites are planned, as many as the plan needs.
    snr_db : float
        At the second loudest logger. [dB]
    scene : Scene
        What there is to be found.
    """

    key: str
    pipes: Literal["iron", "plastic"]
    loggers: int
    snr_db: float
    scene: Scene = "leak"

    @property
    def band_hz(self) -> tuple[float, float]:
        """Band in which levels are stated. [Hz]"""
        return BANDS_HZ[self.pipes]


@dataclass(frozen=True, eq=False)
class DistrictSurvey:
    """A survey with its answer.

    Attributes
    ----------
    condition : Condition
        Of which kind.
    network : PipeNetwork
        The map, which is drawn as the pipes are.
    recordings : SurveyRecordings
        What the locator gets.
    leaks : tuple of LeakPlace
        Where they are; empty without one.
    bracketed : bool
        Whether the first leak lies on the shortest way between two loggers.
    at_fault : tuple of str
        Loggers that are not as the table says.
    factors : dict of str to float
        True speed over that of material and size, by material.
    """

    condition: Condition
    network: PipeNetwork
    recordings: SurveyRecordings
    leaks: tuple[LeakPlace, ...]
    bracketed: bool
    at_fault: tuple[str, ...]
    factors: dict[str, float]


def draw_survey(condition: Condition, *, seed: int, number: int) -> DistrictSurvey:
    """Draw and simulate one survey: the same words always give the same one.

    Parameters
    ----------
    condition : Condition
        Of which kind.
    seed, number : int
        Which one.

    Returns
    -------
    DistrictSurvey
        Map, recordings and the truth.
    """
    code = sum(map(ord, condition.key))
    rng = np.random.default_rng([seed, number, code, 33])
    network, dead_ends = draw_district(rng, pipes=condition.pipes)
    sites = _sites(rng, network, dead_ends, condition)
    leaks = _leaks(rng, network, sites, dead_ends, condition)
    sensors = [draw_sensor(rng, k, fitting) for k, fitting in enumerate(sites, start=1)]
    speeds = draw_speeds(network, rng, common_sd=SPEED_COMMON_SD, pipe_sd=SPEED_PIPE_SD)
    conditions = Conditions(snr_db=condition.snr_db, band_hz=condition.band_hz, duration_s=10.0)
    first = LeakSource(leaks[0].place) if leaks else None
    if len(leaks) > 1:
        rounds = simulate_survey(
            network, sensors=sensors, leak=first, conditions=conditions, rng=rng, speeds=speeds, rounds=(1,)
        )
        loudest_db = max(item.leak_snr_db for item in rounds[0].recordings)
        conditions = replace(conditions, outside=(OutsideSource(leaks[1].place, loudest_db + SECOND_DB),))
    rounds = simulate_survey(
        network, sensors=sensors, leak=first, conditions=conditions, rng=rng, speeds=speeds, rounds=(1,)
    )
    at_fault: tuple[str, ...] = ()
    if condition.scene in FAULTS:
        rounds, at_fault = with_fault(rng, rounds, condition.scene, network=network)
    return DistrictSurvey(
        condition=condition,
        network=network,
        recordings=as_recordings(rounds, clock_sd_s=CLOCK_SD_S),
        leaks=leaks,
        bracketed=bool(leaks) and is_bracketed(network, sites, leaks[0].place),
        at_fault=at_fault,
        factors=dict(speeds.by_material),
    )


def draw_district(
    rng: np.random.Generator,
    *,
    pipes: Literal["iron", "plastic"],
    columns: int = COLUMNS,
    rows: int = ROWS,
    dead_ends: int = DEAD_ENDS,
) -> tuple[PipeNetwork, tuple[str, ...]]:
    """Draw streets with a fitting at every crossing and dead end, and name the fittings at dead ends."""
    spots = {
        (i, j): (
            CORNER[0] + EAST_M * i + float(rng.normal(0, 6)),
            CORNER[1] + NORTH_M * j + float(rng.normal(0, 5)),
        )
        for i in range(columns)
        for j in range(rows)
    }
    streets = _streets(rng, nx.grid_2d_graph(columns, rows))
    lines = [(spots[a], spots[b]) for a, b in streets]
    places = [(f"N{k}", spot) for k, spot in enumerate(spots.values())]
    ends = []
    for k in range(dead_ends):
        x, y = list(spots.values())[int(rng.integers(len(spots)))]
        angle, length_m = float(rng.uniform(0, 2 * math.pi)), float(rng.uniform(25, 60))
        end = (x + length_m * math.cos(angle), y + length_m * math.sin(angle))
        lines.append(((x, y), end))
        places.append((f"D{k}", end))
        ends.append(f"D{k}")
    for x, y in spots.values():
        if rng.random() < LEADS_OUT:
            angle = float(rng.uniform(0, 2 * math.pi))
            lines.append(((x, y), (x + OUT_M * math.cos(angle), y + OUT_M * math.sin(angle))))
    material, sizes_mm = _PIPES[pipes]
    pipe_rows = [
        {
            "asset_id": f"M{k}",
            "material": material,
            "material_text": material,
            "diameter_mm": float(rng.choice(sizes_mm)),
            "wall_mm": math.nan,
            "year": 1985.0,
            "wave_speed_m_s": math.nan,
            "length_m": math.nan,
            "in_service": True,
            "geometry": LineString(line),
        }
        for k, line in enumerate(lines)
    ]
    fittings = [
        {"asset_id": name, "kind": "hydrant", "is_open": True, "geometry": Point(spot)}
        for name, spot in places
    ]
    mains, points = (gpd.GeoDataFrame(one, geometry="geometry", crs=CRS) for one in (pipe_rows, fittings))
    return build_network(NetworkLayers("district", mains, points)), tuple(ends)


def _streets(rng: np.random.Generator, mesh: nx.Graph) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Streets of a mesh; some are not there, but every place can be reached."""
    edges = list(mesh.edges)
    for k in rng.permutation(len(edges))[: round(NO_STREET * len(edges))].tolist():
        mesh.remove_edge(*edges[k])
        if not nx.is_connected(mesh):
            mesh.add_edge(*edges[k])
    return list(mesh.edges)


def _sites(
    rng: np.random.Generator, network: PipeNetwork, dead_ends: Sequence[str], condition: Condition
) -> list[str]:
    """Fittings for the loggers; a scene with a branch has one at its end, or none on it."""
    names = [str(name) for name in network.fittings.index]
    if condition.scene == "planned":
        return planned_sites(network)
    if condition.scene == "branch with":
        rest = [name for name in names if name != dead_ends[0]]
        return [dead_ends[0], *(str(one) for one in rng.choice(rest, condition.loggers - 1, replace=False))]
    if condition.scene == "branch without":
        names = [name for name in names if name not in dead_ends]
    return [str(one) for one in rng.choice(names, condition.loggers, replace=False)]


def planned_sites(network: PipeNetwork) -> list[str]:
    """Fittings that the planner chooses to cover all mains of the district that any pair can cover."""
    mains = planning_map(network, reach=ReachTable())
    sites = candidate_sites(network)
    plan = make_plan(
        mains,
        sites,
        settings=PlanSettings(time_limit_s=PLAN_S),
        wanted=np.array([data["length_m"] < OUT_M / 2 for data in mains.edges]),
    )
    return [str(sites.fitting[k]) for k in plan.sites]


def _leaks(
    rng: np.random.Generator,
    network: PipeNetwork,
    sites: Sequence[str],
    dead_ends: Sequence[str],
    condition: Condition,
) -> tuple[LeakPlace, ...]:
    """Leaks evenly by metre on those mains of the district that lie between two loggers, or do not."""
    if condition.scene == "none":
        return ()
    if condition.scene.startswith("branch"):
        node = network.node_of(dead_ends[0])
        _, other, key = next(iter(network.graph.edges(node, keys=True)))
        data = network.edge(node, other, key)
        into_m = float(rng.uniform(MARGIN_M, data["length_m"] - MARGIN_M))
        return (leak_place(network, Place((data["from_node"], data["to_node"], key), into_m)),)
    wanted = 2 if condition.scene == "two" else 1
    found: list[LeakPlace] = []
    for _ in range(500):
        place = _random_place(rng, network, sites)
        far = all(_apart_m(network, place, one.place) > 40 for one in found)
        if far and is_bracketed(network, sites, place) == _BRACKETED[condition.scene]:
            found.append(leak_place(network, place))
        if len(found) == wanted:
            break
    return tuple(found)


def _random_place(rng: np.random.Generator, network: PipeNetwork, sites: Sequence[str]) -> Place:
    edges = [(e, d) for *e, d in network.graph.edges(keys=True, data=True) if d["length_m"] < OUT_M / 2]
    lengths = np.array([data["length_m"] for _, data in edges])
    stand = {network.node_of(name): 0.0 for name in sites}
    away = distances_m(network, stand)
    while True:
        (u, v, key), data = edges[int(rng.choice(len(edges), p=lengths / lengths.sum()))]
        place = Place((u, v, key), float(rng.uniform(0, data["length_m"])))
        if min(away.get(node, math.inf) + rest for node, rest in ends_m(network, place).items()) > MARGIN_M:
            return place


def _apart_m(network: PipeNetwork, one: Place, other: Place) -> float:
    away = distances_m(network, ends_m(network, one))
    return min(away[node] + rest for node, rest in ends_m(network, other).items())


def is_bracketed(network: PipeNetwork, sites: Sequence[str], place: Place) -> bool:
    """Whether a place lies on the shortest way between two of the loggers."""
    away = distances_m(network, ends_m(network, place))
    at = {name: away[network.node_of(name)] for name in sites}
    for a, b in itertools.combinations(sites, 2):
        apart_m = distances_m(network, {network.node_of(a): 0.0})[network.node_of(b)]
        if at[a] + at[b] <= apart_m + 0.01:
            return True
    return False


def draw_sensor(rng: np.random.Generator, number: int, fitting: str) -> SensorSetup:
    """A logger as they differ: lead, gain, resonance, polarity, clock, and noise about it."""
    return SensorSetup(
        logger=f"L{number:02d}",
        fitting=fitting,
        lead_m=float(rng.uniform(0.5, 1.5)) if rng.random() < 0.5 else 0.0,
        gain=float(10 ** (rng.normal(0, 3) / 20)),
        resonance_hz=float(rng.uniform(900, 3000)),
        resonance_q=float(rng.uniform(2, 6)),
        polarity=-1 if rng.random() < 0.1 else 1,
        clock_error_s=float(rng.normal(0, CLOCK_SD_S)),
        noise_level_db=float(rng.normal(0, NOISE_SPREAD_DB)),
    )
