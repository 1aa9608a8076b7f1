"""Paths, speeds, evidence and small networks made by hand, so that every number can be worked on paper."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import pytest
from shapely import LineString, Point

from netcorr.delay import DelayEvidence
from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import PipeNetwork, build_network
from netcorr.path import CorrelationPath, PathSegment
from netcorr.position import LocateSettings, PathTimes, path_times
from netcorr.speed.wave_speed import WaveSpeed

XY = tuple[float, float]
Maker = Callable[..., Any]

#: Corner of the invented place: UTM 28N in the open Atlantic.
CRS = "EPSG:32628"
CORNER = (350_000.0, 5_205_000.0)


def path_of(
    lengths_m: Sequence[float],
    *,
    pipe_ids: Sequence[str] | None = None,
    lead_a_m: float = 0.0,
    lead_b_m: float = 0.0,
) -> CorrelationPath:
    """A straight path of pieces of the given lengths, drawn to the east."""
    ids = pipe_ids or [f"M{i + 1}" for i in range(len(lengths_m))]
    ends = np.concatenate([[0.0], np.cumsum(lengths_m)])
    segments = tuple(
        PathSegment(
            pipe_id=pipe_id,
            material="grey_iron",
            material_text="CI",
            diameter_mm=150.0,
            wall_mm=math.nan,
            year=math.nan,
            wave_speed_m_s=math.nan,
            length_m=float(length_m),
            geometry=LineString([(CORNER[0] + ends[i], CORNER[1]), (CORNER[0] + ends[i + 1], CORNER[1])]),
            from_node=i,
            to_node=i + 1,
        )
        for i, (pipe_id, length_m) in enumerate(zip(ids, lengths_m, strict=True))
    )
    crs = pyproj.CRS(CRS)
    return CorrelationPath("V1", "V2", segments, crs, lead_a_m=lead_a_m, lead_b_m=lead_b_m)


def speed_of(
    speed_m_s: float, *, common: float = 0.0, pipe: float = 0.0, group: str = "grey_iron"
) -> WaveSpeed:
    """A speed with both parts of its spread as shares of it."""
    return WaveSpeed(speed_m_s, common * speed_m_s, pipe * speed_m_s, group, "a test")


def exact_settings(**changes: Any) -> LocateSettings:
    """Lengths, leads and model known exactly, but for what a test changes."""
    none: dict[str, Any] = {
        "length_sd_m": 0.0,
        "length_sd_share": 0.0,
        "model_sd_m": 0.0,
        "lead_sd_share": 0.0,
        "clock_sd_s": 0.0,
    }
    return LocateSettings(**none | changes)


def times_of(
    length_m: float = 100.0,
    *,
    speed_m_s: float = 1250.0,
    clock_sd_s: float = 1e-4,
    settings: LocateSettings | None = None,
    **spread: Any,
) -> PathTimes:
    """Times of one uniform pipe."""
    speeds = [speed_of(speed_m_s, **spread)]
    return path_times(
        path_of([length_m]), speeds, settings=settings or LocateSettings(), clock_sd_s=clock_sd_s
    )


def evidence_of(
    times: PathTimes,
    peaks: Mapping[float, float],
    *,
    floor: float = -3.0,
    sd_s: float = 2e-4,
    round_number: int = 1,
    significance: float = 1e-6,
    step_s: float = 1e-4,
    notes: tuple[str, ...] = (),
) -> DelayEvidence:
    """Evidence whose log-likelihood has Gaussian peaks (delay [s]: height) over a floor.

    A floor below 0 is what a quiet stretch of real evidence looks like: a lasting source there would have
    been heard.
    """
    half = math.ceil((times.longest_delay_s + 0.002) / step_s)
    delay_s = np.asarray(step_s * np.arange(-half, half + 1), dtype=np.float64)
    log_likelihood = np.full(delay_s.size, floor)
    for at_s, height in peaks.items():
        log_likelihood = np.logaddexp(log_likelihood, height - 0.5 * ((delay_s - at_s) / sd_s) ** 2)
    best_s = max(peaks, key=lambda at_s: peaks[at_s]) if peaks else 0.0
    return DelayEvidence(
        logger_a="L1",
        logger_b="L2",
        round_number=round_number,
        delay_s=delay_s,
        log_likelihood=log_likelihood,
        peak_delay_s=best_s,
        standard_error_s=sd_s,
        coherence=0.4,
        band_hz=(100.0, 800.0),
        significance=significance if peaks else 0.7,
        second_opinion_s=best_s,
        duration_s=10.0,
        frequency_hz=np.array([100.0, 800.0]),
        coherence_spectrum=np.array([0.4, 0.4]),
        phase_rad=np.zeros(2),
        notes=notes,
    )


def network_of(
    mains: Mapping[str, Sequence[XY]],
    fittings: Mapping[str, XY],
    *,
    speed_m_s: float = math.nan,
    corner: XY = CORNER,
    attributes: Mapping[str, Mapping[str, Any]] | None = None,
) -> PipeNetwork:
    """Network whose measured lengths are those on the drawing, so that metres drawn are metres of pipe."""
    lines = [LineString(np.asarray(coords) + corner) for coords in mains.values()]
    rows = [
        {
            "asset_id": name,
            "material": "grey_iron",
            "material_text": "CI",
            "diameter_mm": 150.0,
            "wall_mm": math.nan,
            "year": 1950.0,
            "wave_speed_m_s": speed_m_s,
            "length_m": line.length,
            "in_service": True,
        }
        | dict((attributes or {}).get(name, {}))
        for name, line in zip(mains, lines, strict=True)
    ]
    kinds = {"V": "valve", "H": "hydrant"}
    fitting_rows = [
        {"asset_id": name, "kind": kinds.get(name[0], "other"), "is_open": True} for name in fittings
    ]
    points = [Point(np.asarray(xy) + corner) for xy in fittings.values()]
    return build_network(
        NetworkLayers(
            source="town.gpkg",
            mains=gpd.GeoDataFrame(rows, geometry=lines, crs=CRS),
            fittings=gpd.GeoDataFrame(fitting_rows, geometry=points, crs=CRS),
        )
    )


@pytest.fixture(scope="session")
def make_path() -> Maker:
    return path_of


@pytest.fixture(scope="session")
def make_speed() -> Maker:
    return speed_of


@pytest.fixture(scope="session")
def exact() -> Maker:
    return exact_settings


@pytest.fixture(scope="session")
def make_times() -> Maker:
    return times_of


@pytest.fixture(scope="session")
def make_evidence() -> Maker:
    return evidence_of


@pytest.fixture(scope="session")
def make_network() -> Maker:
    return network_of
