"""Columns by the role that their names say, in the languages of several countries."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from netcorr.layers.names import SHORT_NAME, plain_words
from netcorr.layers.source_summary import LayerSummary

#: Names of columns by role, the plain name first; a name that holds a unit says it. Common practice.
_IDS = (
    *("asset_id", "pipe_id", "main_id", "fitting_id", "valve_id", "hydrant_id", "meter_id", "node_id"),
    *("facility_id", "facilityid", "asset_no", "asset_number", "unit_id", "id", "uid", "ident", "identifier"),
    *("identifiant", "identificador", "codigo", "code", "kennung", "nummer", "pipe_no", "number", "name"),
    *("nr", "num", "numero", "matricola", "matricule", "pipe_nr", "rohr_nr", "leitung_nr", "leitungsnr"),
    *("id_pipe", "rohr_id", "leitung_id", "strang_id", "id_tuyau", "id_conduite", "id_tuberia", "id_tubo"),
    *("id_tratto", "id_tronco", "leiding_id", "cod", "inspire_id", "local_id", "objekt_nr", "objekt_id"),
    *(
        "objekt_nummer",
        "anlagen_nr",
        "anlagen_id",
        "inventar_nr",
        "bauwerk_nr",
        "id_obj",
        "id_objet",
        "id_ouvrage",
    ),
    *("num_inventario", "id_elemento", "codigo_activo", "id_activo", "objectnummer", "assetnum", "asset_num"),
    *("global_id", "gid", "object_id", "fid", "ogc_fid"),
)
MAINS_NAMES: Mapping[str, tuple[str, ...]] = {
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
FITTINGS_NAMES: Mapping[str, tuple[str, ...]] = {
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


def match_columns(
    layer: LayerSummary, aliases: Mapping[str, Sequence[str]]
) -> tuple[dict[str, str], list[str]]:
    """Columns of a layer whose names are known.

    Parameters
    ----------
    layer : LayerSummary
        The layer.
    aliases : mapping of str to sequence of str
        Names by role, such as `MAINS_NAMES`; the first that is there counts.

    Returns
    -------
    columns : dict of str to str
        Role to column.
    reasons : list of str
        A sentence for each column that does not have the plain name.
    """
    columns: dict[str, str] = {}
    reasons: list[str] = []
    for role, names in aliases.items():
        free = [name for name in layer.column_names if name not in columns.values()]
        for alias in names:
            hit = next((name for name in free if is_name(name, alias)), None)
            if hit is not None:
                columns[role] = hit
                if hit != names[0]:
                    reasons.append(f"column {hit!r} of {layer.name!r} is taken for the {_in_words(role)}")
                break
    return columns, reasons


def _in_words(role: str) -> str:
    return {"asset_id": "id", "wall": "wall thickness", "wave_speed": "wave speed"}.get(role, role)


def is_name(name: str, alias: str) -> bool:
    """Whether a column carries an alias, also when a Shapefile cut its name."""
    cut = {alias[:SHORT_NAME], alias.replace("_", "")[:SHORT_NAME]} if len(alias) > SHORT_NAME else set()
    is_cut = len(name) == SHORT_NAME and name.lower() in cut
    return is_cut or plain_words(name).replace(" ", "") == alias.replace("_", "")


def units_by_name(columns: Mapping[str, str]) -> dict[str, str]:
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
