"""What a map holds and how it is understood, before anything is computed from it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from netcorr.feedback import Feedback, NoFeedback
from netcorr.tools.declare import Tool
from netcorr.tools.parameter import Parameter
from netcorr.tools.shared_parameters import CRS, MAPPING
from netcorr.units import format_count

if TYPE_CHECKING:
    from netcorr.layers import ColumnSummary, LayerMapping, LayerSummary, SourceSummary, ValueCount

#: So many different values of a column are shown in the text; all that were counted are in the JSON.
_SHOWN = 20


@dataclass(frozen=True)
class InspectResult:
    """What is in a source.

    Attributes
    ----------
    summary : SourceSummary
        As found.
    mapping_file : pathlib.Path or None
        Mapping that was written.
    """

    summary: SourceSummary
    mapping_file: Path | None = None
    exit_code: int = 0
    verdict: str = ""

    @property
    def files(self) -> tuple[Path, ...]:
        """Files that were written."""
        return () if self.mapping_file is None else (self.mapping_file,)

    def text(self) -> str:
        """Give the summary in words."""
        from netcorr.export.plain_text import plain_text

        return "\n".join(plain_text(line) for line in _lines(self.summary))

    def as_dict(self) -> dict[str, Any]:
        """Give the summary for machines."""
        summary = self.summary
        return {
            "source": summary.source,
            "can_be_read": not summary.problems,
            "problems": list(summary.problems),
            "questions": list(summary.questions),
            "unread": list(summary.unread),
            "layers": [_layer_dict(layer) for layer in summary.layers],
            "mapping": None if summary.mapping is None else _mapping_dict(summary.mapping),
            "mapping_file": None if self.mapping_file is None else str(self.mapping_file),
        }


def inspect(
    *,
    source: Path,
    mapping: Path | None = None,
    crs: str | None = None,
    mapping_file: Path | None = None,
    feedback: Feedback | None = None,
) -> InspectResult:
    """Look into a source without loading it whole.

    Parameters
    ----------
    source : pathlib.Path
        A file, a folder of files, or a dataset of several layers.
    mapping : pathlib.Path, optional
        TOML file that says which layers and columns mean what; inferred when not given.
    crs : str, optional
        CRS in which the layers were drawn, in place of what the files say.
    mapping_file : pathlib.Path, optional
        TOML file to write the mapping to; never replaces one that is there.
    feedback : Feedback, optional
        Progress and log.

    Returns
    -------
    InspectResult
        Layers, columns, values, and what each was taken for.

    Raises
    ------
    LayerError
        If there is no such source, or it cannot be read, or the file to write exists already.
    """
    from netcorr.layers import inspect_source, write_mapping
    from netcorr.layers.mapping_file import refuse_existing

    if mapping_file is not None:
        refuse_existing(mapping_file)
    summary = inspect_source(source, mapping=mapping, crs=crs, feedback=feedback or NoFeedback())
    return InspectResult(summary, None if mapping_file is None else write_mapping(summary, mapping_file))


def _lines(summary: SourceSummary) -> Iterator[str]:
    count = len(summary.layers)
    yield f"{summary.source}: {format_count(count, 'layer')}"
    for layer in summary.layers:
        yield ""
        yield from _layer_lines(layer)
    if summary.unread:
        yield from ("", "Not read")
        yield from (f"  {reason}" for reason in summary.unread)
    if summary.mapping is not None and summary.mapping.reasons:
        yield from ("", "How it was understood")
        yield from (f"  {reason}" for reason in summary.mapping.reasons)
    if summary.questions:
        yield ""
        yield "What a mapping has to say (--write-mapping FILE.toml writes one to fill in)"
        yield from (f"  {question}" for question in summary.questions[:_SHOWN])
        if len(summary.questions) > _SHOWN:
            yield f"  and {len(summary.questions) - _SHOWN} more values"
    yield ""
    if summary.problems:
        yield "What stands in the way of locating leaks on it"
        yield from (f"  {problem}" for problem in summary.problems)
    else:
        yield from _verdict_lines(summary)


def _verdict_lines(summary: SourceSummary) -> Iterator[str]:
    """Whether leaks can be located on it, and on which share of the mains they cannot."""
    mains = next((layer for layer in summary.layers if layer.role == "mains"), None)
    mapped = summary.mapping.mains.columns if summary.mapping is not None else {}
    lacks = []
    if mains is not None:
        columns = {column.name: column for column in mains.columns}
        found = [
            _lacking(mains, role, columns.get(mapped.get(role, ""))) for role in ("material", "diameter")
        ]
        lacks = [one for one in found if one[0]]
    all_lack = mains is not None and any(count == mains.count for count, _ in lacks)
    if not lacks:
        yield "It can be used for locating leaks."
        return
    if all_lack and "wave_speed" not in mapped:
        yield "As it is, leaks cannot be located on it:"
    else:
        yield "It can be used for locating leaks, but not on the mains of which it lacks something:"
    yield from (f"  {text}" for _, text in lacks)
    yield (
        "  Answer the questions above, or say under [missing] in a mapping what to take for them; "
        "a main with a measured wave speed needs neither."
    )


def _lacking(mains: LayerSummary, role: str, column: ColumnSummary | None) -> tuple[int, str]:
    """How many mains have no material or diameter that is understood, and the same in words."""
    if column is None:
        return mains.count, f"no column for the {role}"
    unclear = sum(value.count for value in column.values if value.asked)
    silent = sum(value.count for value in column.values if not value.asked and value.taken_for == "unknown")
    told = ((unclear, "wait for an answer"), (silent, "have nothing written"))
    parts = [f"{count} {words}" for count, words in told if count]
    lacking = unclear + silent
    return lacking, f"the {role} of {lacking} of {mains.count} mains is not known: {', '.join(parts)}"


def _layer_lines(layer: LayerSummary) -> Iterator[str]:
    kinds = ", ".join(f"{count} {kind}" for kind, count in layer.geometry_counts.items())
    crs = "no CRS" if layer.crs is None else _crs_name(layer.crs)
    role = f"taken for {layer.role}" if layer.role else "not used"
    yield f"{layer.name}: {layer.count} features ({kinds or layer.geometry}), {crs}, {role}"
    width = max((len(column.name) for column in layer.columns), default=0)
    for column in layer.columns:
        yield f"  {column.name:<{width}}  {column.dtype:<8}{column.role or '-'}"
        if column.note:
            yield f"{'':<{width + 4}}{column.note}"
        yield from _value_lines(column, indent=width + 4)


def _value_lines(column: ColumnSummary, *, indent: int) -> Iterator[str]:
    shown = column.values[:_SHOWN]
    width = max((len(value.value or "(blank)") for value in shown), default=0)
    for value in shown:
        meaning = f"{value.meaning}: " if value.meaning else ""
        yield (
            f"{'':<{indent}}{value.value or '(blank)':<{width}} {value.count:>7}  {meaning}{value.taken_for}"
        )
    rest = sum(value.count for value in column.values[_SHOWN:]) + column.uncounted
    if rest:
        yield f"{'':<{indent}}and {rest} features with other values"


def _crs_name(crs: Any) -> str:
    authority = crs.to_authority()
    return f"{':'.join(authority)} ({crs.name})" if authority else str(crs.name)


def _layer_dict(layer: LayerSummary) -> dict[str, Any]:
    return {
        "name": layer.name,
        "path": str(layer.path),
        "layer": layer.layer,
        "taken_for": layer.role,
        "geometry": layer.geometry,
        "geometry_counts": dict(layer.geometry_counts),
        "has_z": layer.has_z,
        "count": layer.count,
        "crs": None if layer.crs is None else _crs_name(layer.crs),
        "bounds": None if layer.bounds is None else list(layer.bounds),
        "columns": [
            {
                "name": column.name,
                "type": column.dtype,
                "taken_for": column.role,
                "note": column.note,
                "values": [_value_dict(value) for value in column.values],
                "uncounted": column.uncounted,
            }
            for column in layer.columns
        ],
    }


def _value_dict(value: ValueCount) -> dict[str, Any]:
    meaning = {"meaning": value.meaning} if value.meaning else {}
    return {"value": value.value, "count": value.count, "taken_for": value.taken_for, **meaning}


def _mapping_dict(mapping: LayerMapping) -> dict[str, Any]:
    return {
        "mains": {
            "layer": mapping.mains.layer,
            "columns": dict(mapping.mains.columns),
            "units": dict(mapping.mains.units),
        },
        "fittings": [
            {"layer": part.layer, "kind": part.kind, "columns": dict(part.columns)}
            for part in mapping.fittings
        ],
        "reasons": list(mapping.reasons),
    }


TOOL = Tool(
    id="inspect",
    title="Inspect a map",
    purpose="Show what a map holds and how netcorr understands it.",
    description=(
        "Lists layers, coordinate reference systems, columns and the values of the columns that matter, "
        "with what each was taken for, and says what stands in the way of locating leaks on it. The file "
        "is read in a stream, whatever its size, and never changed."
    ),
    function=inspect,
    parameters=(
        Parameter(
            "source",
            "source",
            "Map",
            "Any vector file that GDAL reads, a folder of such files, or a dataset of several layers.",
            required=True,
        ),
        MAPPING,
        CRS,
        Parameter(
            "mapping_file",
            "file_out",
            "Mapping to write",
            "TOML file to write the mapping to, to check and edit; a file that is there is never replaced.",
            ("--write-mapping",),
            suffixes=(".toml",),
        ),
    ),
    examples=(
        ("A GeoPackage, or a folder of Shapefiles:", "town.gpkg"),
        ("The same for a program:", "exports/shapefiles --json"),
        (
            "Write what was understood, with a line to fill in for the rest:",
            "export.gdb --write-mapping our.toml",
        ),
        ("With the utility's own layer and column names explained:", "export.gdb --mapping our_map.toml"),
    ),
)
