"""Which recordings form a round, and why others do not."""

from __future__ import annotations

import random
from collections.abc import Callable
from datetime import datetime, timedelta
from itertools import combinations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from netcorr.recordings import Recording, group_by_time
from netcorr.recordings.rounds import SHORTEST_SHARED_S, largest_overlaps

Record = Callable[..., Recording]
EPOCH = datetime(2026, 3, 1)


def grouped(*recordings: Recording) -> tuple[list[str], dict[str, str]]:
    """Groups as 'A2 B3' (logger and row), and the reasons by the same names."""
    groups, rejected = group_by_time(recordings)
    return (
        [" ".join(f"{r.logger}{r.deployment.row}" for r in group.recordings) for group in groups],
        {f"{item.deployment.logger}{item.deployment.row}": item.reason for item in rejected},
    )


def test_three_rounds_of_a_night(record: Record) -> None:
    made = [
        record(logger, at_s=3600 * number + jitter, row=10 * number + place)
        for number in (2, 0, 1)
        for place, (logger, jitter) in enumerate([("A", 0.0), ("B", 0.02), ("C", -0.3)])
    ]
    assert grouped(*made) == (["A0 B1 C2", "A10 B11 C12", "A20 B21 C22"], {})


def test_a_logger_left_running_is_in_every_round(record: Record) -> None:
    made = [record("A", seconds=60)] + [record("B", at_s=20 * k, seconds=5, row=3 + k) for k in range(3)]
    assert grouped(*made) == (["A2 B3", "A2 B4", "A2 B5"], {})


def test_a_chain_is_cut_where_nothing_is_shared(record: Record) -> None:
    made = [record("A"), record("B", at_s=7, row=3), record("C", at_s=14, row=4)]
    assert grouped(*made) == (["A2 B3", "B3 C4"], {})


@pytest.mark.parametrize(("at_s", "groups"), [(8.0, 1), (8.001, 0), (-8.0, 1), (-8.001, 0)])
def test_two_seconds_are_enough(at_s: float, groups: int, record: Record) -> None:
    assert len(grouped(record("A"), record("B", at_s=at_s, row=3))[0]) == groups


def test_one_that_overlaps_nobody(record: Record) -> None:
    made = [record("A"), record("B", row=3), record("C", at_s=3600.4, row=4)]
    groups, reasons = grouped(*made)
    assert groups == ["A2 B3"]
    assert list(reasons) == ["C4"]
    assert "runs from 2026-03-01T03:00:00.400Z to 2026-03-01T03:00:10.400Z" in reasons["C4"]
    assert "(A, row 2) from 2026-03-01T02:00:00.000Z to 2026-03-01T02:00:10.000Z" in reasons["C4"]
    assert reasons["C4"].endswith("they are 1 h apart, so check the time zones first")


def test_clocks_apart_by_no_zone(record: Record) -> None:
    _, reasons = grouped(record("A"), record("B", at_s=700, row=3))
    assert reasons["A2"].endswith("check the start times and the clocks")
    assert set(reasons) == {"A2", "B3"}


def test_alone_and_only_its_own_logger_elsewhere(record: Record) -> None:
    _, reasons = grouped(record("A"), record("A", at_s=100, row=3))
    assert reasons["A2"].startswith("overlaps no other usable recording")
    assert "nearest" not in reasons["A2"]


def test_too_short(record: Record) -> None:
    groups, reasons = grouped(record("A"), record("B", row=3), record("C", seconds=1.5, row=4))
    assert groups == ["A2 B3"]
    assert reasons == {"C4": "only 1.50 s long; at least 2 s are needed"}


def test_same_logger_twice_at_one_time(record: Record) -> None:
    """Neither can be trusted; the others go on."""
    made = [record("A"), record("B", row=3), record("A", at_s=1, row=4), record("C", row=5)]
    groups, reasons = grouped(*made)
    assert groups == ["B3 C5"]
    assert "logger A has another recording at the same time, row 4 (logger A): correct" in reasons["A2"]
    assert "row 2 (logger A)" in reasons["A4"]


def test_back_to_back_recordings_of_one_logger_may_touch(record: Record) -> None:
    made = [record("A", seconds=20), record("B", row=3), record("B", at_s=9.5, row=4)]
    assert grouped(*made) == (["A2 B3", "A2 B4"], {})


def test_copies_are_refused(record: Record) -> None:
    """One file under two names would be a perfect leak halfway."""
    one = record("A")
    made = [one, record("B", row=3, samples=one.samples.copy()), record("C", row=4), record("D", row=5)]
    groups, reasons = grouped(*made)
    assert groups == ["C4 D5"]
    assert reasons["B3"] == "the very same samples as row 2 (logger A): one is a copy under a wrong name"
    assert set(reasons) == {"A2", "B3"}


def test_latecomer_does_not_cut_the_others_short(record: Record) -> None:
    made = [record("A"), record("B", row=3), record("C", at_s=7, row=4)]
    groups, rejected = group_by_time(made)
    assert [r.logger for group in groups for r in group.recordings] == ["A", "B"]
    assert groups[0].rejected == rejected
    assert rejected[0].reason.startswith("shares only 3.0 s with its round, which has 10.0 s without it")


def test_latecomer_stays_when_it_costs_less_than_it_brings(record: Record) -> None:
    """Three pairs of 4 s are more than one pair of 10 s; and a short recording is no latecomer."""
    assert grouped(record("A"), record("B", row=3), record("C", at_s=6, row=4)) == (["A2 B3 C4"], {})
    short = record("C", at_s=3, seconds=2.5, row=4)
    assert grouped(record("A"), record("B", row=3), short) == (["A2 B3 C4"], {})


def test_no_pair_meets_twice_at_one_time(record: Record) -> None:
    """Leaving C out of its round and D out of its own would count A and B twice."""
    made = [
        record("A", seconds=60),
        record("B", seconds=60, row=3),
        record("C", at_s=55, seconds=20, row=4),
        record("D", at_s=-15, seconds=20, row=5),
    ]
    assert grouped(*made) == (["A2 B3 D5", "A2 B3 C4"], {})


spans = st.lists(
    st.tuples(st.integers(0, 60), st.integers(0, 30)).map(lambda t: (t[0] / 2, (t[0] + t[1]) / 2)), max_size=9
)


@settings(max_examples=50, deadline=None)
@given(spans=spans)
def test_largest_overlaps_against_every_possible_set(spans: list[tuple[float, float]]) -> None:
    """The sweep against trying all sets of spans."""

    def shared(indices: tuple[int, ...]) -> float:
        return min(spans[i][1] for i in indices) - max(spans[i][0] for i in indices)

    fine = [
        set(indices)
        for size in range(1, len(spans) + 1)
        for indices in combinations(range(len(spans)), size)
        if shared(indices) >= SHORTEST_SHARED_S
    ]
    largest = [one for one in fine if not any(one < other for other in fine)]
    moments = [(EPOCH + timedelta(seconds=a), EPOCH + timedelta(seconds=b)) for a, b in spans]
    found = largest_overlaps(moments)
    assert sorted(found) == sorted(sorted(one) for one in largest)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    plan=st.lists(st.tuples(st.sampled_from("ABCD"), st.integers(0, 40), st.integers(1, 20)), max_size=8),
    shuffle=st.randoms(use_true_random=False),
)
def test_laws_of_grouping(plan: list[tuple[str, int, int]], shuffle: random.Random, record: Record) -> None:
    made = [
        record(name, at_s=at_s, seconds=seconds, row=row, rate=100.0)
        for row, (name, at_s, seconds) in enumerate(plan, start=2)
    ]
    groups, rejected = group_by_time(made)
    in_groups = {id(r.deployment) for group in groups for r in group.recordings}
    out = {id(item.deployment) for item in rejected}
    assert in_groups.isdisjoint(out)
    assert in_groups | out == {id(r.deployment) for r in made}
    for group in groups:
        assert len({r.logger for r in group.recordings}) == len(group.recordings) >= 2
        begin, end = max(r.start for r in group.recordings), min(r.end for r in group.recordings)
        assert end - begin >= timedelta(seconds=SHORTEST_SHARED_S)
    for one, other in combinations(groups, 2):
        both = {r.logger for r in one.recordings} & {r.logger for r in other.recordings}
        if len({id(r) for r in one.recordings} & {id(r) for r in other.recordings}) >= 2:
            recordings = (*one.recordings, *other.recordings)
            shared = min(r.end for r in recordings) - max(r.start for r in recordings)
            assert shared < timedelta(seconds=SHORTEST_SHARED_S), both
    mixed = list(made)
    shuffle.shuffle(mixed)
    again, rejected_again = group_by_time(mixed)
    assert {frozenset(map(id, g.recordings)) for g in again} == {
        frozenset(map(id, g.recordings)) for g in groups
    }
    assert {id(item.deployment) for item in rejected_again} == out
