"""A finding says what to do exactly when there is something to do."""

from __future__ import annotations

import pytest

from netcorr.tools.finding import Finding


def test_as_data() -> None:
    assert Finding("room", "caution", "little", "make room").as_dict() == {
        "topic": "room",
        "state": "caution",
        "found": "little",
        "remedy": "make room",
    }


@pytest.mark.parametrize(("state", "remedy"), [("good", "do it"), ("caution", ""), ("fault", "")])
def test_a_remedy_belongs_to_what_is_wrong_and_only_to_that(state: str, remedy: str) -> None:
    with pytest.raises(ValueError, match="remedy"):
        Finding("room", state, "x", remedy)  # type: ignore[arg-type]


def test_unknown_states_are_refused() -> None:
    with pytest.raises(ValueError, match="use one of good, caution, fault"):
        Finding("room", "fine", "x")  # type: ignore[arg-type]
