"""The report: one page that holds everything and asks the network for nothing."""

from __future__ import annotations

import base64
import hashlib
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import jinja2
from markupsafe import Markup

import netcorr
from netcorr.errors import ExportError
from netcorr.export.cautions import CAUTIONS
from netcorr.export.ground_words import ground_words
from netcorr.export.plain_text import plain_text
from netcorr.export.read_result import StoredResult, read_result
from netcorr.export.report.advice import AFTER_REPAIR, SILENCE
from netcorr.export.report.cards import Card, make_cards
from netcorr.export.report.sound import Recordings
from netcorr.export.report.survey_map import HEIGHT, WIDTH, survey_map
from netcorr.export.safe_file import check_folder, replacing
from netcorr.export.sentences import (
    fitting_label,
    format_length,
    percent,
    rejected_recording,
    sentences,
    strength,
)
from netcorr.export.words import headline, rounds_compared
from netcorr.feedback import Feedback, NoFeedback, check_cancelled
from netcorr.units import UnitSystem

if TYPE_CHECKING:
    from netcorr.position.fix import SurveyFix

_TEMPLATES = Path(__file__).parent / "templates"
#: Marks a page of ours, so that no other file is replaced.
MARK = '<meta name="generator" content="netcorr report">'


@dataclass(frozen=True)
class ReportSummary:
    """What went into a report.

    Attributes
    ----------
    headline : str
        What the survey found.
    candidates : int
        Candidates with a card.
    sounds : int
        Recordings to listen to.
    problems : tuple of str
        Recordings that could not be used, and why.
    bytes : int
        Size of the page.
    """

    headline: str
    candidates: int
    sounds: int
    problems: tuple[str, ...]
    bytes: int


def write_report(
    result: str | os.PathLike[str] | StoredResult,
    path: str | os.PathLike[str],
    *,
    recordings: str | os.PathLike[str] | None = None,
    units: UnitSystem = "metric",
    feedback: Feedback | None = None,
) -> ReportSummary:
    """Write the report of a survey as one HTML file that needs nothing else.

    Parameters
    ----------
    result : str, path-like or StoredResult
        GeoPackage that ``netcorr locate`` wrote, or what `read_result` made of it.
    path : str or path-like
        File to write, ending in ``.html``.
    recordings : str or path-like, optional
        Folder of the recordings, or table of deployments that names them, when they are no longer where
        they were. Without any recordings the report has no sounds and no spectrograms, and says so.
    units : {'metric', 'us'}
        Units of words and axes.
    feedback : Feedback, optional
        Told how far the work is.

    Returns
    -------
    ReportSummary
        What went into it.

    Raises
    ------
    ExportError
        If the result cannot be read, or the page cannot be written or would replace something else.
    CancelledError
        If the user stopped it; nothing is written then.
    """
    feedback = feedback or NoFeedback()
    target = Path(path)
    _check_target(target)
    feedback.progress(0.05, "reading the result")
    stored = result if isinstance(result, StoredResult) else read_result(result)
    if not stored.fix.pairs:
        raise ExportError(
            str(stored.path),
            found="no pair of sensors was compared in it (every round holds a known noise), so there is "
            "nothing to report on",
            remedy="read its notes in the layer survey_notes, or locate with a round to search",
        )
    check_cancelled(feedback)
    found = Recordings(stored, Path(recordings) if recordings is not None else None)
    feedback.progress(0.3, "reading recordings and drawing")
    ground = ground_words(stored, units=units)
    candidates, silent = make_cards(stored.fix, found, units=units, ground=ground)
    check_cancelled(feedback)
    feedback.progress(0.8, "writing the page")
    text = _render(stored, candidates, silent, problems=tuple(found.problems), units=units)
    data = text.encode("utf-8")
    with replacing(target) as draft:
        draft.write_bytes(data)
        check_cancelled(feedback)
    feedback.progress(1.0, f"wrote {target.name}")
    return ReportSummary(
        headline=headline(stored.fix, rounds=rounds_compared(stored.fix)),
        candidates=len(candidates),
        sounds=sum(len(card.sounds) for card in (*candidates, *silent)),
        problems=tuple(found.problems),
        bytes=len(data),
    )


def _check_target(target: Path) -> None:
    if target.suffix.lower() not in {".html", ".htm"}:
        raise ExportError(str(target), found="no .html at the end", remedy="name it such as report.html")
    check_folder(target)
    if target.exists():
        with target.open("rb") as stream:
            start = stream.read(4096)
        if start and MARK.encode() not in start:
            raise ExportError(
                str(target),
                found="it exists and is not an earlier report",
                remedy="choose another name, or move that file away first",
            )


def _render(
    stored: StoredResult,
    candidates: tuple[Card, ...],
    silent: tuple[Card, ...],
    *,
    problems: tuple[str, ...],
    units: UnitSystem,
) -> str:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=_clean,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    script = (_TEMPLATES / "report.js").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
    fix = stored.fix
    return environment.get_template("report.html").render(
        mark=Markup(MARK),
        style=Markup((_TEMPLATES / "report.css").read_text(encoding="utf-8")),
        script=Markup(script),
        script_hash=digest,
        headline=headline(fix, rounds=rounds_compared(fix)),
        cautions=CAUTIONS,
        overview=_overview(fix, units),
        after_repair=AFTER_REPAIR,
        silence=SILENCE,
        map=survey_map(stored, units=units),
        map_width=WIDTH,
        map_height=HEIGHT,
        units=units,
        candidates=candidates,
        more=max(len(fix.candidates) - len(candidates), 0),
        silent=silent,
        more_silent=max(sum(not pair.candidates for pair in fix.pairs) - len(silent), 0),
        pairs=_pairs(fix, units),
        problems=problems,
        rejected=[rejected_recording(item, None) for item in fix.rejected],
        notes=sentences(fix.notes, units=units),
        sensors=_sensors(stored, units),
        rounds=[(number, _utc(start)) for number, start in stored.round_starts.items()],
        recordings=stored.recordings,
        made_from=_made_from(stored),
        result_name=stored.path.name,
        version=netcorr.__version__,
        written=_utc(datetime.now(UTC)),
        crs=fix.network.crs.name,
        map_accuracy=format_length(fix.map_accuracy_m, units),
    )


def _clean(value: Any) -> Any:
    """Text of files on one line, without marks that change its direction."""
    return plain_text(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _overview(fix: SurveyFix, units: UnitSystem) -> list[dict[str, str]]:
    """Rows of the table of candidates."""
    rows = []
    for one in fix.candidates:
        a, b = (fitting_label(end, fix) for end in (one.sensor_a, one.sensor_b))
        low, high = (format_length(m, units) for m in (one.low_m, one.high_m))
        rows.append(
            {
                "rank": f"{one.rank}",
                "where": f"between {a} and {b}"
                if one.in_bracket
                else f"at or beyond {fitting_label(one.beyond, fix)}",
                "strength": f"{strength(one.probability)}, {percent(one.probability)}",
                "from_a": format_length(one.from_a_m, units) if one.in_bracket else "do not dig here",
                "from_b": format_length(one.from_b_m, units) if one.in_bracket else "do not dig here",
                "stretch": f"{low} to {high}" if one.in_bracket else "",
                "pipe": one.pipe_id,
            }
        )
    return rows


def _pairs(fix: SurveyFix, units: UnitSystem) -> list[tuple[str, ...]]:
    return [
        (
            f"{fitting_label(pair.path.sensor_a, fix)} to {fitting_label(pair.path.sensor_b, fix)}",
            format_length(pair.path.length_m, units),
            pair.outcome,
            percent(pair.probability_between),
            percent(pair.probability_beyond_a),
            percent(pair.probability_beyond_b),
            percent(pair.probability_none),
        )
        for pair in fix.pairs
    ]


def _sensors(stored: StoredResult, units: UnitSystem) -> list[tuple[str, ...]]:
    table = stored.sensors.drop(columns="geometry").astype(object)
    rows = table.where(table.notna(), None).to_dict("records")
    return [
        (
            str(row["logger"] or ""),
            f"{row['kind'] or 'place'} {row['fitting'] or ''}",
            format_length(float(row["lead_m"] or 0.0), units),
            str(row["quality"] or ""),
        )
        for row in rows
    ]


def _made_from(stored: StoredResult) -> list[tuple[str, str, str]]:
    """Settings and files other than recordings: what, value or path, fingerprint."""
    rows = []
    for row in stored.made_from:
        if row["role"] == "recording":
            continue
        what = row["name"] if row["role"] in {"setting", "program"} else row["role"]
        value = row["value"] if row["value"] is not None else row["path"]
        rows.append((str(what), str(value or ""), str(row["sha256"] or "")))
    return rows


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
