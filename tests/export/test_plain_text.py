"""Text from files, made safe."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcorr.export.plain_text import plain_text

EVERYTHING = st.text(st.characters(exclude_categories=[]))


@given(EVERYTHING)
def test_is_one_line_that_can_be_stored(text: str) -> None:
    safe = plain_text(text)
    assert len(safe.splitlines()) <= 1
    safe.encode("utf-8")
    assert not any(unicodedata.category(c) in {"Cc", "Cs"} for c in safe)
    assert len(safe) == len(text)


@given(EVERYTHING)
def test_doing_it_twice_changes_nothing(text: str) -> None:
    assert plain_text(plain_text(text)) == plain_text(text)


@given(st.text(st.characters(categories=["L", "N", "P", "S", "Zs"])))
def test_ordinary_text_is_kept(text: str) -> None:
    assert plain_text(text) == text


@pytest.mark.parametrize(
    ("text", "safe"),
    [("a\tb\r\nc", "a b  c"), ("\x1b[2J", "\ufffd[2J"), ("\x9b31m", "\ufffd31m"), ("x\u202ey", "x\ufffdy")],
)
def test_known_tricks(text: str, safe: str) -> None:
    assert plain_text(text) == safe
