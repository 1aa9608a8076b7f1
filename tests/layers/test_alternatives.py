"""What an assumed attribute could be instead: shares, and the way to a file and back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcorr.layers.alternatives import Alternative, CouldBe, from_json, shared_out, to_json

SHARES = st.floats(0.001, 1)
ALTERNATIVES = st.one_of(
    st.builds(Alternative, st.just("material"), st.sampled_from(["pvc", "pe", None]), SHARES),
    st.builds(Alternative, st.sampled_from(["diameter", "year"]), st.floats(1, 3000), SHARES),
)


@given(st.one_of(st.none(), st.lists(ALTERNATIVES, max_size=4).map(tuple)))
def test_a_text_gives_back_what_was_written(could_be: CouldBe) -> None:
    again = from_json(to_json(could_be))
    assert again == could_be
    assert again is None or all(isinstance(one, Alternative) for one in again)


def test_nothing_else_is_an_empty_cell() -> None:
    assert to_json(()) is None
    assert from_json(None) == from_json("") == ()
    assert from_json(to_json(None)) is None, "not said is not the same as nothing else"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("{}", "not a list of attribute"),
        ("[3]", "not a list of attribute"),
        ('[["material", "pvc"]]', "not a list of attribute"),
        ('[["material", "pvc", "x"]]', "could not convert string to float"),
        ("pvc", "Expecting value"),
    ],
)
def test_other_texts_are_refused(text: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        from_json(text)


@given(st.lists(st.sampled_from(["pe", "pvc", "steel"]), unique=True), st.floats(0.01, 1))
def test_what_is_left_is_shared_evenly(others: list[str], sure: float) -> None:
    shared = shared_out("material", tuple(others), sure=sure)
    assert sum(one.share for one in shared) == pytest.approx(1 - sure)
    assert len({one.share for one in shared}) <= 1
    if shared:
        assert [one.value for one in shared] == (others or [None])
