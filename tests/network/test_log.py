"""Rows of the log come sorted, whatever the order in which they were added."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.network.log import CHANGES, ChangeLog
from netcorr.network.pipe_network import LOG_COLUMNS

UTM = pyproj.CRS(32633)

row = st.tuples(
    st.sampled_from(sorted(CHANGES)), st.sampled_from("ABCDÉab1"), st.sampled_from([0.0, 0.1, 0.25, 3.0])
)


@settings(max_examples=60, deadline=None)
@given(parts=st.lists(st.lists(row, min_size=1, max_size=12), min_size=1, max_size=4), sort=st.booleans())
def test_sorted_by_kind_then_id_then_distance(parts: list[list[tuple[str, str, float]]], sort: bool) -> None:
    log = ChangeLog(UTM)
    added: list[tuple[int, str, float, int]] = []
    for part in parts:
        for change in sorted({change for change, _, _ in part}):
            rows = [(asset, moved) for kind, asset, moved in part if kind == change]
            rows = sorted(rows) if sort else rows
            number = [len(added) + k for k in range(len(rows))]
            log.add(
                change,
                [asset for asset, _ in rows],
                xy=np.column_stack([number, number]),
                text=[f"row {k}" for k in number],
                moved_m=[moved for _, moved in rows],
            )
            kind = list(CHANGES).index(change)
            added += [(kind, asset, moved, k) for (asset, moved), k in zip(rows, number, strict=True)]
    frame = log.frame()
    expected = sorted(added)  # equal ones as they were added
    assert tuple(frame.columns) == (*LOG_COLUMNS, "geometry")
    assert [list(CHANGES).index(change) for change in frame["change"]] == [row[0] for row in expected]
    assert frame["source_id"].tolist() == [row[1] for row in expected]
    assert frame["moved_m"].tolist() == [row[2] for row in expected]
    assert frame["text"].tolist() == [f"row {row[3]}" for row in expected]
    assert frame.geometry.x.tolist() == [row[3] for row in expected]
    assert frame.index.tolist() == list(range(len(expected)))


def test_one_distance_for_all_and_a_place_that_is_not_known() -> None:
    log = ChangeLog(UTM)
    log.add("cut", ["B", "A"], xy=[(1, 2), (np.nan, np.nan)], text=["b", "a"], moved_m=0.5)
    log.add("cut", [], xy=np.zeros((0, 2)), text=[])
    frame = log.frame()
    assert frame["moved_m"].tolist() == [0.5, 0.5]
    assert frame.geometry[0] is None
    assert (frame.geometry[1].x, frame.geometry[1].y) == (1, 2)


def test_nothing_was_changed() -> None:
    frame = ChangeLog(UTM).frame()
    assert tuple(frame.columns) == (*LOG_COLUMNS, "geometry")
    assert len(frame) == 0
    assert frame["moved_m"].dtype == float
    assert frame.crs == UTM


def test_a_kind_that_is_none() -> None:
    with pytest.raises(KeyError):
        ChangeLog(UTM).add("painted", ["A"], xy=[(0, 0)], text=["red"])
