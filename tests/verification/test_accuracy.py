"""Accuracy of finds: what is counted, what is not, and whether probabilities that are right are called so."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcorr.verification import VERIFICATIONS, Find, accuracy_of


def find(**changes: Any) -> Find:
    values: dict[str, Any] = {
        "result": "r.gpkg",
        "candidate_id": "c-1",
        "rank": 1,
        "probability": 0.95,
        "from_a_m": 45.0,
        "sd_m": 0.5,
        "stretches_m": ((44.0, 46.0),),
        "pipe_id": "M-1",
        "material": "grey_iron",
        "verification": "dug and found",
        "crew": "North",
        "found_from_a_m": 45.4,
    }
    return Find(**{**values, **changes})


def dry(**changes: Any) -> Find:
    return find(verification="dug and dry", found_from_a_m=None, **changes)


FINDS = st.lists(
    st.builds(
        find,
        result=st.sampled_from(["a", "b"]),
        probability=st.floats(0.05, 1.0),
        material=st.sampled_from(["grey_iron", "pe", None]),
        crew=st.sampled_from(["North", "South", ""]),
        verification=st.sampled_from(VERIFICATIONS),
        found_from_a_m=st.none() | st.floats(40, 50),
        disputed=st.booleans(),
    ),
    max_size=25,
).map(lambda finds: [replace(one, candidate_id=f"c-{i}") for i, one in enumerate(finds)])


@given(FINDS, st.randoms())
def test_the_order_never_matters_and_the_parts_make_the_whole(finds: list[Find], random: Any) -> None:
    result = accuracy_of(finds)
    shuffled = list(finds)
    random.shuffle(shuffled)
    assert repr(accuracy_of(shuffled)) == repr(result)
    for by in ("material", "crew", "probability"):
        parts = [group for group in result.groups if group.by == by]
        for count in ("visited", "dug", "found", "dry"):
            assert sum(getattr(one, count) for one in parts) == getattr(result.all, count)
    dug = sum(band.came_true.count + band.unmeasured for band in result.bands)
    assert dug == result.all.dug == result.all.found + result.all.dry
    assert len(result.finds) + len(result.disputed) == sum(f.verification != "not visited" for f in finds)


def test_counts_by_hand() -> None:
    finds = [
        find(candidate_id="1", found_from_a_m=45.4),
        find(candidate_id="2", found_from_a_m=43.5, material="pe"),  # 1.5 m off, outside its area
        find(candidate_id="3", found_from_a_m=None),  # nobody measured
        dry(candidate_id="4"),
        find(candidate_id="5", verification="cored and heard", found_from_a_m=None),
        find(candidate_id="6", verification="not visited", found_from_a_m=None),
        find(candidate_id="7", disputed=True),
    ]
    result = accuracy_of(finds)
    everything = result.all
    assert (everything.visited, everything.dug, everything.found, everything.dry) == (5, 4, 3, 1)
    assert everything.hit_rate.value == 0.75
    assert everything.error_m.value == pytest.approx(0.95)
    assert (everything.within.value, everything.within.count) == (0.5, 2)
    assert everything.bias_m == pytest.approx((0.4 - 1.5) / 2)
    top = result.bands[-1]
    assert (top.came_true.value, top.came_true.count, top.unmeasured) == (pytest.approx(1 / 3), 3, 1)
    assert [one.candidate_id for one in result.disputed] == ["7"]
    pe = next(group for group in result.groups if group.name == "pe")
    assert (pe.dug, pe.error_m.value) == (1, 1.5)


def test_three_feet_are_within_and_the_sign_is_towards_b() -> None:
    at_3_ft = find(from_a_m=0.0, found_from_a_m=0.9144)
    assert at_3_ft.error_m == 0.9144
    assert accuracy_of([at_3_ft]).all.within.value == 1.0
    assert accuracy_of([replace(at_3_ft, found_from_a_m=0.92)]).all.within.value == 0.0
    assert find(found_from_a_m=44.0).error_m == -1.0


def test_what_is_in_the_area() -> None:
    both = find(stretches_m=((10.0, 12.0), (44.0, 46.0)))
    assert both.in_area
    assert replace(both, found_from_a_m=11.0).in_area
    assert replace(both, found_from_a_m=30.0).in_area is False
    assert replace(both, found_from_a_m=None).in_area is None
    assert dry().in_area is False
    assert find(verification="heard on the surface").in_area is None
    assert find(verification="heard on the surface").error_m is None


def test_without_finds_nothing_is_claimed() -> None:
    result = accuracy_of([])
    assert result.all.dug == 0
    assert result.all.bias_m is None
    assert {band.agreement for band in result.bands} == {"nothing dug"}


@pytest.mark.parametrize(
    ("true_share", "wanted"), [(0.95, "agrees"), (0.6, "too sure"), (0.995, "too careful")]
)
def test_a_stated_probability_is_judged(true_share: float, wanted: str) -> None:
    rng = np.random.default_rng(5)
    finds = [
        find(candidate_id=str(i), probability=0.92 if true_share > 0.99 else 0.95)
        if rng.random() < true_share
        else dry(candidate_id=str(i), probability=0.95)
        for i in range(300)
    ]
    assert accuracy_of(finds).bands[-1].agreement == wanted


def test_right_probabilities_are_seldom_called_wrong() -> None:
    rng = np.random.default_rng(8)
    wrong = 0
    for _ in range(300):
        stated = rng.uniform(0.9, 1.0, size=20)
        finds = [
            find(candidate_id=str(i), probability=float(p))
            if rng.random() < p
            else dry(candidate_id=str(i), probability=float(p))
            for i, p in enumerate(stated)
        ]
        wrong += accuracy_of(finds).bands[-1].agreement != "agrees"
    assert wrong <= 0.08 * 300


def test_few_finds_bound_little() -> None:
    band = accuracy_of([find(candidate_id=str(i)) for i in range(3)]).bands[-1]
    assert band.agreement == "agrees"
    assert band.came_true.low < 0.5
    assert band.came_true.is_few
    assert math.isinf(accuracy_of([find()]).all.error_m.high)
