"""A survey on two pipes, built by hand: an iron main and a plastic one, a tee between them, one leak.

All places, ids and numbers are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import geopandas as gpd
import networkx as nx
import numpy as np
import pyproj
import pytest
from shapely import LineString, Point
from shapely.ops import substring

from netcorr.delay.evidence import DelayEvidence
from netcorr.network.pipe_network import LOG_COLUMNS, PipeNetwork
from netcorr.path.correlation_path import CorrelationPath, PathSegment
from netcorr.position.fix import Branch, Candidate, ErrorBudget, PairFix, SurveyFix
from netcorr.recordings.recording import Deployment, Recording, RecordingQuality, Rejected, Round
from netcorr.speed.wave_speed import WaveSpeed

UTM = pyproj.CRS.from_epsg(25832)
START = datetime(2026, 3, 1, 1, 0, tzinfo=UTC)
EAST, NORTH = 500_000.0, 5_500_000.0  # on the central meridian, scale 0.9996

IRON = LineString([(EAST, NORTH), (EAST + 60, NORTH), (EAST + 80, NORTH + 20)])
PLASTIC = LineString([(EAST + 80, NORTH + 20), (EAST + 80, NORTH + 60)])
SIDE = LineString([(EAST + 40, NORTH), (EAST + 40, NORTH - 25)])


def moved_line(line: LineString, crs: pyproj.CRS) -> LineString:
    to = pyproj.Transformer.from_crs(UTM, crs, always_xy=True)
    return LineString([to.transform(*xy) for xy in line.coords])


@pytest.fixture
def make_network() -> Callable[..., PipeNetwork]:
    """Builder of the network of two mains and a side branch, in any CRS."""

    def build(crs: pyproj.CRS = UTM) -> PipeNetwork:
        graph = nx.MultiGraph()
        rows: list[tuple[int, int, str, str | None, float, float, LineString]] = [
            (1, 2, "M-1", "ductile_iron", 150.0, 88.3, IRON),
            (2, 3, "M-2", "pe", 110.0, 40.0, PLASTIC),
            (4, 5, "M-9", None, float("nan"), 25.0, SIDE),
        ]
        for u, v, pipe, material, diameter, length, line in rows:
            shape = moved_line(line, crs)
            for node, xy in ((u, shape.coords[0]), (v, shape.coords[-1])):
                graph.add_node(node, x=xy[0], y=xy[1])
            graph.add_edge(
                u, v, pipe_id=pipe, material=material, material_text=material, diameter_mm=diameter,
                wall_mm=float("nan"), year=1980.0, wave_speed_m_s=float("nan"), length_m=length,
                drawn_length_m=length, geometry=shape, from_node=u, to_node=v, is_open=True,
            )  # fmt: skip
        ends = [Point(moved_line(IRON, crs).coords[0]), Point(moved_line(PLASTIC, crs).coords[-1])]
        fittings = gpd.GeoDataFrame(
            {
                "kind": ["hydrant", "valve"],
                "is_open": [True, True],
                "node": [1, 3],
                "pipe_id": ["M-1", "M-2"],
                "offset_m": [0.4, 0.1],
            },
            index=["H-12", "V-7"],
            geometry=ends,
            crs=crs,
        )
        log = gpd.GeoDataFrame({column: [] for column in LOG_COLUMNS}, geometry=[], crs=crs)
        return PipeNetwork("town.gpkg", graph, fittings, log, crs)

    return build


@pytest.fixture
def make_path() -> Callable[..., CorrelationPath]:
    """Builder of the path from H-12 to V-7."""

    def build(crs: pyproj.CRS = UTM, **changes: Any) -> CorrelationPath:
        nan = float("nan")
        segments = (
            PathSegment("M-1", "ductile_iron", "DI", 150.0, nan, nan, nan, 88.3, moved_line(IRON, crs), 1, 2),
            PathSegment("M-2", "pe", "PE", 110.0, nan, nan, nan, 40.0, moved_line(PLASTIC, crs), 2, 3),
        )
        return replace(CorrelationPath("H-12", "V-7", segments, crs, lead_a_m=1.2), **changes)

    return build


def evidence(number: int, delay_s: float = 0.0163) -> DelayEvidence:
    delays = np.linspace(-0.16, 0.16, 1281)
    frequency = np.linspace(0, 2000, 401)
    coherence = 0.05 + 0.75 * np.exp(-(((frequency - 620) / 260) ** 2))
    return DelayEvidence(
        logger_a="L1",
        logger_b="L2",
        round_number=number,
        delay_s=delays,
        log_likelihood=40 * np.exp(-0.5 * ((delays - delay_s) / 4e-4) ** 2) - 3,
        peak_delay_s=delay_s,
        standard_error_s=6e-5,
        coherence=0.62,
        band_hz=(320.0, 930.0),
        significance=2e-9,
        second_opinion_s=delay_s + 1e-5,
        duration_s=10.0,
        frequency_hz=frequency,
        coherence_spectrum=coherence,
        phase_rad=np.zeros_like(frequency),
        notes=("mains hum at 50 Hz was removed.",) if number == 2 else (),
    )


@pytest.fixture
def make_candidate() -> Callable[..., Candidate]:
    """Builder of the candidate 41 m from H-12, its stretch across the tee."""

    def build(crs: pyproj.CRS = UTM, **changes: Any) -> Candidate:
        to = pyproj.Transformer.from_crs(UTM, crs, always_xy=True)
        candidate = Candidate(
            candidate_id="0b9d3c52-8f55-4f0e-9d55-7a0f6d1f2b11",
            rank=1,
            probability=0.97,
            outcome="between",
            sensor_a="H-12",
            sensor_b="V-7",
            from_a_m=41.2,
            from_b_m=87.1,
            low_m=39.4,
            high_m=43.0,
            sd_m=0.9,
            delay_s=0.0163,
            pipe_id="M-1",
            material="ductile_iron",
            diameter_mm=150.0,
            speed_m_s=1240.0,
            rounds_used=2,
            point=Point(to.transform(*IRON.interpolate(41.2).coords[0])),
            stretches=(moved_line(substring(IRON, 39.4, 43.0), crs),),
            stretch_m=((39.4, 43.0),),
            branches=(Branch(40.0, ("M-9",), (moved_line(SIDE, crs),)),),
            note="The stretch holds the tee of M-9.",
        )
        return replace(candidate, **changes)

    return build


def deployment(row: int, logger: str, fitting: str | None, **changes: Any) -> Deployment:
    return replace(
        Deployment(
            table="loggers.csv",
            row=row,
            logger=logger,
            recording=Path(f"{logger}_{row}.wav"),
            fitting=fitting,
            start=START,
            lead_m=1.2 if fitting == "H-12" else 0.0,
        ),
        **changes,
    )


def recording(row: int, logger: str, fitting: str) -> Recording:
    quality = RecordingQuality(rms=0.02, peak=0.3, hum_hz=50.0, hum_share=0.1, findings=("hum at 50 Hz",))
    return Recording(
        deployment(row, logger, fitting), np.ones(40, dtype=np.float32), 4000.0, START, "table", quality
    )


@pytest.fixture
def make_fix(
    make_network: Callable[..., PipeNetwork],
    make_path: Callable[..., CorrelationPath],
    make_candidate: Callable[..., Candidate],
) -> Callable[..., SurveyFix]:
    """Builder of the whole answer: two rounds, one pair, one rejected recording."""

    def build(
        crs: pyproj.CRS = UTM, *, pair_changes: dict[str, Any] | None = None, **changes: Any
    ) -> SurveyFix:
        candidate = make_candidate(crs)
        position = np.linspace(0, 128.3, 1284)
        density = np.exp(-0.5 * ((position - 41.2) / 0.9) ** 2) / (0.9 * np.sqrt(2 * np.pi))
        speeds = (
            WaveSpeed(1240.0, 30.0, 20.0, "ductile iron", "pipe and water data"),
            WaveSpeed(390.0, 20.0, 15.0, "PE", "pipe data", ("wall of M-2 taken as SDR 11.",)),
        )
        pair = PairFix(
            logger_a="L1",
            logger_b="L2",
            path=make_path(crs),
            speeds=speeds,
            outcome="between",
            probability_between=0.97,
            probability_beyond_a=0.01,
            probability_beyond_b=0.015,
            probability_none=0.005,
            candidates=(candidate,),
            evidence=(evidence(1), evidence(2, 0.0164)),
            travel_time_s=0.1748,
            position_m=position,
            density_per_m=density,
            budget=ErrorBudget(speed_m=0.6, length_m=0.5, clock_m=0.3, delay_m=0.05, model_m=0.3),
            notes=("wall of M-2 taken as SDR 11.",),
        )
        rounds = tuple(
            Round(
                number,
                START,
                4000.0,
                (recording(2 * number, "L1", "H-12"), recording(2 * number + 1, "L2", "V-7")),
                np.ones((2, 40), dtype=np.float32),
            )
            for number in (1, 2)
        )
        bad = Rejected(deployment(6, "L3", "V-7"), "the file ends after 2.1 of 10.0 s")
        fix = SurveyFix(
            network=make_network(crs),
            rounds=rounds,
            pairs=(replace(pair, **(pair_changes or {})),),
            candidates=(candidate,),
            rejected=(bad,),
            map_accuracy_m=0.5,
        )
        return replace(fix, **changes)

    return build


@pytest.fixture
def silent(make_fix: Callable[..., SurveyFix]) -> SurveyFix:
    """The answer when no leak was heard."""
    quiet: dict[str, Any] = {
        "outcome": "no leak heard",
        "probability_between": 0.02,
        "probability_none": 0.97,
        "probability_beyond_a": 0.005,
        "probability_beyond_b": 0.005,
        "candidates": (),
        "budget": None,
    }
    return make_fix(candidates=(), pair_changes=quiet)
