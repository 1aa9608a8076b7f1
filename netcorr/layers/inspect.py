"""Looking into a source without loading it: what is in it, and what each thing would be taken for."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from netcorr.errors import LayerError
from netcorr.feedback import Feedback, NoFeedback, PartOf, check_cancelled
from netcorr.layers.code_tables import code_texts, stored_codes
from netcorr.layers.complete import completed
from netcorr.layers.crs import AREA_MARGIN_DEG, looks_like_degrees, outside_area_deg, parse_crs
from netcorr.layers.infer import column_roles, likely_role
from netcorr.layers.infer_codes import infer_code_tables
from netcorr.layers.mapping import FittingsMapping, LayerMapping, MainsMapping
from netcorr.layers.read_values import Codes
from netcorr.layers.resolve import ResolvedSource, resolve_source, split_source
from netcorr.layers.source_summary import LayerSummary, SourceSummary, ValueCount
from netcorr.layers.sources import find_layer, gdal_messages, survey_source
from netcorr.layers.stream import stream_records
from netcorr.layers.suggest import with_suggestions
from netcorr.layers.value_words import described_values

#: Roles whose distinct values are counted.
COUNTED_ROLES = ("material", "diameter", "status", "kind")
#: Distinct values counted in a column; what comes after is only counted as a whole.
MOST_VALUES = 1000
#: Types of geometry that are read as lines; curves are cut into short straight pieces.
_LINES = ("LineString", "MultiLineString", "CircularString", "CompoundCurve", "MultiCurve")
#: Features between two reports of progress.
_STRIDE = 2000

_NO_FEEDBACK = NoFeedback()


def inspect_source(
    source: str | Path,
    *,
    mapping: LayerMapping | str | Path | None = None,
    crs: Any = None,
    feedback: Feedback = _NO_FEEDBACK,
) -> SourceSummary:
    """List what is in a source, and how it would be read as a network.

    Parameters
    ----------
    source : str or pathlib.Path
        A dataset of several layers, a folder of files, or a TOML mapping that names its files.
    mapping : LayerMapping, or path of a TOML mapping, optional
        Inferred from the names when missing.
    crs : pyproj.CRS or what makes one, optional
        CRS in which the layers were drawn, in place of what the files say.
    feedback : Feedback
        Told of progress; can stop the work.

    Returns
    -------
    SourceSummary
        Layers, columns, distinct values of the columns that matter with their counts and what each was
        taken for, the mapping with its reasons, and what stands in the way.

    Raises
    ------
    LayerError
        If a file is missing or cannot be read, the given mapping does not fit it, or there is no such CRS.
        A source that can be
        read but is no network is no error: `SourceSummary.problems` says why.
    CancelledError
        If `feedback` says so.

    Notes
    -----
    Features are streamed and only counts are kept, so memory does not grow with the size of the file.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import geopandas as gpd
    >>> from shapely import LineString
    >>> mains = gpd.GeoDataFrame(
    ...     {"asset_id": ["M1", "M2"], "material": ["DI", "AC"]},
    ...     geometry=[LineString([(0, 50), (0, 51)])] * 2, crs="EPSG:4326")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     mains.to_file(pathlib.Path(folder, "mains.gpkg"))
    ...     summary = inspect_source(pathlib.Path(folder, "mains.gpkg"))
    >>> for value in summary.layers[0].columns[1].values:
    ...     print(value.value, value.count, value.taken_for)
    DI 1 ductile iron
    AC 1 asbestos cement or steel?
    >>> summary.problems[0].split(";")[0]
    'mains.gpkg: no fittings layer, but mains (line)'
    """
    summary, resolved = _surveyed(source, mapping)
    given = None if crs is None else parse_crs(crs, "CRS (--crs)")
    if resolved is not None and given is not None:
        resolved = replace(resolved, mapping=replace(resolved.mapping, crs=given.to_string()))
    views = [_drawn_in(_view(layer, summary, resolved), given, resolved) for layer in summary.layers]
    total = max(1, sum(layer.count for layer in summary.layers))
    done = 0
    layers = []
    for view in views:
        part = PartOf(feedback, start=done / total, stop=(done + view.layer.count) / total)
        layers.append(_asked(_counted(view, part), view))
        done += view.layer.count
    feedback.progress(1.0, "inspected")
    problems = [*summary.problems, *(text for layer in layers if layer.role for text in _problems(layer))]
    if resolved is None:
        return replace(summary, layers=tuple(layers), problems=tuple(problems))
    place = next(k for k, view in enumerate(views) if view.mapping is resolved.mapping.mains)
    layers[place], mapping, found = completed(layers[place], resolved.mapping)
    problems += [f"{_item(layers[place])}: {text}" for text in found]
    return replace(summary, layers=tuple(layers), mapping=mapping, problems=tuple(problems))


@dataclass
class _View:
    """One layer, what its columns are taken for, and how their values are read."""

    layer: LayerSummary
    role: str | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    mapping: MainsMapping | FittingsMapping | None = None
    codes: Codes = field(default_factory=dict)

    @property
    def counted(self) -> dict[str, str]:
        """Roles whose values are counted, with their columns."""
        return {role: column for role, column in self.columns.items() if role in COUNTED_ROLES}


def _surveyed(
    source: str | Path, mapping: LayerMapping | str | Path | None
) -> tuple[SourceSummary, ResolvedSource | None]:
    """Headers of all layers, and the mapping where there is one or one can be inferred."""
    base, given = split_source(source, mapping)
    if given is not None:
        resolved = resolve_source(source, given)
        layers = survey_source(base).layers if base is not None else ()
        known = {(layer.path, layer.layer) for layer in layers}
        extra = [
            layer for layer in (resolved.mains, *resolved.fittings) if (layer.path, layer.layer) not in known
        ]
        return SourceSummary(Path(source).name, (*layers, *extra), path=base), resolved
    summary = survey_source(source)
    try:
        return summary, resolve_source(source)
    except LayerError as error:
        return replace(summary, problems=(str(error),)), None


def _view(layer: LayerSummary, summary: SourceSummary, resolved: ResolvedSource | None) -> _View:
    place = (layer.path, layer.layer)
    if resolved is None:
        columns = column_roles(layer)
        tables, _ = infer_code_tables(summary, columns, COUNTED_ROLES)
        codes = {role: code_texts(table, find_layer(summary, table.layer)) for role, table in tables.items()}
        return _View(layer, likely_role(layer), columns, codes={**stored_codes(layer, columns), **codes})
    if place == (resolved.mains.path, resolved.mains.layer):
        mains = resolved.mapping.mains
        return _View(layer, "mains", mains.columns, mains, resolved.mains_codes)
    parts = zip(resolved.fittings, resolved.mapping.fittings, resolved.fittings_codes, strict=True)
    for found, part, texts in parts:
        if place == (found.path, found.layer):
            return _View(layer, "fittings", part.columns, part, texts)
    return _View(layer)


def _drawn_in(view: _View, given: Any, resolved: ResolvedSource | None) -> _View:
    """Layer in the CRS that is said to hold for it, in place of the file's."""
    said = (given, getattr(view.mapping, "crs", None), resolved.mapping.crs if resolved else None)
    crs = next((one for one in said if one is not None), None)
    if crs is None or not view.role:
        return view
    return replace(view, layer=replace(view.layer, crs=parse_crs(crs, _item(view.layer))))


def _counted(view: _View, feedback: Feedback) -> LayerSummary:
    """Layer with its values counted, by one pass over its features."""
    columns = view.counted
    counts: dict[str, Counter[str]] = {role: Counter() for role in columns}
    uncounted: Counter[str] = Counter()
    shapes: Counter[str] = Counter()
    with gdal_messages(f"{view.layer.path.name}, layer {view.layer.name}"):
        for number, (shape, values) in enumerate(stream_records(view.layer, list(columns.values()))):
            if number % _STRIDE == 0:
                check_cancelled(feedback)
                feedback.progress(min(1.0, number / max(1, view.layer.count)), f"reading {view.layer.name}")
            shapes[shape or "none"] += 1
            for role, value in zip(columns, values, strict=True):
                text = _written(value)
                if text in counts[role] or len(counts[role]) < MOST_VALUES:
                    counts[role][text] += 1
                else:
                    uncounted[role] += 1
    return _described(view, counts, uncounted, shapes)


def _asked(layer: LayerSummary, view: _View) -> LayerSummary:
    """Layer with the columns to ask about; where one kind holds for all fittings, only what differs."""
    kind = getattr(view.mapping, "kind", None)
    return with_suggestions(layer, view.columns, kind=None if kind == "other" else kind)


def _described(
    view: _View, counts: dict[str, Counter[str]], uncounted: Counter[str], shapes: Counter[str]
) -> LayerSummary:
    roles = {column: role for role, column in reversed(list(view.columns.items()))}
    columns = []
    for column in view.layer.columns:
        role = roles.get(column.name)
        values: tuple[ValueCount, ...] = ()
        if role in counts:
            values = described_values(
                counts[role],
                role,
                column.name,
                view.mapping,
                of=view.role or "",
                codes=view.codes.get(role, {}),
            )
        columns.append(replace(column, role=role, values=values, uncounted=uncounted[role] if role else 0))
    return replace(view.layer, role=view.role, columns=tuple(columns), geometry_counts=dict(shapes))


def _written(value: Any) -> str:
    """Value as text; whole numbers without a decimal point."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value).strip()


def _problems(layer: LayerSummary) -> list[str]:
    """What of a used layer stands in the way of reading it."""
    item = _item(layer)
    found = []
    read = sum(layer.geometry_counts.values())
    if read != layer.count:
        found.append(f"{item}: {layer.count} features are declared and {read} can be read; repair the file")
    wanted = (*_LINES, "Point", "MultiPoint") if layer.role == "fittings" else _LINES
    wrong = {kind: n for kind, n in layer.geometry_counts.items() if kind not in (*wanted, "none")}
    if wrong:
        kinds = ", ".join(f"{n} {kind}" for kind, n in wrong.items())
        found.append(f"{item}: {kinds} among the {layer.role}; split them off")
    return [*found, *_place_problems(layer, item)]


def _item(layer: LayerSummary) -> str:
    return f"{layer.path.name}, layer {layer.name}"


def _place_problems(layer: LayerSummary, item: str) -> list[str]:
    if layer.crs is None:
        return [f"{item}: no CRS; give the CRS it was drawn in with --crs, for example --crs EPSG:32633"]
    if layer.bounds is None:
        return []
    west, south, east, north = layer.bounds
    centre = np.array([(west + east) / 2]), np.array([(south + north) / 2])
    off = float(outside_area_deg(*centre, layer.crs)[0])
    if looks_like_degrees(layer.bounds, layer.crs) or off > AREA_MARGIN_DEG:
        return [
            f"{item}: coordinates from ({west:g}, {south:g}) to ({east:g}, {north:g}) cannot be true in "
            f"its CRS, {layer.crs.name}; give the CRS in which it was really drawn with --crs"
        ]
    return []
