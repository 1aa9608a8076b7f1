"""The history: order never matters, nothing twice, nothing lost, and crews that contradict each other."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcorr.verification import VERIFICATIONS, FoundPlace, Record, Visit, disagreements, new_visits, state
from netcorr.verification.history import latest_place
from tests.verification.conftest import at, day

Maker = Callable[..., Record]

VISITS = st.builds(
    Visit,
    candidate_id=st.sampled_from(["c-1", "c-2"]),
    verification=st.sampled_from(VERIFICATIONS),
    offset_m=st.none() | st.sampled_from([-0.5, 0.0, 2.0]),
    depth_m=st.none() | st.sampled_from([0.9, 1.4]),
    visited=st.none() | st.integers(1, 5).map(day),
    crew=st.sampled_from(["", "North", "South"]),
    note=st.sampled_from(["", "wet"]),
)


def taken(visits: list[Visit], hour: int = 12) -> list[Record]:
    moment = datetime(2026, 3, 9, hour, tzinfo=UTC)
    return [Record(visit, FoundPlace(), moment, "f.csv", "00") for visit in visits]


@given(st.lists(VISITS, max_size=6), st.randoms())
def test_the_order_of_rows_never_matters(visits: list[Visit], random: object) -> None:
    shuffled = list(visits)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert new_visits([], visits) == new_visits([], shuffled)
    for candidate_id in ("c-1", "c-2"):
        own = [v for v in visits if v.candidate_id == candidate_id]
        mixed = [v for v in shuffled if v.candidate_id == candidate_id]
        assert state(taken(own)) == state(taken(mixed))
    assert sorted(map(str, disagreements(taken(visits)))) == sorted(map(str, disagreements(taken(shuffled))))


@given(st.lists(VISITS, max_size=6))
def test_the_same_file_again_adds_nothing(visits: list[Visit]) -> None:
    first = taken(new_visits([], visits))
    assert new_visits(first, visits) == []
    # nor does a fresh copy of what the result says then
    together = [state([r for r in first if r.visit.candidate_id == c]) for c in ("c-1", "c-2")]
    assert new_visits(first, [visit for visit in together if visit is not None]) == []


@given(st.lists(VISITS, max_size=6))
def test_nothing_but_blanks_and_repeats_is_left_out(visits: list[Visit]) -> None:
    held = new_visits([], visits)
    assert all(visit.is_blank or visit in held for visit in visits)


def test_values_are_kept_until_newer_ones_come(make_record: Maker) -> None:
    found = make_record(verification="dug and found", offset_m=0.4, depth_m=1.1, visited=day(1), crew="North")
    repaired = make_record(verification="repaired", visited=day(3), note="clamp")
    together = state([repaired, found])
    assert together == Visit("c-1", "repaired", 0.4, 1.1, day(3), "North", note="clamp")


def test_an_old_copy_that_comes_late_changes_nothing_newer(make_record: Maker) -> None:
    dug = make_record(verification="dug and found", visited=day(5), hour=8)
    late = make_record(verification="heard on the surface", visited=day(2), hour=20)
    assert state([dug, late]) == Visit("c-1", "dug and found", visited=day(5))
    assert state([]) is None


def test_a_note_alone_does_not_undo_a_find(make_record: Maker) -> None:
    together = state(
        [
            make_record(verification="repaired", visited=day(1)),
            make_record(note="road made good", visited=day(6)),
        ]
    )
    assert together is not None
    assert (together.verification, together.note) == ("repaired", "road made good")


def test_two_crews_that_contradict_each_other(make_record: Maker) -> None:
    records = [
        make_record(verification="dug and dry", crew="South", visited=day(1)),
        make_record(verification="dug and found", crew="North", visited=day(2)),
    ]
    (one,) = disagreements(records)
    assert one.candidate_id == "c-1"
    assert one.text == (
        "crew North (2026-03-02) dug and found a leak, crew South (2026-03-01) dug and found none"
    )
    # the same crew, later: it corrects itself, and both agree
    assert disagreements([*records, make_record(verification="repaired", crew="South", visited=day(3))]) == ()


def test_one_crew_cannot_contradict_itself(make_record: Maker) -> None:
    records = [
        make_record(verification="dug and dry", crew="North", visited=day(1)),
        make_record(verification="dug and found", crew="North", visited=day(2)),
    ]
    assert disagreements(records) == ()


def test_hearing_is_no_contradiction_to_a_dry_hole(make_record: Maker) -> None:
    heard = make_record(verification="cored and heard", crew="North", visited=day(1))
    assert disagreements([heard, make_record(verification="dug and dry", crew="South", visited=day(2))]) == ()


@pytest.mark.parametrize(("second_m", "contradict"), [(44.5, False), (47.0, True)])
def test_one_leak_at_two_places(make_record: Maker, second_m: float, contradict: bool) -> None:
    records = [
        make_record(verification="dug and found", crew="North", visited=day(1), found_from_a_m=44.0),
        make_record(verification="repaired", crew="South", visited=day(2), found_from_a_m=second_m),
    ]
    found = disagreements(records)
    assert bool(found) == contradict
    if contradict:
        assert "44.0 m from sensor A" in found[0].text
        assert "47.0 m" in found[0].text
    latest = latest_place(records)
    assert latest is not None
    assert latest.found.from_a_m == second_m


def test_part_of_what_is_known_is_no_news(make_record: Maker) -> None:
    known = [
        make_record(verification="dug and found", offset_m=0.4, visited=day(1), crew="North"),
        make_record(verification="repaired", visited=day(2)),
    ]
    assert (
        new_visits(known, [Visit("c-1", "repaired"), Visit("c-1", "repaired", offset_m=0.4, crew="North")])
        == []
    )
    assert len(new_visits(known, [Visit("c-1", "repaired", offset_m=0.6)])) == 1
    assert len(new_visits(known, [Visit("c-1", "dug and dry")])) == 1


def test_a_moved_point_is_news(make_record: Maker) -> None:
    known = [make_record(verification="dug and found", place=at(45.0))]
    assert new_visits(known, [Visit("c-1", "dug and found", place=at(45.0))]) == []
    assert len(new_visits(known, [Visit("c-1", "dug and found", place=at(46.0))])) == 1
