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


def test_what_was_made_counts_as_old_and_what_is_frozen_stays_so() -> None:
    with without_collection(lasting=True):
        made: list[dict[int, int]] = [{k: k} for k in range(1000)]
    assert any(one is made for one in gc.get_objects(generation=2))
    gc.freeze()
    try:
        frozen = gc.get_freeze_count()
        with without_collection(lasting=True):
            pass
        assert gc.get_freeze_count() == frozen > 0
    finally:
        gc.unfreeze()
