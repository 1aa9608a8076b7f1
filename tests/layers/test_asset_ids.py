"""Ids: each there, none twice, and a message that finds the feature."""

from __future__ import annotations

import pandas as pd
import pytest

from netcorr.errors import LayerError
from netcorr.layers.asset_ids import asset_ids, refuse_duplicates

ITEM = "x.gpkg, layer mains"


def test_ids_are_written_plainly() -> None:
    assert asset_ids(pd.Series([1.0, 2.0]), "NR", ITEM) == ["1", "2"]
    assert asset_ids(pd.Series([" a", "b "]), "NR", ITEM) == ["a", "b"]
    assert asset_ids(pd.Series([], dtype=object), "NR", ITEM) == []


def test_ids_that_differ_by_blanks_only_are_the_same() -> None:
    with pytest.raises(LayerError, match=r"1 id is used more than once: a \(features 4, 7\)"):
        asset_ids(pd.Series(["a", "a "], index=[4, 7]), "NR", ITEM)


def test_ids_name_the_column_and_the_feature() -> None:
    values = pd.Series(["A", None], index=[11, 12])
    with pytest.raises(LayerError, match="1 features without an id in 'NR': number 12"):
        asset_ids(values, "NR", ITEM)


def test_only_the_first_duplicates_are_named() -> None:
    with pytest.raises(LayerError) as caught:
        refuse_duplicates(list("AABBCCDD"), list(range(8)), ITEM)
    assert (
        "4 ids are used more than once: A (features 0, 1), B (features 2, 3), C (features 4, 5) ...;"
        in str(caught.value)
    )
