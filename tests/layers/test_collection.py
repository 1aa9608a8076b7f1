"""The search for garbage pauses, and comes back whatever happens."""

from __future__ import annotations

import gc

import pytest

from netcorr.layers.collection import without_collection


@without_collection()
def failing() -> None:
    with without_collection():
        assert not gc.isenabled()
    assert not gc.isenabled()
    raise ValueError("stop")


def test_comes_back_after_an_error_and_stays_away_while_nested() -> None:
    assert gc.isenabled()
    with pytest.raises(ValueError, match="stop"):
        failing()
    assert gc.isenabled()


def test_who_has_switched_it_off_finds_it_off() -> None:
    gc.disable()
    try:
        with without_collection():
            pass
        assert not gc.isenabled()
    finally:
        gc.enable()
