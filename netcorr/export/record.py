"""A survey's answer as plain values for machines: SI units, with the unit in every name."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pyproj

import netcorr
from netcorr.export.cautions import CAUTIONS, caution_for
from netcorr.export.plain_text import plain_values
from netcorr.export.result_tables import all_rejected, fitting_of

if TYPE_CHECKING:
    from netcorr.delay.evidence import DelayEvidence
    from netcorr.position.fix import Candidate, PairFix, SurveyFix
    from netcorr.recordings.recording import Rejected


def survey_dict(fix: SurveyFix) -> dict[str, Any]:
    """Answer of a survey as values that JSON can hold.

    Parameters
    ----------
    fix : SurveyFix
        The answer.

    Returns
    -------
    dict
        Keys `candidates`, `pairs`, `rejected`, `notes`, `cautions`, `map_accuracy_m`, `crs`, `network` and
        `netcorr_version`. Numbers are in SI units and probabilities from 0 to 1; what is not known is None.
    """
    to_degrees = pyproj.Transformer.from_crs(fix.network.crs, 4326, always_xy=True)
    answer = {
        "netcorr_version": netcorr.__version__,
        "network": fix.network.source,
        "crs": fix.network.crs.to_string(),
        "map_accuracy_m": fix.map_accuracy_m,
        "candidates": [_candidate(c, to_degrees) for c in fix.candidates],
        "pairs": [_pair(pair) for pair in fix.pairs],
        "rejected": [_rejected(item, number, fix) for number, item in all_rejected(fix)],
        "notes": list(fix.notes),
        "cautions": list(CAUTIONS),
    }
    plain: dict[str, Any] = plain_values(answer)
    return plain


def _candidate(candidate: Candidate, to_degrees: pyproj.Transformer) -> dict[str, Any]:
    longitude, latitude = to_degrees.transform(candidate.point.x, candidate.point.y)
    return {
        "candidate_id": candidate.candidate_id,
        "rank": candidate.rank,
        "probability": candidate.probability,
        "outcome": candidate.outcome,
        "in_bracket": candidate.in_bracket,
        "sensor_a": candidate.sensor_a,
        "sensor_b": candidate.sensor_b,
        "from_a_m": candidate.from_a_m,
        "from_b_m": candidate.from_b_m,
        "low_m": candidate.low_m,
        "high_m": candidate.high_m,
        "sd_m": candidate.sd_m,
        "stretches_m": [list(pair) for pair in candidate.stretch_m],
        "branches": [
            {"from_a_m": branch.from_a_m, "pipe_ids": list(branch.pipe_ids)} for branch in candidate.branches
        ],
        "delay_ms": candidate.delay_s * 1000,
        "pipe_id": candidate.pipe_id,
        "material": candidate.material,
        "diameter_mm": candidate.diameter_mm,
        "speed_m_s": candidate.speed_m_s,
        "rounds_used": candidate.rounds_used,
        "x": candidate.point.x,
        "y": candidate.point.y,
        "longitude_deg": longitude,
        "latitude_deg": latitude,
        "note": candidate.note,
        "caution": caution_for(candidate),
    }


def _pair(pair: PairFix) -> dict[str, Any]:
    path, budget = pair.path, pair.budget
    return {
        "sensor_a": path.sensor_a,
        "sensor_b": path.sensor_b,
        "logger_a": pair.logger_a,
        "logger_b": pair.logger_b,
        "outcome": pair.outcome,
        "probability_between": pair.probability_between,
        "probability_beyond_a": pair.probability_beyond_a,
        "probability_beyond_b": pair.probability_beyond_b,
        "probability_none": pair.probability_none,
        "candidate_ids": [candidate.candidate_id for candidate in pair.candidates],
        "length_m": path.length_m,
        "lead_a_m": path.lead_a_m,
        "lead_b_m": path.lead_b_m,
        "second_length_m": path.second_length_m,
        "travel_time_ms": pair.travel_time_s * 1000,
        "segments": [
            {
                "pipe_id": segment.pipe_id,
                "material": segment.material,
                "diameter_mm": segment.diameter_mm,
                "length_m": segment.length_m,
                "speed_m_s": speed.speed_m_s,
                "speed_common_sd_m_s": speed.common_sd_m_s,
                "speed_pipe_sd_m_s": speed.pipe_sd_m_s,
                "speed_source": speed.source,
            }
            for segment, speed in zip(path.segments, pair.speeds, strict=True)
        ],
        "sd_parts": None
        if budget is None
        else {
            "speed_m": budget.speed_m,
            "length_m": budget.length_m,
            "clock_m": budget.clock_m,
            "delay_m": budget.delay_m,
            "model_m": budget.model_m,
        },
        "rounds": [_round(evidence) for evidence in pair.evidence],
        "notes": list(pair.notes),
    }


def _round(evidence: DelayEvidence) -> dict[str, Any]:
    return {
        "round": evidence.round_number,
        "delay_ms": evidence.peak_delay_s * 1000,
        "standard_error_ms": evidence.standard_error_s * 1000,
        "second_opinion_ms": evidence.second_opinion_s * 1000,
        "coherence": evidence.coherence,
        "band_hz": list(evidence.band_hz),
        "significance": evidence.significance,
        "duration_s": evidence.duration_s,
        "notes": list(evidence.notes),
    }


def _rejected(item: Rejected, number: int | None, fix: SurveyFix) -> dict[str, Any]:
    row = item.deployment
    return {
        "logger": row.logger,
        "fitting": fitting_of(row, fix),
        "table": row.table,
        "row": row.row,
        "recording": row.recording.name,
        "round": number,
        "reason": item.reason,
    }
