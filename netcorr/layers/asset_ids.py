"""Ids of features: each there, and none twice."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pandas as pd

from netcorr.errors import LayerError
from netcorr.layers.distinct import texts
from netcorr.layers.names import listed


def asset_ids(values: pd.Series, column: str, item: str) -> list[str]:
    """Ids of a layer: each there, and none twice.

    Parameters
    ----------
    values : pandas.Series, shape (n,)
        Ids as read; the index numbers the features as the file does.
    column : str
        Name of the column with the ids.
    item : str
        What it is, for the message.

    Returns
    -------
    list of str
        Ids.

    Raises
    ------
    LayerError
        If an id is missing or there twice; names the first few ids and features.
    """
    ids = texts(values)
    if None in ids:
        missing = [int(fid) for fid, asset in zip(values.index, ids, strict=True) if asset is None]
        raise LayerError(
            item,
            found=f"{len(missing)} features without an id in {column!r}: number {listed(missing, most=5)}",
            remedy="give every feature an id of its own",
        )
    found = [asset for asset in ids if asset is not None]
    refuse_duplicates(found, values.index.tolist(), item)
    return found


def refuse_duplicates(ids: list[str], rows: list[Any], item: str) -> None:
    """Refuse ids that are there twice.

    Parameters
    ----------
    ids : list of str
        Ids.
    rows : list
        What to call each one's feature.
    item : str
        What it is, for the message.

    Raises
    ------
    LayerError
        If an id is there twice; names the first few ids and features.
    """
    if len(set(ids)) == len(ids):
        return
    counts = Counter(ids)
    twice = [asset for asset, count in counts.items() if count > 1]
    where = [
        f"{asset} (features {listed((r for a, r in zip(ids, rows, strict=True) if a == asset), most=4)})"
        for asset in twice[:3]
    ]
    raise LayerError(
        item,
        found=f"{len(twice)} {'id is' if len(twice) == 1 else 'ids are'} used more than once: "
        f"{listed(where, most=3)}{' ...' if len(twice) > 3 else ''}",
        remedy="give every feature an id of its own, or name another id column in a mapping file",
    )
