"""What is in a source: its layers, columns and values, and what each was taken for."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from netcorr.layers.mapping import LayerMapping

if TYPE_CHECKING:
    import pyproj

#: Families of geometry; 'mixed' holds more than one, 'none' is a plain table.
GeometryFamily = Literal["line", "point", "polygon", "mixed", "none"]


@dataclass(frozen=True)
class ValueCount:
    """One distinct value of a column.

    Attributes
    ----------
    value : str
        As written; empty for a blank.
    count : int
        In how many features.
    taken_for : str
        What it was read as, in words.
    key : str or None
        The same as a mapping writes it, such as 'ductile_iron' or 'in service'; None when not understood,
        blank, or a size.
    meaning : str
        What a code table says of it; empty where there is none.
    question : str
        What a mapping has to say of it, where it was not understood or may mean several things; else empty.
    """

    value: str
    count: int
    taken_for: str
    key: str | None = None
    meaning: str = ""
    question: str = ""

    @property
    def asked(self) -> bool:
        """Whether a mapping has to say what it means."""
        return bool(self.question)


@dataclass(frozen=True)
class ColumnSummary:
    """One column of a layer.

    Attributes
    ----------
    name : str
        As in the file.
    dtype : str
        'text', 'integer', 'real', 'yes/no', 'date' or 'other'.
    role : str or None
        What the column was taken for, such as 'diameter'; None when it is not used.
    values : tuple of ValueCount
        Distinct values, the most frequent first, of columns whose values matter; else empty.
    uncounted : int
        Features whose value came after the limit of distinct values was reached.
    note : str
        How its values are read as a whole, such as the unit and why; empty where there is nothing to say.
    suggested : str or None
        Role that the values of an unused column look like; `note` says why.
    """

    name: str
    dtype: str
    role: str | None = None
    values: tuple[ValueCount, ...] = ()
    uncounted: int = 0
    note: str = ""
    suggested: str | None = None


@dataclass(frozen=True)
class LayerSummary:
    """One layer of a source.

    Attributes
    ----------
    name : str
        Name by which a mapping calls it.
    path : pathlib.Path
        File that holds it.
    layer : str
        Its name inside the file.
    geometry : str
        `GeometryFamily`, as the file declares it.
    has_z : bool
        Whether the file declares a height.
    count : int
        Number of features.
    crs : pyproj.CRS or None
        As the file declares it.
    bounds : tuple of 4 floats or None
        West, south, east, north, in the unit of the CRS.
    columns : tuple of ColumnSummary
        In the order of the file.
    role : str or None
        'mains' or 'fittings'; None when it is not used.
    geometry_counts : dict of str to int
        Features by type of geometry as they really are ('none' where there is none); empty unless the
        features were read.
    """

    name: str
    path: Path
    layer: str
    geometry: GeometryFamily
    has_z: bool
    count: int
    crs: pyproj.CRS | None
    bounds: tuple[float, float, float, float] | None
    columns: tuple[ColumnSummary, ...]
    role: str | None = None
    geometry_counts: dict[str, int] = field(default_factory=dict)

    @property
    def column_names(self) -> tuple[str, ...]:
        """Names of the columns."""
        return tuple(column.name for column in self.columns)


@dataclass(frozen=True)
class SourceSummary:
    """A source as a whole.

    Attributes
    ----------
    source : str
        Name of the file or folder.
    layers : tuple of LayerSummary
        Every layer found.
    unread : tuple of str
        Files of a folder that could not be read, with the reason.
    mapping : LayerMapping or None
        How the network would be read, with the reasons; None when that cannot be told.
    problems : tuple of str
        What stands in the way of reading a network, one sentence each.
    path : pathlib.Path or None
        Dataset or folder that was looked into; None when every layer names its own file.
    """

    source: str
    layers: tuple[LayerSummary, ...]
    unread: tuple[str, ...] = ()
    mapping: LayerMapping | None = None
    problems: tuple[str, ...] = ()
    path: Path | None = None

    @property
    def questions(self) -> tuple[str, ...]:
        """Columns and values that a mapping has to explain, one sentence each."""
        values = (
            f"{layer.name}, column {column.name}: {_asked_of(value)}"
            for layer in self.layers
            for column in layer.columns
            for value in column.values
            if layer.role and value.asked
        )
        columns = (
            f"{layer.name}, column {column.name}: {column.note}"
            for layer in self.layers
            for column in layer.columns
            if column.suggested
        )
        return (*columns, *values)


def _asked_of(value: ValueCount) -> str:
    meaning = f", {value.meaning!r}," if value.meaning else ""
    count = "1 feature" if value.count == 1 else f"{value.count} features"
    return f"{value.value!r}{meaning} ({count}): {value.question}"
