"""Distinct values: each once, whatever the type of the column, and back on every feature."""

from __future__ import annotations

import datetime

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.layers.distinct import Distinct, texts

VALUES = st.lists(st.one_of(st.none(), st.text(max_size=4), st.sampled_from(["PVC", " PVC ", "0", "-"])))


def test_texts_of_every_kind_of_column() -> None:
    assert texts(pd.Series([1, 2])) == ["1", "2"]
    assert texts(pd.Series([1.0, np.nan, 2.25])) == ["1", None, "2.25"]
    assert texts(pd.Series([True, False])) == ["True", "False"]
    assert texts(pd.Series([" a", "", None], dtype=object)) == ["a", None, None]
    assert texts(pd.Series(["a", None], dtype="string")) == ["a", None]
    assert texts(pd.Series([datetime.date(1988, 5, 1), None])) == ["1988-05-01", None]


@settings(max_examples=50, deadline=None)
@given(VALUES)
def test_every_feature_gets_its_own_value_back(values: list[str | None]) -> None:
    column = pd.Series(values, dtype=object)
    found = Distinct.of(column)
    assert found.spread(found.written).tolist() == texts(column)
    assert len(set(found.written)) == len(found.written)
    assert sum(n for _, n in found.counts()) == len(values)


@pytest.mark.parametrize("dtype", ["object", "string", "category"])
def test_any_type_of_text_column(dtype: str) -> None:
    found = Distinct.of(pd.Series(["a", None, "b", "a"]).astype(dtype))
    assert found.written == ("a", "b")
    assert found.number.tolist() == [0, -1, 1, 0]


def test_values_without_a_hash() -> None:
    found = Distinct.of(pd.Series([["x"], None, ["x"]]))
    assert found.number.tolist() == [0, -1, 0]


def test_codes_are_explained_and_others_stay() -> None:
    found = Distinct.of(pd.Series([3.0, 4.0, np.nan]), {"3": "steel"})
    assert found.written == ("3", "4")
    assert found.meant == ("steel", "4")
    assert found.read(lambda code, text: f"{code}={text}") == ("3=steel", "4=4")


def test_what_says_nothing() -> None:
    found = Distinct.of(pd.Series(["PVC", "0", "-", None, "unknown", "9"]), {"9": "n/a"})
    assert found.says_nothing.tolist() == [False, True, True, True, True, True]


def test_counts_of_some_features() -> None:
    found = Distinct.of(pd.Series(["a", "b", "b", None]))
    assert found.counts() == [("b", 2), ("", 1), ("a", 1)]
    assert found.counts([True, True, False, False]) == [("a", 1), ("b", 1)]


def test_a_column_that_is_not_there() -> None:
    nothing = Distinct.nothing(2)
    assert nothing.spread([], dtype=bool, blank=True).tolist() == [True, True]
    assert nothing.counts() == [("", 2)]
