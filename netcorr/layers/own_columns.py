"""Columns of the utility's own that a network does not keep: to filter, leave out, weigh or group by."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd
import pyogrio

from netcorr.errors import LayerError
from netcorr.layers.asset_ids import asset_ids
from netcorr.layers.names import listed, similar
from netcorr.layers.resolve import resolve_source
from netcorr.layers.sources import GDAL_ERRORS, gdal_messages

if TYPE_CHECKING:
    from netcorr.layers.mapping import LayerMapping
    from netcorr.layers.source_summary import LayerSummary

#: Texts of a yes/no column that say no. Common practice.
_NO = frozenset(("", "0", "n", "no", "none", "false", "f", "-", "ok", "nein", "non", "nan", "<na>"))


def read_own_columns(
    source: str | Path,
    part: Literal["mains", "fittings"],
    *,
    mapping: LayerMapping | str | Path | None = None,
    where: str | None = None,
) -> pd.DataFrame:
    """Read all columns of the mains or the fittings as they stand in the source.

    Parameters
    ----------
    source : str or pathlib.Path
        As for `read_network_layers`.
    part : {'mains', 'fittings'}
        Which layers.
    mapping : LayerMapping, or path of a TOML mapping, optional
        Which layers and columns hold what.
    where : str, optional
        Condition in GDAL's SQL that rows must meet, such as ``"access = 'open'"``.

    Returns
    -------
    pandas.DataFrame
        Index: the ids that the network uses. Several layers of fittings are put together.

    Raises
    ------
    LayerError
        If the source cannot be read, or the condition names what no layer holds.
    """
    resolved = resolve_source(source, mapping)
    if part == "mains":
        places = [(resolved.mains, resolved.mapping.mains.columns, "")]
    else:
        places = [
            (layer, one.columns, one.id_prefix)
            for layer, one in zip(resolved.fittings, resolved.mapping.fittings, strict=True)
        ]
    frames, refused = [], []
    for layer, columns, prefix in places:
        try:
            frame = read_where(layer.path, layer=layer.layer, where=where)
        except LayerError as error:
            refused.append(error)  # of several layers of fittings one may lack the column
            continue
        ids = asset_ids(frame[columns["asset_id"]], columns["asset_id"], _called(layer))
        frames.append(frame.set_index(pd.Index([f"{prefix}{asset}" for asset in ids], dtype=object)))
    if not frames:
        raise refused[0]
    return pd.concat(frames)


def read_where(
    path: Path, *, layer: str | None = None, where: str | None = None, places: bool = False
) -> pd.DataFrame:
    """Read the rows of a layer that meet a condition.

    Parameters
    ----------
    path : pathlib.Path
        File.
    layer : str, optional
        Name of the layer; the only one unless given.
    where : str, optional
        Condition in GDAL's SQL.
    places : bool
        Whether to read the geometry too.

    Returns
    -------
    pandas.DataFrame
        Its columns; a GeoDataFrame when places are asked for and the layer has some.

    Raises
    ------
    LayerError
        If it cannot be read, or the condition cannot be understood.
    """
    item = path.name if layer is None else f"{path.name}, layer {layer}"
    with gdal_messages(item):
        names = pyogrio.read_info(path, layer=layer)["fields"].tolist()
        try:
            frame: pd.DataFrame = pyogrio.read_dataframe(
                path, layer=layer, where=where, read_geometry=places, on_invalid="ignore"
            )
        except (ValueError, *GDAL_ERRORS) as error:
            if where is None:
                raise
            raise LayerError(
                item,
                found=f"the condition {where!r} cannot be understood",
                remedy="write it like access = 'open' AND year > 1990, with its columns: "
                f"{listed(names, most=20)}",
            ) from error
    return frame


def one_column(frame: pd.DataFrame, column: str, item: str) -> pd.Series[Any]:
    """One of the columns, by name in any case.

    Raises
    ------
    LayerError
        If there is none of that name; the message names near matches.
    """
    names = [str(name) for name in frame.columns]
    found = [n for n in names if n == column] or [n for n in names if n.casefold() == column.casefold()]
    if not found:
        raise LayerError(
            item,
            found=f"no column {column!r}",
            remedy=f"name one of its columns: {listed(names, most=20)}{similar(column, names)}",
        )
    return frame[found[0]]


def left_out(frame: pd.DataFrame, rules: str, item: str) -> tuple[dict[str, str], list[str]]:
    """Rows that a column says cannot be used.

    Parameters
    ----------
    frame : pandas.DataFrame
        Index: ids.
    rules : str
        ``buried`` for a yes/no column or one that holds a reason, ``access=buried,private`` for some values
        of a column; several parted by semicolons.
    item : str
        What it is, for messages.

    Returns
    -------
    dict of str to str
        Why each row cannot be used, by id.
    list of str
        A sentence for every rule that met no row.

    Raises
    ------
    LayerError
        If a column is not there.

    Examples
    --------
    >>> valves = pd.DataFrame({"access": ["open", "buried", None], "wet": [0, 0, 1]}, index=["A", "B", "C"])
    >>> left_out(valves, "access=buried,private; wet", "valves")
    ({'B': 'buried', 'C': 'wet'}, ["valves: no row says access = 'private'; access holds buried, open"])
    """
    reasons: dict[str, str] = {}
    notes: list[str] = []
    for rule in filter(None, (part.strip() for part in rules.split(";"))):
        name, equals, values = rule.partition("=")
        column = one_column(frame, name.strip(), item)
        texts = column.map(cell_text).astype(object)
        if equals:
            for value in (one.strip() for one in values.split(",")):
                hit = texts.str.casefold() == value.casefold()
                reasons |= dict.fromkeys(frame.index[hit].astype(str).tolist(), value)
                if not hit.any():
                    held = listed(sorted({text for text in texts if text}), most=8)
                    notes.append(
                        f"{item}: no row says {name.strip()} = {value!r}; {column.name} holds {held}"
                    )
        else:
            hit = ~texts.str.casefold().isin(_NO)
            words = texts.where(~texts.str.casefold().isin(("1", "y", "yes", "true", "t")), str(column.name))
            reasons |= dict(zip(frame.index[hit].astype(str), words[hit], strict=True))
            if not hit.any():
                notes.append(f"{item}: column {column.name} leaves out no row")
    return reasons, notes


def cell_text(value: Any) -> str:
    """Give a cell as text: empty where it is missing, and 1 for the 1.0 of a column with gaps."""
    if pd.isna(value):
        return ""
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value).strip()


def _called(layer: LayerSummary) -> str:
    return f"{layer.path.name}, layer {layer.name}"
