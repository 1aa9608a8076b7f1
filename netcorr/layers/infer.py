"""The mapping of a source that comes without one, from the names of its layers and columns."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from netcorr.errors import LayerError
from netcorr.layers.conditions import kind_from_text
from netcorr.layers.mapping import FittingsMapping, LayerMapping, MainsMapping
from netcorr.layers.names import SHORT_NAME, listed, plain_words
from netcorr.layers.source_summary import LayerSummary, SourceSummary

#: Names of columns by role, the plain name first; a name that holds a unit says it. Common practice.
_IDS = (
    *("asset_id", "pipe_id", "main_id", "fitting_id", "valve_id", "hydrant_id", "meter_id", "node_id"),
    *("facility_id", "facilityid", "asset_no", "asset_number", "unit_id", "id", "uid", "ident", "identifier"),
    *("identifiant", "identificador", "codigo", "code", "kennung", "nummer", "pipe_no", "number", "name"),
    *("global_id", "gid", "object_id", "fid", "ogc_fid"),
)
_MAINS: Mapping[str, tuple[str, ...]] = {
    "asset_id": _IDS,
    "material": (
        *("material", "pipe_material", "main_material", "mat", "pipe_mat", "mtrl", "material_code", "matl"),
        *("materiau", "materiaux", "material_tubo", "materiale", "materiaal", "werkstoff", "rohrmaterial"),
    ),
    "diameter": (
        *(
            "diameter_mm",
            "diameter_in",
            "diameter",
            "nominal_diameter",
            "pipe_diameter",
            "nom_diameter",
            "diam",
        ),
        *(
            "diam_mm",
            "diam_in",
            "dia_mm",
            "dia_in",
            "dia",
            "dn",
            "dn_mm",
            "nominal_size",
            "pipe_size",
            "size_mm",
        ),
        *(
            "size_in",
            "size",
            "diametre",
            "diametre_mm",
            "diametro",
            "diametro_mm",
            "durchmesser",
            "nennweite",
        ),
        *("dimension", "outside_diameter", "nominaldia"),
    ),
    "wall": (
        *("wall_mm", "wall_in", "wall_thickness", "wall_thickness_mm", "wall", "epaisseur", "espesor"),
        *("espessura", "wandstaerke", "wanddicke", "spessore", "wanddikte"),
    ),
    "year": (
        *("year", "year_laid", "install_year", "year_installed", "laid_year", "install_date", "date_laid"),
        *(
            "installation_date",
            "annee",
            "annee_pose",
            "date_pose",
            "ano",
            "anio",
            "baujahr",
            "anno",
            "bouwjaar",
        ),
        *("aanlegjaar", "jaar"),
    ),
    "wave_speed": ("wave_speed", "wave_speed_m_s", "wavespeed", "celerity"),
    "length": ("length_m", "length_ft", "measured_length", "measured_length_m"),
    "status": (
        *("status", "service_status", "in_service", "active", "active_flag", "lifecycle_status", "lifecycle"),
        *(
            "life_cycle",
            "state",
            "enabled",
            "statut",
            "etat",
            "estado",
            "stato",
            "betriebszustand",
            "zustand",
        ),
        *("abandoned", "condition_status"),
    ),
}
_FITTINGS: Mapping[str, tuple[str, ...]] = {
    "asset_id": _IDS,
    "kind": (
        *(
            "kind",
            "fitting_kind",
            "fitting_type",
            "asset_type",
            "type",
            "sub_type",
            "category",
            "feature_type",
        ),
        *("tipo", "genre", "art", "soort", "typ", "class"),
    ),
    "status": (
        *(
            "status",
            "valve_status",
            "open_closed",
            "is_open",
            "currently_open",
            "position",
            "normal_position",
        ),
        *("valve_position", "normal_status", "current_status", "closed", "state", "etat", "estado", "stato"),
        *("stellung", "stand"),
    ),
}
#: Names of a diameter column that say its unit although they do not end on it.
_UNIT_OF_NAME = {"dn": "mm", "nennweite": "mm", "dn_mm": "mm"}
_UNIT_ENDINGS = {"diameter": ("mm", "in"), "wall": ("mm", "in"), "length": ("m", "ft")}

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
    columns, reasons = _columns(mains_layer, _MAINS)
    units = _units(columns)
    chosen = _fittings_layers(summary)
    fittings = []
    notes = [f"layer {mains_layer.name!r} is taken for the mains: {why}", *reasons]
    for layer, reason in chosen:
        mapping, column_reasons = _fittings_mapping(layer)
        fittings.append(mapping)
        notes += [f"layer {layer.name!r} is taken for fittings: {reason}", *column_reasons]
    used = {mains_layer.name, *(layer.name for layer, _ in chosen)}
    notes += [f"layer {layer.name!r} is not used" for layer in summary.layers if layer.name not in used]
    return LayerMapping(
        mains=MainsMapping(layer=mains_layer.name, columns=columns, units=units),
        fittings=tuple(fittings),
        reasons=tuple(notes),
    )


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
    aliases = {"line": _MAINS, "point": _FITTINGS}.get(layer.geometry)
    return _match(layer, aliases)[0] if aliases else {}


def _mains_layer(summary: SourceSummary) -> tuple[LayerSummary, str]:
    lines = [layer for layer in summary.layers if layer.geometry == "line"]
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
    columns, _ = _match(layer, _MAINS)
    score = 8 if plain_words(layer.name) == "mains" else 4 * bool(words & _MAINS_WORDS)
    score -= 8 * bool(words & _SERVICE_WORDS)
    return score + sum(role in columns for role in ("asset_id", "material", "diameter"))


def _fittings_layers(summary: SourceSummary) -> list[tuple[LayerSummary, str]]:
    points = [layer for layer in summary.layers if layer.geometry == "point"]
    plain = [layer for layer in points if plain_words(layer.name) == "fittings"]
    if plain:
        return [(plain[0], "its name says so")]
    named = [(layer, "its name says so") for layer in points if _is_named_fitting(layer)]
    if named:
        return named
    if len(points) == 1:
        return [(points[0], "it is the only point layer")]
    with_kind = [layer for layer in points if "kind" in _match(layer, _FITTINGS)[0]]
    if len(with_kind) == 1:
        return [(with_kind[0], "it is the only point layer with a column for the kind of fitting")]
    raise LayerError(
        summary.source,
        found=f"no fittings layer, but {_described(summary.layers)}{_unread(summary)}",
        remedy="give a source that also holds the valves and hydrants as points (a folder of files, a"
        " dataset with several layers), or name them in a mapping file under [[fittings]]",
    )


def _is_named_fitting(layer: LayerSummary) -> bool:
    words = set(plain_words(layer.name).split(" "))
    return bool(words & _FITTINGS_WORDS) or kind_from_text(layer.name) is not None


def _fittings_mapping(layer: LayerSummary) -> tuple[FittingsMapping, list[str]]:
    columns, reasons = _columns(layer, _FITTINGS)
    kind = kind_from_text(layer.name)
    if kind is not None:
        columns.pop("kind", None)
        reasons = [reason for reason in reasons if not reason.endswith(" the kind")]
        reasons.append(f"every feature of {layer.name!r} is taken for a {kind}: the layer's name says so")
    elif "kind" not in columns:
        kind = "other"
        reasons.append(f"{layer.name!r} has no column for the kind of fitting: all are of kind 'other'")
    return FittingsMapping(layer=layer.name, columns=columns, kind=kind), reasons


def _columns(layer: LayerSummary, aliases: Mapping[str, Sequence[str]]) -> tuple[dict[str, str], list[str]]:
    """Columns by role and the reasons; an id column must be among them."""
    columns, reasons = _match(layer, aliases)
    if "asset_id" not in columns:
        raise LayerError(
            f"layer {layer.name}",
            found=f"no asset_id column (its columns: {listed(layer.column_names, most=20)})",
            remedy="name the column with the ids asset_id, or say which it is in a mapping file",
        )
    return columns, reasons


def _match(layer: LayerSummary, aliases: Mapping[str, Sequence[str]]) -> tuple[dict[str, str], list[str]]:
    columns: dict[str, str] = {}
    reasons: list[str] = []
    for role, names in aliases.items():
        free = [name for name in layer.column_names if name not in columns.values()]
        for alias in names:
            hit = next((name for name in free if _is_alias(name, alias)), None)
            if hit is not None:
                columns[role] = hit
                if hit != names[0]:
                    reasons.append(f"column {hit!r} of {layer.name!r} is taken for the {_in_words(role)}")
                break
    return columns, reasons


def _in_words(role: str) -> str:
    return {"asset_id": "id", "wall": "wall thickness", "wave_speed": "wave speed"}.get(role, role)


def _is_alias(name: str, alias: str) -> bool:
    """Whether a column carries an alias, also when a Shapefile cut its name."""
    cut = {alias[:SHORT_NAME], alias.replace("_", "")[:SHORT_NAME]} if len(alias) > SHORT_NAME else set()
    is_cut = len(name) == SHORT_NAME and name.lower() in cut
    return is_cut or plain_words(name).replace(" ", "") == alias.replace("_", "")


def _units(columns: Mapping[str, str]) -> dict[str, str]:
    """Units that the names of the columns say.

    A name cut to 10 letters says nothing: `diameter_m` may be metres or the start of `diameter_mm`.
    """
    units: dict[str, str] = {}
    for role, endings in _UNIT_ENDINGS.items():
        name = columns.get(role, "")
        words = plain_words(name).split(" ")
        if words[-1] in endings:
            units[role] = words[-1]
        elif role == "diameter" and name.lower() in _UNIT_OF_NAME:
            units[role] = _UNIT_OF_NAME[name.lower()]
        elif role == "diameter" and name.lower() == "diameter_in"[:SHORT_NAME]:
            units[role] = "in"
    return units


def _described(layers: Iterable[LayerSummary]) -> str:
    return listed(
        f"{layer.name} ({layer.geometry if layer.geometry != 'none' else 'table'})" for layer in layers
    )


def _unread(summary: SourceSummary) -> str:
    return f" (not readable: {listed(summary.unread)})" if summary.unread else ""
