"""A mapping completed by what the values say: the unit of the diameters, and texts that hold two things."""

from __future__ import annotations

from dataclasses import replace

from netcorr.layers.mapping import LayerMapping
from netcorr.layers.read_values import combined_role
from netcorr.layers.source_summary import ColumnSummary, LayerSummary
from netcorr.layers.value_words import diameter_problem, unit_note


def completed(layer: LayerSummary, mapping: LayerMapping) -> tuple[LayerSummary, LayerMapping, list[str]]:
    """Complete the mapping of the mains from the values of its columns.

    Parameters
    ----------
    layer : LayerSummary
        Layer of the mains, its values counted.
    mapping : LayerMapping
        Given or inferred.

    Returns
    -------
    layer : LayerSummary
        With a note at the columns that were judged.
    mapping : LayerMapping
        With the column and the unit of the diameters, and the reasons.
    problems : list of str
        Why the diameters cannot be read, if they cannot.
    """
    columns = dict(mapping.mains.columns)
    by_name = {column.name: column for column in layer.columns}
    notes: dict[str, list[str]] = {}
    both = combined_role(columns, {role: _texts(by_name[column]) for role, column in columns.items()})
    if both is not None:
        missing, role = both
        columns[missing] = columns[role]
        said = f"the {missing} is read from column {columns[role]!r} too, as its texts hold both"
        notes.setdefault(columns[role], []).append(said)
    units, problems = dict(mapping.mains.units), []
    name = columns.get("diameter")
    if name is not None:
        values = by_name[name].values
        if "diameter" not in units:
            unit, said = unit_note(name, values)
            notes.setdefault(name, []).append(said)
            if unit is None:
                problems.append(f'{said}; say it in a mapping file: [mains] units = {{ diameter = "mm" }}')
            else:
                units["diameter"] = unit
        wrong = diameter_problem(name, values, units["diameter"]) if "diameter" in units else None
        problems += [f'{wrong}; state the true unit: [mains] units = {{ diameter = "in" }}'] if wrong else []
    told = tuple(text for texts in notes.values() for text in texts)
    return (
        replace(layer, columns=tuple(_with_note(column, notes) for column in layer.columns)),
        replace(
            mapping,
            mains=replace(mapping.mains, columns=columns, units=units),
            reasons=(*mapping.reasons, *told),
        ),
        problems,
    )


def _texts(column: ColumnSummary) -> list[str]:
    return [value.meaning or value.value for value in column.values]


def _with_note(column: ColumnSummary, notes: dict[str, list[str]]) -> ColumnSummary:
    return replace(column, note="; ".join(notes[column.name])) if column.name in notes else column
