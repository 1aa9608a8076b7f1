"""A result read back from its GeoPackage: the answer of the survey as it was, without the recordings."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import pyogrio
import pyproj

from netcorr.delay.evidence import DelayEvidence
from netcorr.errors import ExportError
from netcorr.export.curves import unpack_curve
from netcorr.export.safe_file import DRIVER_ERRORS
from netcorr.layers.alternatives import from_json
from netcorr.network.pipe_network import EDGE_ATTRIBUTES, LOG_COLUMNS, PipeNetwork
from netcorr.path.correlation_path import CorrelationPath, PathSegment
from netcorr.path.reference import stretch
from netcorr.position.fix import Branch, Candidate, ErrorBudget, LeftOut, LikelyStretch, PairFix, SurveyFix
from netcorr.recordings.recording import Deployment, Rejected
from netcorr.speed.wave_speed import WaveSpeed

Row = Mapping[str, Any]

_NEEDED = (
    "leak_candidates",
    "uncertainty_areas",
    "correlation_paths",
    "sensors",
    "pair_rounds",
    "mains_nearby",
    "fittings_nearby",
    "path_pipes",
    "candidate_stretches",
    "evidence_curves",
    "survey_notes",
    "made_from",
)


@dataclass(frozen=True)
class UsedRecording:
    """A recording that a result was made from.

    Attributes
    ----------
    logger, fitting : str
        Who made it, and where.
    round_number : int
        Round that it was used in.
    name : str
        Name of the file.
    path : pathlib.Path
        Where it was, seen from where the result is now.
    sha256 : str or None
        Its fingerprint, when it was taken.
    start : datetime
        True time of its first sample (UTC).
    sample_rate_hz : float
        Sample rate of the file. [Hz]
    """

    logger: str
    fitting: str
    round_number: int
    name: str
    path: Path
    sha256: str | None
    start: datetime
    sample_rate_hz: float


@dataclass(frozen=True, eq=False)
class StoredResult:
    """What a result holds.

    Attributes
    ----------
    path : pathlib.Path
        The file.
    fix : SurveyFix
        The answer. Its network is the part round the survey; `rounds` is empty, since a result holds no
        samples; side branches carry no lines, see `areas`.
    areas : geopandas.GeoDataFrame
        Layer `uncertainty_areas`.
    sensors : geopandas.GeoDataFrame
        Layer `sensors`.
    round_starts : dict of int to datetime
        True start of each round (UTC).
    recordings : tuple of UsedRecording
        What it was made from.
    made_from : tuple of dict
        Rows of the table `made_from`.
    likelihood : geopandas.GeoDataFrame or None
        Layer `leak_likelihood`; None where the recordings told nothing.
    """

    path: Path
    fix: SurveyFix
    areas: gpd.GeoDataFrame
    sensors: gpd.GeoDataFrame
    round_starts: Mapping[int, datetime]
    recordings: tuple[UsedRecording, ...]
    made_from: tuple[Row, ...]
    likelihood: gpd.GeoDataFrame | None = None


def read_result(path: str | os.PathLike[str]) -> StoredResult:
    """Read a result of `netcorr.export.write_result`.

    Parameters
    ----------
    path : str or path-like
        GeoPackage that ``netcorr locate`` wrote.

    Returns
    -------
    StoredResult
        The answer of the survey, and what it was made from.

    Raises
    ------
    ExportError
        If the file is missing, is no result, was written by an older netcorr or is damaged.
    """
    file = Path(path)
    tables = _tables(file)
    try:
        return _assemble(file, tables)
    except (KeyError, TypeError, ValueError) as error:
        raise _damaged(file, error) from error


def _tables(file: Path) -> dict[str, pd.DataFrame]:
    if not file.is_file():
        raise ExportError(str(file), found="there is no such file", remedy="give a result of netcorr locate")
    try:
        names = [str(name) for name, _ in pyogrio.list_layers(file)]
        missing = [name for name in _NEEDED if name not in names]
        wanted = [*_NEEDED, *(name for name in ("leak_likelihood",) if name in names)]
        tables = {name: pyogrio.read_dataframe(file, layer=name) for name in wanted if name not in missing}
    except DRIVER_ERRORS as error:
        raise ExportError(
            str(file), found=f"it cannot be read ({error})", remedy="give a result of netcorr locate"
        ) from error
    if missing:
        result = "leak_candidates" in names
        raise ExportError(
            str(file),
            found=f"{'a result' if result else 'no result'} without the layer {', '.join(missing[:3])}",
            remedy="run netcorr locate again with this version"
            if result
            else "give a result of netcorr locate",
        )
    return tables


def _damaged(file: Path, error: Exception) -> ExportError:
    return ExportError(
        str(file),
        found=f"its layers contradict each other ({type(error).__name__}: {error})",
        remedy="run netcorr locate again; these layers are not meant to be edited",
    )


def _assemble(file: Path, tables: dict[str, pd.DataFrame]) -> StoredResult:
    rows = {name: list(_rows(table)) for name, table in tables.items()}
    crs = pyproj.CRS(tables["path_pipes"].crs)
    made_from = rows["made_from"]
    network = _network(rows, crs=crs, source=_source(made_from, file))
    ordered = sorted(rows["path_pipes"], key=lambda pipe: pipe["part"])
    pipes = _grouped(ordered, _ENDS)
    told = {name: _grouped(rows[name], _PAIR) for name in ("evidence_curves", "pair_rounds", "survey_notes")}
    paths = [_path(row, pipes[_key(row, _ENDS)], crs) for row in rows["correlation_paths"]]
    by_ends = {(path.sensor_a, path.sensor_b): path for path in paths}
    candidates = tuple(
        _candidate(row, rows, by_ends) for row in sorted(rows["leak_candidates"], key=lambda row: row["rank"])
    )
    pairs = tuple(
        _pair(
            row,
            path,
            pipes=pipes[_key(row, _ENDS)],
            told={name: found.get(_key(row, _PAIR), []) for name, found in told.items()},
            candidates=candidates,
            file=file,
        )
        for row, path in zip(rows["correlation_paths"], paths, strict=True)
    )
    starts = {
        int(row["round"]): row["start"]
        for row in rows["pair_rounds"]
        if row["round"] is not None and row["start"] is not None and row["status"] != "rejected"
    }
    settings = {row["name"]: row["value"] for row in made_from if row["role"] == "setting"}
    fix = SurveyFix(
        network=network,
        rounds=(),
        pairs=pairs,
        candidates=candidates,
        rejected=tuple(_rejected(row) for row in made_from if _is_rejected(row)),
        map_accuracy_m=float(settings["map_accuracy_m"]),
        notes=tuple(row["note"] for row in rows["survey_notes"] if row["logger_a"] is None),
        left_out=tuple(
            LeftOut(*(row[name] for name in (*_PAIR, "reason")))
            for row in rows["pair_rounds"]
            if row["status"] == "left out"
        ),
        likelihood=tuple(_likely(row) for row in rows.get("leak_likelihood", ())),
    )
    return StoredResult(
        path=file,
        fix=fix,
        areas=gpd.GeoDataFrame(tables["uncertainty_areas"]),
        sensors=gpd.GeoDataFrame(tables["sensors"]),
        round_starts={number: moment.to_pydatetime() for number, moment in sorted(starts.items())},
        recordings=tuple(_recordings(made_from, file)),
        made_from=tuple(made_from),
        likelihood=gpd.GeoDataFrame(tables["leak_likelihood"]) if rows.get("leak_likelihood") else None,
    )


_ENDS = ("sensor_a", "sensor_b")
_PAIR = ("logger_a", "logger_b", *_ENDS)


def _key(row: Row, names: tuple[str, ...]) -> tuple[Any, ...]:
    return tuple(row[name] for name in names)


def _grouped(rows: list[dict[str, Any]], names: tuple[str, ...]) -> dict[tuple[Any, ...], list[Row]]:
    """Rows by what is in some of their columns."""
    found: dict[tuple[Any, ...], list[Row]] = {}
    for row in rows:
        found.setdefault(_key(row, names), []).append(row)
    return found


def _rows(table: pd.DataFrame) -> Iterator[dict[str, Any]]:
    """Rows with None for what is empty."""
    plain = table.astype(object)
    for row in plain.where(plain.notna(), None).to_dict("records"):
        yield {str(name): value for name, value in row.items()}


def _number(value: Any) -> float:
    return math.nan if value is None else float(value)


def _source(made_from: list[dict[str, Any]], file: Path) -> str:
    return next((str(row["name"]) for row in made_from if row["role"] == "network"), file.name)


def _network(rows: Mapping[str, list[dict[str, Any]]], *, crs: pyproj.CRS, source: str) -> PipeNetwork:
    """Build the part of the network that the result holds."""
    graph = nx.MultiGraph()
    for row in rows["mains_nearby"]:
        edge: dict[str, Any] = {name: row[name] for name in EDGE_ATTRIBUTES if name != "could_be"}
        for name in ("diameter_mm", "wall_mm", "year", "wave_speed_m_s"):
            edge[name] = _number(row[name])
        edge |= {"is_open": bool(row["is_open"]), "assumed": row["assumed"] or ""}
        edge["could_be"] = from_json(row.get("could_be"))  # older results have no such column
        edge |= {name: int(row[name]) for name in ("from_node", "to_node")}
        ends = (edge["from_node"], edge["geometry"].coords[0]), (edge["to_node"], edge["geometry"].coords[-1])
        for node, xy in ends:
            graph.add_node(node, x=xy[0], y=xy[1])
        graph.add_edge(edge["from_node"], edge["to_node"], **edge)
    fittings = rows["fittings_nearby"]
    frame = gpd.GeoDataFrame(
        {
            "kind": [row["kind"] for row in fittings],
            "is_open": [bool(row["is_open"]) for row in fittings],
            "node": [int(row["node"]) for row in fittings],
            "pipe_id": [row["pipe_id"] for row in fittings],
            "offset_m": [_number(row["offset_m"]) for row in fittings],
        },
        geometry=[row["geometry"] for row in fittings],
        index=pd.Index([row["asset_id"] for row in fittings], dtype=object, name="asset_id"),
        crs=crs,
    )
    log = gpd.GeoDataFrame({name: [] for name in LOG_COLUMNS}, geometry=[], crs=crs)
    return PipeNetwork(source, graph, frame, log, crs)


def _path(row: Row, own: list[Row], crs: pyproj.CRS) -> CorrelationPath:
    return CorrelationPath(
        sensor_a=row["sensor_a"],
        sensor_b=row["sensor_b"],
        segments=tuple(
            PathSegment(
                pipe_id=pipe["pipe_id"],
                material=pipe["material"],
                material_text=pipe["material_text"],
                diameter_mm=_number(pipe["diameter_mm"]),
                wall_mm=_number(pipe["wall_mm"]),
                year=_number(pipe["year"]),
                wave_speed_m_s=_number(pipe["wave_speed_m_s"]),
                length_m=float(pipe["length_m"]),
                geometry=pipe["geometry"],
                from_node=int(pipe["from_node"]),
                to_node=int(pipe["to_node"]),
                assumed=pipe["assumed"] or "",
                could_be=from_json(pipe.get("could_be")),
            )
            for pipe in own
        ),
        crs=crs,
        lead_a_m=float(row["lead_a_m"]),
        lead_b_m=float(row["lead_b_m"]),
        second_length_m=None if row["second_length_m"] is None else float(row["second_length_m"]),
    )


def _speed(pipe: Row) -> WaveSpeed:
    return WaveSpeed(
        speed_m_s=float(pipe["speed_m_s"]),
        common_sd_m_s=float(pipe["speed_common_sd_m_s"]),
        pipe_sd_m_s=float(pipe["speed_pipe_sd_m_s"]),
        group=pipe["speed_group"],
        source=pipe["speed_source"],
        assumptions=tuple(json.loads(pipe["speed_assumptions"])),
    )


def _candidate(
    row: Row,
    rows: Mapping[str, list[dict[str, Any]]],
    paths: Mapping[tuple[str, str], CorrelationPath],
) -> Candidate:
    areas, parts = (
        [one for one in rows[name] if one["candidate_id"] == row["candidate_id"]]
        for name in ("uncertainty_areas", "candidate_stretches")
    )
    spans = [(float(part["low_m"]), float(part["high_m"])) for part in parts]
    path = paths[row["sensor_a"], row["sensor_b"]]
    kept = [(max(low, 0.0), min(high, path.length_m)) for low, high in spans if high > low]
    numbers = ("probability", "from_a_m", "from_b_m", "low_m", "high_m", "sd_m", "diameter_mm", "speed_m_s")
    values: dict[str, Any] = {name: _number(row[name]) for name in numbers}
    return Candidate(
        candidate_id=row["candidate_id"],
        rank=int(row["rank"]),
        outcome=row["outcome"],
        sensor_a=row["sensor_a"],
        sensor_b=row["sensor_b"],
        delay_s=_number(row["delay_ms"]) / 1000,
        pipe_id=row["pipe_id"],
        material=row["material"],
        rounds_used=int(row["rounds_used"]),
        point=row["geometry"],
        stretches=tuple(stretch(path, low, high_m=high) for low, high in kept),
        stretch_m=tuple(spans),
        branches=tuple(
            Branch(float(area["from_a_m"]), tuple(str(area["pipe_ids"]).split(", ")), ())
            for area in areas
            if area["part"] != "main"
        ),
        note=row["note"] or "",
        **values,
    )


def _likely(row: Row) -> LikelyStretch:
    return LikelyStretch(
        pipe_id=row["pipe_id"],
        from_m=float(row["from_m"]),
        to_m=float(row["to_m"]),
        probability=float(row["probability"]),
        told_apart=bool(row["told_apart"]),
        line=row["geometry"],
    )


def _pair(
    row: Row,
    path: CorrelationPath,
    *,
    pipes: list[Row],
    told: Mapping[str, list[Row]],
    candidates: tuple[Candidate, ...],
    file: Path,
) -> PairFix:
    curves, notes = told["evidence_curves"], told["survey_notes"]
    used = [one for one in told["pair_rounds"] if one["status"] == "used"]
    evidence = [_evidence(one, curves, notes=notes, file=file) for one in used if curves]
    position_m, density = _curve(curves, "position", None, file=file) if curves else (np.zeros(0),) * 2
    parts = {f"{name}_m": row[f"sd_{name}_m"] for name in ("speed", "length", "clock", "delay", "model")}
    probabilities = {
        f"probability_{name}": float(row[f"probability_{name}"])
        for name in ("between", "beyond_a", "beyond_b", "none")
    }
    return PairFix(
        logger_a=row["logger_a"],
        logger_b=row["logger_b"],
        path=path,
        speeds=tuple(_speed(pipe) for pipe in pipes),
        outcome=row["outcome"],
        candidates=tuple(c for c in candidates if (c.sensor_a, c.sensor_b) == (path.sensor_a, path.sensor_b)),
        evidence=tuple(evidence),
        travel_time_s=float(row["travel_time_ms"]) / 1000,
        position_m=position_m,
        density_per_m=density,
        budget=None if None in parts.values() else ErrorBudget(**{k: float(v) for k, v in parts.items()}),
        notes=tuple(n["note"] for n in notes if n["round"] is None),
        **probabilities,
    )


def _curve(curves: list[Row], name: str, number: int | None, *, file: Path) -> tuple[Any, Any]:
    """Evenly spaced points of one curve, as many as there were; nothing where there is no such curve."""
    for row in curves:
        if row["curve"] == name and row["round"] == number:
            x, y = unpack_curve(row["x"], row["y"], item=f"{file}, evidence_curves")
            even = np.linspace(x[0], x[-1], max(int(row["points"]), 3))
            return even, np.interp(even, x, y)
    return np.zeros(0), np.zeros(0)


def _evidence(row: Row, curves: list[Row], *, notes: list[Row], file: Path) -> DelayEvidence:
    number = int(row["round"])
    delay_ms, log_likelihood = _curve(curves, "delay", number, file=file)
    frequency_hz, coherence = _curve(curves, "coherence", number, file=file)
    phase_hz, phase = _curve(curves, "phase", number, file=file)
    own = [curve for curve in curves if curve["round"] == number and curve["polarity"] is not None]
    return DelayEvidence(
        logger_a=row["logger_a"],
        logger_b=row["logger_b"],
        round_number=number,
        delay_s=delay_ms / 1000,
        log_likelihood=log_likelihood,
        peak_delay_s=_number(row["delay_ms"]) / 1000,
        standard_error_s=_number(row["standard_error_ms"]) / 1000,
        coherence=_number(row["coherence"]),
        band_hz=(_number(row["band_low_hz"]), _number(row["band_high_hz"])),
        significance=_number(row["significance"]),
        second_opinion_s=_number(row["second_opinion_ms"]) / 1000,
        duration_s=_number(row["duration_s"]),
        frequency_hz=frequency_hz,
        coherence_spectrum=coherence,
        phase_rad=np.interp(frequency_hz, phase_hz, phase) if phase_hz.size else frequency_hz * 0.0,
        polarity=int(own[0]["polarity"]) if own else 1,
        notes=tuple(note["note"] for note in notes if note["round"] == number),
    )


def _is_rejected(row: Row) -> bool:
    return row["role"] == "recording" and row["value"] is not None


def _rejected(row: Row) -> Rejected:
    deployment = Deployment(
        table=row["table_name"] or "",
        row=int(row["table_row"] or 0),
        logger=row["logger"] or "",
        recording=Path(row["name"]),
        fitting=row["fitting"] or "",
    )
    return Rejected(deployment, row["value"])


def _recordings(made_from: list[dict[str, Any]], file: Path) -> Iterator[UsedRecording]:
    for row in made_from:
        if row["role"] == "recording" and row["start"] is not None:
            yield UsedRecording(
                logger=row["logger"],
                fitting=row["fitting"] or "",
                round_number=int(row["round"]),
                name=row["name"],
                path=file.absolute().parent / row["path"],
                sha256=row["sha256"],
                start=datetime.fromisoformat(row["start"]),
                sample_rate_hz=float(row["sample_rate_hz"]),
            )
