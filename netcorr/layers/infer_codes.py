"""Code tables beside the layers of a source: which explains which column, from their names."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from netcorr.layers.column_names import FITTINGS_NAMES, MAINS_NAMES, is_name
from netcorr.layers.mapping import CodeTable
from netcorr.layers.names import plain_words
from netcorr.layers.source_summary import LayerSummary, SourceSummary

#: Names of the two columns of a code table. Common practice.
_CODE_NAMES = (
    *("code", "id", "key", "value", "cod", "codigo", "codice", "kode", "schluessel", "kennung", "nr", "no"),
    *("abbreviation", "abbr", "short_name", "kuerzel", "cle", "clave", "sigla", "domain_code"),
)
_TEXT_NAMES = (
    *("description", "descr", "desc", "meaning", "text", "long_name", "name", "label", "bezeichnung"),
    *("beschreibung", "libelle", "intitule", "nom", "descripcion", "nombre", "descricao", "nome"),
    *("descrizione", "omschrijving", "naam", "domain_value", "domain_description", "value"),
)
#: Words that tables of codes carry beside the name of what they explain. Common practice.
_TABLE_WORDS = frozenset(
    (
        *(
            "lut",
            "lookup",
            "look",
            "up",
            "code",
            "codes",
            "domain",
            "domains",
            "table",
            "tbl",
            "list",
            "type",
        ),
        *("types", "ref", "dic", "dict", "d", "lkp", "cv", "values", "catalogue", "catalog", "katalog"),
        *("pipe", "pipes", "main", "mains", "water", "fitting", "fittings", "liste", "lista", "tabla", "of"),
    )
)


def infer_code_tables(
    summary: SourceSummary, columns: Mapping[str, str], roles: Sequence[str]
) -> tuple[dict[str, CodeTable], list[str]]:
    """Code tables for the columns of a layer.

    Parameters
    ----------
    summary : SourceSummary
        With all layers; those without geometry may be code tables.
    columns : mapping of str to str
        Role to column of the layer.
    roles : sequence of str
        Roles whose codes may be explained.

    Returns
    -------
    tables : dict of str to CodeTable
        Role to table. Values that are not in the table are read as they are.
    reasons : list of str
        A sentence for each.
    """
    tables: dict[str, CodeTable] = {}
    reasons: list[str] = []
    for role in roles:
        if role not in columns:
            continue
        for layer in summary.layers:
            pair = _code_and_text(layer, columns[role]) if layer.geometry == "none" else None
            if pair is None or not _explains(layer.name, role, columns[role]):
                continue
            tables[role] = CodeTable(layer.name, *pair)
            reasons.append(
                f"table {layer.name!r} is taken to explain the codes in {columns[role]!r}: its name says so "
                f"(code {pair[0]!r}, text {pair[1]!r})"
            )
            break
    return tables, reasons


def _code_and_text(layer: LayerSummary, column: str) -> tuple[str, str] | None:
    """Columns of a table that hold a code and what it means."""
    names = layer.column_names
    code = next((name for name in names if name.casefold() == column.casefold()), None)
    code = code or _first_named(names, _CODE_NAMES)
    text = _first_named([name for name in names if name != code], _TEXT_NAMES)
    return (code, text) if code and text else None


def _first_named(names: Sequence[str], aliases: Sequence[str]) -> str | None:
    return next((name for alias in aliases for name in names if is_name(name, alias)), None)


def _explains(table: str, role: str, column: str) -> bool:
    """Whether a table is named after a role or a column, and after nothing else."""
    words = [word for word in plain_words(table).split(" ") if word not in _TABLE_WORDS]
    name = "".join(words)
    aliases = (*MAINS_NAMES.get(role, ()), *FITTINGS_NAMES.get(role, ()), column)
    plain = {"".join(plain_words(alias).split(" ")) for alias in aliases}
    plain |= {"".join(w for w in plain_words(alias).split(" ") if w not in _TABLE_WORDS) for alias in aliases}
    return bool(name) and (name in plain or name.removesuffix("s") in plain)
