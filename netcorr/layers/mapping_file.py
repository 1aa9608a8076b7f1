"""A mapping written as a TOML file to check and edit, with a line to fill in for all that was not placed."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path

from netcorr.errors import LayerError
from netcorr.layers.column_names import units_by_name
from netcorr.layers.complete import completed
from netcorr.layers.conditions import KINDS, kind_from_text
from netcorr.layers.infer_codes import infer_code_tables
from netcorr.layers.mapping import (
    FITTING_STATES,
    FITTINGS_CODED,
    FITTINGS_ROLES,
    MAIN_STATES,
    MAINS_CODED,
    MAINS_ROLES,
    UNKNOWN,
    CodeTable,
    FittingsMapping,
    LayerMapping,
    MainsMapping,
)
from netcorr.layers.missing_rules import FILLED_ROLES, MissingRule, usually_sure
from netcorr.layers.names import is_blank, listed
from netcorr.layers.source_summary import ColumnSummary, LayerSummary, SourceSummary, ValueCount
from netcorr.layers.value_words import missing_counts
from netcorr.layers.vocabulary import MATERIALS, ambiguous_material

Part = MainsMapping | FittingsMapping

_HEAD = """\
# How netcorr reads {source}: check it, and edit it.
# A line that starts with # is a note, or a question: take the # away and write the answer between the quotes.
# Then give this file in place of the map: netcorr inspect {name}, netcorr locate {name} ...
"""
_MISSING_HEAD = """\
# What to take where a main has none. Nothing is filled in without a rule, and every result that rests on one
# says so. Rules: "leave" (unknown), "refuse" (the map), "neighbours" (what most mains that touch it have),
# { assume = "pvc", or = ["pe"] }, { assume = 100, from = 80, to = 150 } (mm),
# { until_year = { 1950 = "grey_iron", 2100 = "pvc" } } (by the year it was laid), or a list of them in order.
# The surer the assumption, the smaller the area to search: { assume = "pvc", sure = 0.9 } says that it holds
# for 9 mains of 10; without it, for 2 of 3.
"""


def write_mapping(summary: SourceSummary, path: str | Path) -> Path:
    """Write the mapping of an inspected source as a TOML file.

    Parameters
    ----------
    summary : SourceSummary
        From `inspect_source`.
    path : str or pathlib.Path
        File to write. A file that is there is never replaced.

    Returns
    -------
    pathlib.Path
        The file. `read_mapping` reads it; reading the network through it gives the same layers as before.

    Raises
    ------
    LayerError
        If there is such a file, or it cannot be written.
    """
    target = Path(path)
    text = mapping_text(summary, target)
    try:
        _write_new(target, text)
    except FileExistsError:
        raise _exists(target) from None
    except OSError as error:
        raise LayerError(
            f"mapping {target}",
            found=f"cannot be written ({error})",
            remedy="check the folder and its rights",
        ) from error
    return target


def _write_new(target: Path, text: str) -> None:
    """Write a file that is not there yet: whole, or not at all."""
    with tempfile.TemporaryDirectory(prefix=".netcorr-", dir=target.parent) as folder:
        draft = Path(folder, target.name)
        draft.write_text(text, encoding="utf-8", newline="\n")
        try:
            os.link(draft, target)  # refuses a file that came in between
        except FileExistsError:
            raise
        except OSError:  # a disk that knows no links
            if target.exists():
                raise FileExistsError(str(target)) from None
            os.replace(draft, target)


def refuse_existing(path: str | Path) -> None:
    """Refuse a file that is there, before any work is done for it.

    Parameters
    ----------
    path : str or pathlib.Path
        File to write.

    Raises
    ------
    LayerError
        If it exists.
    """
    if Path(path).exists():
        raise _exists(Path(path))


def _exists(target: Path) -> LayerError:
    remedy = "choose another name, or move it away first"
    return LayerError(f"mapping {target}", found="it exists already", remedy=remedy)


def mapping_text(summary: SourceSummary, path: str | Path) -> str:
    """Text of a mapping file.

    Parameters
    ----------
    summary : SourceSummary
        From `inspect_source`.
    path : str or pathlib.Path
        Where the file will be; names of files in it are relative to its folder.

    Returns
    -------
    str
        TOML. Where the mains or the fittings could not be told from the names, it holds what is known and
        asks for the rest.
    """
    return "\n".join(_lines(summary, Path(path))) + "\n"


def _lines(summary: SourceSummary, target: Path) -> Iterator[str]:
    yield from _HEAD.format(source=_plain(summary.source), name=_plain(target.name)).splitlines()
    summary, mapping = (summary, summary.mapping) if summary.mapping else _drafted(summary)
    for problem in summary.problems:
        yield f"# In the way: {_plain(problem)}"
    yield ""
    if summary.path is not None:
        yield f"source = {_quoted(_relative(summary.path, target))}"
    yield (
        f"crs = {_quoted(mapping.crs)}"
        if mapping.crs
        else '# crs = ""  # only where a file lacks the true one'
    )
    used: set[str] = set()
    parts: list[Part] = [mapping.mains, *mapping.fittings]
    for part in parts:
        layer = _layer_of(summary, part)
        used.add(layer.name if layer else "")
        used |= {table.layer for table in part.codes.values() if table.layer}
        yield ""
        yield from _part_lines(part, layer, summary, target)
    yield from _missing_lines(mapping, _layer_of(summary, mapping.mains))
    rest = [layer for layer in summary.layers if layer.name not in used]
    for layer in rest:
        yield f"# layer {_quoted(layer.name)} is not used ({layer.count} features, {layer.geometry})"
    if not mapping.fittings:
        yield from ("# [[fittings]]", '# layer = ""  # which layer holds the valves and hydrants?')


def _drafted(summary: SourceSummary) -> tuple[SourceSummary, LayerMapping]:
    """What can be said of a source whose mapping could not be told."""
    of = {role: [layer for layer in summary.layers if layer.role == role] for role in ("mains", "fittings")}
    best = max(of["mains"], key=lambda layer: len(_columns(layer)), default=None)
    fittings = [
        FittingsMapping(
            layer.name,
            _columns(layer),
            kind=kind_from_text(layer.name),
            codes=infer_code_tables(summary, _columns(layer), FITTINGS_CODED)[0],
        )
        for layer in of["fittings"]
    ]
    if best is None:
        return summary, LayerMapping(MainsMapping(None, {}), tuple(fittings))
    columns = _columns(best)
    codes, _ = infer_code_tables(summary, columns, MAINS_CODED)
    name = best.name if len(of["mains"]) == 1 else None
    mains = MainsMapping(name, columns, units=units_by_name(columns), codes=codes)
    noted, mapping, _ = completed(best, LayerMapping(mains, tuple(fittings)))
    layers = tuple(noted if layer is best else layer for layer in summary.layers)
    return replace(summary, layers=layers), mapping


def _columns(layer: LayerSummary) -> dict[str, str]:
    return {column.role: column.name for column in layer.columns if column.role}


def _layer_of(summary: SourceSummary, part: Part) -> LayerSummary | None:
    """Layer that a part of the mapping means, as it was inspected."""
    role = "mains" if isinstance(part, MainsMapping) else "fittings"
    inside = [
        layer
        for layer in summary.layers
        if layer.role == role
        and (part.source is None or layer.path == part.source or part.source in layer.path.parents)
    ]
    named = [layer for layer in inside if part.layer in (layer.name, layer.layer)]
    if part.layer is None:
        named = [layer for layer in inside if set(part.columns.values()) <= set(layer.column_names)]
    folded = [layer for layer in inside if (part.layer or "").casefold() == layer.name.casefold()]
    return next(iter([*named, *folded]), None)


def _part_lines(
    part: Part, layer: LayerSummary | None, summary: SourceSummary, target: Path
) -> Iterator[str]:
    is_mains = isinstance(part, MainsMapping)
    yield "[mains]" if is_mains else "[[fittings]]"
    yield _layer_line(part, layer, summary)
    if part.source is not None:
        yield f"source = {_quoted(_relative(part.source, target))}"
    if part.crs:
        yield f"crs = {_quoted(part.crs)}"
    elif layer is not None and layer.crs is None:
        yield '# crs = ""  # the file states none: which one was it drawn in, such as EPSG:25832?'
    if isinstance(part, FittingsMapping):
        if part.kind:
            yield f"kind = {_quoted(part.kind)}  # of every feature; or name a column for it below"
        elif "kind" not in part.columns:
            yield f'# kind = ""  # of every feature: {", ".join(KINDS)}'
        if part.id_prefix:
            yield f"id_prefix = {_quoted(part.id_prefix)}"
    name = "mains" if is_mains else "fittings"
    yield from _column_lines(part, layer, name)
    columns = {column.name: column for column in (layer.columns if layer else ())}
    if isinstance(part, MainsMapping):
        yield from _unit_lines(part, columns)
    for role, table in part.codes.items():
        yield from _code_table_lines(role, table, name, target)
    for role in ("material", "kind", "status"):
        if role in part.columns:
            column = columns.get(part.columns[role])
            yield from _value_lines(role, column, part, name)


def _layer_line(part: Part, layer: LayerSummary | None, summary: SourceSummary) -> str:
    if part.layer is None:
        role = "mains" if isinstance(part, MainsMapping) else "fittings"
        choice = listed(f"{one.name} ({one.count} features)" for one in summary.layers if one.role == role)
        return f'# layer = ""  # the only one of the file; else which of {_plain(choice)}?'
    about = f"  # {layer.count} features" if layer else ""
    reason = next((r for r in _reasons(summary) if r.startswith(f"layer {part.layer!r} is taken for")), "")
    why = reason.partition(": ")[2]
    return f"layer = {_quoted(part.layer)}{about}{', ' + _plain(why) if why and about else ''}"


def _reasons(summary: SourceSummary) -> tuple[str, ...]:
    return summary.mapping.reasons if summary.mapping else ()


def _column_lines(part: Part, layer: LayerSummary | None, name: str) -> Iterator[str]:
    yield f"[{name}.columns]"
    roles = MAINS_ROLES if isinstance(part, MainsMapping) else FITTINGS_ROLES
    for role in roles:
        column = part.columns.get(role)
        if column is not None:
            yield f"{role} = {_quoted(column)}"
        elif role != "kind" or not isinstance(part, FittingsMapping) or part.kind in (None, "other"):
            yield _open_column(role, layer)
    if layer is not None:
        unused = [one.name for one in layer.columns if one.name not in part.columns.values()]
        if unused:
            yield f"# columns that are not used: {_plain(listed(unused, most=60))}"


def _open_column(role: str, layer: LayerSummary | None) -> str:
    """Write the line for a role that no column was found for."""
    for column in layer.columns if layer else ():
        if column.suggested == role:
            return f"# {role} = {_quoted(column.name)}  # {_plain(column.note)}"
    return f'# {role} = ""{"  # which column holds the ids?" if role == "asset_id" else ""}'


def _unit_lines(part: MainsMapping, columns: Mapping[str, ColumnSummary]) -> Iterator[str]:
    if not part.columns.keys() & {"diameter", *part.units}:
        return
    yield "[mains.units]"
    for role, unit in part.units.items():
        note = columns[part.columns[role]].note if part.columns.get(role) in columns else ""
        yield f"{role} = {_quoted(unit)}{'  # ' + _plain(note) if note and role == 'diameter' else ''}"
    if "diameter" not in part.units and "diameter" in part.columns:
        yield '# diameter = ""  # mm or in?'
    column = columns.get(part.columns.get("diameter", ""))
    odd = [value for value in column.values if value.asked] if column and column.role == "diameter" else []
    if odd:
        said = listed(f"{value.value!r} ({value.count})" for value in odd)
        yield f"# diameters that are not understood: {_plain(said)}"


def _code_table_lines(role: str, table: CodeTable, name: str, target: Path) -> Iterator[str]:
    yield f"[{name}.codes.{role}]"
    if table.layer is not None:
        yield f"layer = {_quoted(table.layer)}"
    if table.source is not None:
        yield f"source = {_quoted(_relative(table.source, target))}"
    yield from (f"code = {_quoted(table.code)}", f"text = {_quoted(table.text)}")


def _value_lines(role: str, column: ColumnSummary | None, part: Part, name: str) -> Iterator[str]:
    """Write every value of a column: what it was taken for, or a line to fill in."""
    table = {"material": "materials", "kind": "kinds", "status": "status"}[role]
    yield f"[{name}.{table}]"
    if role == "material":
        yield f"# the materials: {', '.join((*MATERIALS, UNKNOWN))}"
    seen = set()
    for value in column.values if column is not None and column.role == role else ():
        seen |= {value.value, value.meaning}
        yield _value_line(value, role)
    if column is not None and column.uncounted:
        yield f"# and {column.uncounted} features with other values"
    for code, key in _own_codes(part, role).items():
        if code not in seen:  # of the mapping that was given; none of the values seen
            yield f"{_quoted(code)} = {_quoted(key)}"


def _own_codes(part: Part, role: str) -> dict[str, str]:
    if role == "material":
        return dict(part.materials) if isinstance(part, MainsMapping) else {}
    if role == "kind":
        return dict(part.kinds) if isinstance(part, FittingsMapping) else {}
    words = MAIN_STATES if isinstance(part, MainsMapping) else FITTING_STATES
    by_state = {state: word for word, state in words.items()}
    return {code: by_state[state] for code, state in part.status.items()}


def _value_line(value: ValueCount, role: str) -> str:
    means = f", which is {_plain(repr(value.meaning))} in its code table" if value.meaning else ""
    count = f"{value.count}{means}"
    if value.key is not None:
        return f"{_quoted(value.value)} = {_quoted(value.key)}  # {count}"
    if not value.value or (is_blank(value.meaning or value.value) and not value.asked):
        taken = f", taken for {value.taken_for.partition(',')[0]}" if role == "status" else ""
        return f"# {_quoted(value.value)} says nothing ({count}){taken}"
    return f'# {_quoted(value.value)} = ""  # {count}: {_question(value, role)}'


def _question(value: ValueCount, role: str) -> str:
    """Ask with the keys that the file takes."""
    if role == "material":
        return f"{' or '.join(ambiguous_material(value.meaning or value.value)) or 'which of them'}?"
    return value.question


def _missing_lines(mapping: LayerMapping, layer: LayerSummary | None) -> Iterator[str]:
    yield ""
    yield "[missing]"
    yield from _MISSING_HEAD.splitlines()
    columns = {column.role: column for column in (layer.columns if layer else ()) if column.role}
    for role in FILLED_ROLES:
        rules = mapping.missing.of(role)
        if rules:
            yield f"{role} = {_rules(rules)}"
            continue
        if role in columns and columns[role].values:
            silent, total = missing_counts(columns[role].values)
            said = f"{silent} of {total} mains have none"
        else:
            said = "not counted" if role in mapping.mains.columns else "no column for it"
        yield f'# {role} = "neighbours"  # {said}'
    yield ""


def _rules(rules: Iterable[MissingRule]) -> str:
    written = [_rule(rule) for rule in rules]
    return written[0] if len(written) == 1 else f"[{', '.join(written)}]"


def _rule(rule: MissingRule) -> str:
    if rule.action == "until_year":
        rows = ", ".join(f"{year} = {_value(value)}" for year, value in rule.table)
        return f"{{ until_year = {{ {rows} }}{_sure(rule)} }}"
    if rule.action != "assume":
        return _quoted(rule.action)
    if isinstance(rule.value, str):
        others = f", or = [{', '.join(map(_quoted, rule.spread))}]" if rule.spread else ""
    else:
        others = f", from = {_value(rule.spread[0])}, to = {_value(rule.spread[1])}" if rule.spread else ""
    return f"{{ assume = {_value(rule.value)}{others}{_sure(rule)} }}"


def _sure(rule: MissingRule) -> str:
    usual = usually_sure(len(rule.spread) if isinstance(rule.value, str) else 0)
    return "" if rule.sure == usual else f", sure = {rule.sure!r}"


def _value(value: object) -> str:
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() else repr(value)
    return _quoted(str(value))


def _relative(path: Path, target: Path) -> str:
    try:
        return Path(os.path.relpath(path, target.parent)).as_posix()
    except ValueError:  # on another drive
        return path.resolve().as_posix()


def _quoted(text: str) -> str:
    """Text as a TOML string: JSON escapes are TOML escapes, but for one character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _plain(text: str) -> str:
    """Text for a comment, in one line and without control characters."""
    return "".join(c if c.isprintable() else " " for c in text)
