"""Plain words, blanks and near matches."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.layers.names import is_blank, listed, plain_words, similar


@settings(max_examples=50, deadline=None)
@given(st.text(max_size=40))
def test_plain_words_are_plain_and_stay_as_they_are(text: str) -> None:
    words = plain_words(text)
    assert set(words) <= set("abcdefghijklmnopqrstuvwxyz0123456789 ")
    assert plain_words(words) == words


def test_words() -> None:
    assert plain_words(None) == ""
    assert plain_words("PipeMaterial_2") == "pipe material 2"
    assert plain_words("https://example.org/codelist/Pipe/castIron/") == "cast iron"
    assert plain_words("Fundición  dúctil") == "fundicion ductil"


@pytest.mark.parametrize(
    "value", ["", None, "0", 0, "00", "-", "?", "N/A", "NULL", "Unknown", "unbekannt", float("nan")]
)
def test_blank(value: object) -> None:
    assert is_blank(value)


@pytest.mark.parametrize("value", ["PVC", 7, "no", "A"])
def test_not_blank(value: object) -> None:
    assert not is_blank(value)


def test_similar_names() -> None:
    assert similar("matrial", ["MATERIAL", "year"]) == " (similar: MATERIAL)"
    assert similar("xyz", ["MATERIAL", "year"]) == ""
    assert listed(range(10), most=3) == "0, 1, 2 and 7 more"
