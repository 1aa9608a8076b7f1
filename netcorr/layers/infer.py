"""The mapping of a source that comes without one, from the names of its layers and columns."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from netcorr.errors import LayerError
from netcorr.layers.column_names import FITTINGS_NAMES, MAINS_NAMES, match_columns, units_by_name
from netcorr.layers.conditions import kind_from_text
from netcorr.layers.infer_codes import infer_code_tables
from netcorr.layers.mapping import FITTINGS_CODED, MAINS_CODED, FittingsMapping, LayerMapping, MainsMapping
from netcorr.layers.names import listed, plain_words
from netcorr.layers.source_summary import LayerSummary, SourceSummary

_MAINS_WORDS = frozenset(
    (
        *("mains", "main", "watermain", "watermains", "pipe", "pipes", "waterpipe", "waterpipes", "pipeline"),
        *("pipelines", "conduite", "conduites", "canalisation", "canalisations", "tuberia", "tuberias"),
        *("conduta", "condutas", "tubagem", "leitung", "leitungen", "wasserleitung", "wasserleitungen"),
        *("condotta", "condotte", "tubazione", "tubazioni", "leiding", "leidingen", "waterleiding"),
    )
)
_SERVICE_WORDS = frozenset(
    (
        *("service", "services", "lateral", "laterals", "connection", "connections", "branchement"),
        *("branchements", "acometida", "acometidas", "ramal", "ramais", "hausanschluss", "allacciamenti"),
        *("aansluiting", "aansluitingen", "sewer", "sewers", "storm", "gas"),
    )
)
_FITTINGS_WORDS = frozenset(
    (
        *(
            "fittings",
            "fitting",
            "appurtenances",
            "devices",
            "armaturen",
            "armatur",
            "accesorios",
            "accessori",
        ),
        *("acessorios", "appareils", "appendages", "appendage", "nodes", "structures"),
    )
)


def infer_mapping(summary: SourceSummary) -> LayerMapping:
    """Mapping of a source from the names of its layers and columns.

    Parameters
    ----------
    summary : SourceSummary
        From `survey_source` or `inspect_source`.

    Returns
    -------
    LayerMapping
        The mapping, with the reason for each choice.

    Raises
    ------
    LayerError
        If the mains, the fittings or an id column cannot be told from the names.
    """
    mains_layer, why = _mains_layer(summary)
    columns, reasons = _columns(mains_layer, MAINS_NAMES)
    codes, code_reasons = infer_code_tables(summary, columns, MAINS_CODED)
    chosen = _fittings_layers(summary)
    fittings = []
    notes = [f"layer {mains_layer.name!r} is taken for the mains: {why}", *reasons, *code_reasons]
    used = {mains_layer.name, *(layer.name for layer, _ in chosen)}
    used |= {table.layer for table in codes.values() if table.layer}
    for layer, reason in chosen:
        mapping, column_reasons = _fittings_mapping(layer, summary)
        fittings.append(mapping)
        notes += [f"layer {layer.name!r} is taken for fittings: {reason}", *column_reasons]
        used |= {table.layer for table in mapping.codes.values() if table.layer}
    notes += [f"layer {layer.name!r} is not used" for layer in summary.layers if layer.name not in used]
    return LayerMapping(
        mains=MainsMapping(
            layer=mains_layer.name, columns=columns, units=units_by_name(columns), codes=codes
        ),
        fittings=tuple(fittings),
        reasons=tuple(notes),
    )


def likely_role(layer: LayerSummary) -> str | None:
    """What a layer is for, from its geometry and its name.

    Parameters
    ----------
    layer : LayerSummary
        The layer.

    Returns
    -------
    {'mains', 'fittings'} or None
        None for other layers than lines and points.
    """
    if layer.geometry == "point" or _is_valve_lines(layer):
        return "fittings"
    return "mains" if layer.geometry == "line" else None


def column_roles(layer: LayerSummary) -> dict[str, str]:
    """Columns of a layer by the role that their names say.

    Parameters
    ----------
    layer : LayerSummary
        Lines are read as mains, points as fittings.

    Returns
    -------
    dict of str to str
        Role to column; empty for other layers.
    """
    aliases = {"mains": MAINS_NAMES, "fittings": FITTINGS_NAMES}.get(likely_role(layer) or "")
    return match_columns(layer, aliases)[0] if aliases else {}


def _mains_layer(summary: SourceSummary) -> tuple[LayerSummary, str]:
    lines = [layer for layer in summary.layers if layer.geometry == "line" and not _is_valve_lines(layer)]
    if not lines:
        raise LayerError(
            summary.source,
            found=f"no line layer, but {_described(summary.layers)}{_unread(summary)}",
            remedy="give a source that holds the mains as lines",
        )
    if len(lines) == 1:
        return lines[0], "it is the only line layer"
    scores = {layer.name: _mains_score(layer) for layer in lines}
    best = max(scores.values())
    top = [layer for layer in lines if scores[layer.name] == best]
    if len(top) > 1:
        raise LayerError(
            summary.source,
            found=f"{len(top)} line layers that could be the mains: {listed(layer.name for layer in top)}",
            remedy="name one of them mains, or say which in a mapping file under [mains]",
        )
    others = listed(layer.name for layer in lines if layer is not top[0])
    return top[0], f"its name and columns fit best among the line layers (the others: {others})"


def _mains_score(layer: LayerSummary) -> int:
    words = set(plain_words(layer.name).split(" "))
    columns, _ = match_columns(layer, MAINS_NAMES)
    score = 8 if plain_words(layer.name) == "mains" else 4 * bool(words & _MAINS_WORDS)
    score -= 8 * bool(words & _SERVICE_WORDS)
    return score + sum(role in columns for role in ("asset_id", "material", "diameter"))


def _fittings_layers(summary: SourceSummary) -> list[tuple[LayerSummary, str]]:
    valve_lines = [
        (layer, "its name says so; its valves are drawn as lines")
        for layer in summary.layers
        if _is_valve_lines(layer)
    ]
    points = [layer for layer in summary.layers if layer.geometry == "point"]
    plain = [layer for layer in points if plain_words(layer.name) == "fittings"]
    if plain:
        return [(plain[0], "its name says so"), *valve_lines]
    named = [(layer, "its name says so") for layer in points if _is_named_fitting(layer)]
    if named or (valve_lines and not points):
        return [*named, *valve_lines]
    if len(points) == 1:
        return [(points[0], "it is the only point layer"), *valve_lines]
    with_kind = [layer for layer in points if "kind" in match_columns(layer, FITTINGS_NAMES)[0]]
    if len(with_kind) == 1:
        reason = "it is the only point layer with a column for the kind of fitting"
        return [(with_kind[0], reason), *valve_lines]
    raise LayerError(
        summary.source,
        found=f"no fittings layer, but {_described(summary.layers)}{_unread(summary)}",
        remedy="give a source that also holds the valves and hydrants as points (a folder of files, a"
        " dataset with several layers), or name them in a mapping file under [[fittings]]",
    )


def _is_named_fitting(layer: LayerSummary) -> bool:
    words = set(plain_words(layer.name).split(" "))
    return bool(words & _FITTINGS_WORDS) or kind_from_text(layer.name) is not None


def _is_valve_lines(layer: LayerSummary) -> bool:
    words = set(plain_words(layer.name).split(" "))
    return (
        layer.geometry == "line"
        and kind_from_text(layer.name) == "valve"
        and not words & (_MAINS_WORDS | _SERVICE_WORDS)
    )


def _fittings_mapping(layer: LayerSummary, summary: SourceSummary) -> tuple[FittingsMapping, list[str]]:
    columns, reasons = _columns(layer, FITTINGS_NAMES)
    kind = kind_from_text(layer.name)
    if kind is not None:
        columns.pop("kind", None)
        reasons = [reason for reason in reasons if not reason.endswith(" the kind")]
        reasons.append(f"every feature of {layer.name!r} is taken for a {kind}: the layer's name says so")
    elif "kind" not in columns:
        kind = "other"
        reasons.append(f"{layer.name!r} has no column for the kind of fitting: all are of kind 'other'")
    codes, code_reasons = infer_code_tables(summary, columns, FITTINGS_CODED)
    mapping = FittingsMapping(layer=layer.name, columns=columns, kind=kind, codes=codes)
    return mapping, [*reasons, *code_reasons]


def _columns(layer: LayerSummary, aliases: Mapping[str, Sequence[str]]) -> tuple[dict[str, str], list[str]]:
    """Columns by role and the reasons; an id column must be among them."""
    columns, reasons = match_columns(layer, aliases)
    if "asset_id" not in columns:
        raise LayerError(
            f"layer {layer.name}",
            found=f"no asset_id column (its columns: {listed(layer.column_names, most=20)})",
            remedy="name the column with the ids asset_id, or say which it is in a mapping file",
        )
    return columns, reasons


def _described(layers: Iterable[LayerSummary]) -> str:
    return listed(
        f"{layer.name} ({layer.geometry if layer.geometry != 'none' else 'table'})" for layer in layers
    )


def _unread(summary: SourceSummary) -> str:
    return f" (not readable: {listed(summary.unread)})" if summary.unread else ""
