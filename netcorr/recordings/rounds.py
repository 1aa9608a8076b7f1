"""Which recordings were made at the same time."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import combinations

import numpy as np

from netcorr.recordings.recording import Recording, Rejected

#: Recordings that share less than this were not made at the same time. [s]
SHORTEST_SHARED_S = 2.0
_SHORTEST = timedelta(seconds=SHORTEST_SHARED_S)


@dataclass(frozen=True, eq=False)
class Group:
    """Recordings that all overlap each other.

    Attributes
    ----------
    recordings : tuple of Recording
        Two or more, of as many loggers, in the order they were given.
    rejected : tuple of Rejected
        Latecomers that were left out so as not to cut the others short.
    """

    recordings: tuple[Recording, ...]
    rejected: tuple[Rejected, ...] = ()


def group_by_time(recordings: Sequence[Recording]) -> tuple[tuple[Group, ...], tuple[Rejected, ...]]:
    """Groups of recordings that share at least `SHORTEST_SHARED_S`, and those that are in none.

    Parameters
    ----------
    recordings : sequence of Recording
        Any number.

    Returns
    -------
    (tuple of Group, tuple of Rejected)
        Groups in the order of time; every recording that is in no group, and why.

    Notes
    -----
    A group is a largest set of recordings that overlap all at once, so a recording that lasts for several
    groups (one logger left running, another started anew) is in each of them, with another part of it.
    Left out are two recordings of one logger at the same time and copies of one recording under two names
    (either would make up a delay), and a latecomer: one that shares less than half of itself with a group
    of three or more which could use more pairs times seconds without it.

    Examples
    --------
    >>> group_by_time([])
    ((), ())
    """
    rejected: dict[int, str] = {}
    for find in (_too_short, _copies, _same_logger_twice):
        left = [index for index in range(len(recordings)) if index not in rejected]
        for index, reason in find({index: recordings[index] for index in left}).items():
            rejected[index] = reason
    left = [index for index in range(len(recordings)) if index not in rejected]
    cliques = [
        [left[i] for i in clique] for clique in largest_overlaps([_span(recordings[index]) for index in left])
    ]
    groups = [_without_latecomers(clique, cliques, recordings) for clique in cliques if len(clique) > 1]
    used = {id(recording) for group in groups for recording in group.recordings}
    late = {id(item.deployment): item.reason for group in groups for item in group.rejected}
    for index in left:
        recording = recordings[index]
        if id(recording) not in used:
            rejected[index] = late.get(id(recording.deployment)) or _alone(recording, recordings)
    groups.sort(key=lambda group: max(recording.start for recording in group.recordings))
    return tuple(groups), tuple(
        Rejected(recordings[index].deployment, rejected[index]) for index in sorted(rejected)
    )


def _span(recording: Recording) -> tuple[datetime, datetime]:
    return recording.start, recording.end


def largest_overlaps(spans: Sequence[tuple[datetime, datetime]]) -> list[list[int]]:
    """Largest sets of spans that share at least `SHORTEST_SHARED_S` all at once.

    Parameters
    ----------
    spans : sequence of (datetime, datetime)
        Begin and end.

    Returns
    -------
    list of list of int
        Indices of the spans of each set, ascending; sets in the order of time. A span that overlaps no
        other is a set of its own; one shorter than that is in none.

    Notes
    -----
    Spans that overlap pairwise all overlap in one stretch (Helly's theorem on the line), so the sets are
    found by one sweep: with every end brought forward by the shortest shared time, a set is complete
    where a span ends after another began.
    """
    events = [(begin, 0, index) for index, (begin, end) in enumerate(spans) if end - _SHORTEST >= begin]
    events += [(spans[index][1] - _SHORTEST, 1, index) for _, _, index in events]
    active: set[int] = set()
    found, grown = [], False
    for _, is_end, index in sorted(events):
        if is_end:
            if grown:
                found.append(sorted(active))
            active.remove(index)
        else:
            active.add(index)
        grown = not is_end
    return found


def _too_short(recordings: dict[int, Recording]) -> dict[int, str]:
    return {
        index: f"only {recording.duration_s:.2f} s long; at least {SHORTEST_SHARED_S:g} s are needed"
        for index, recording in recordings.items()
        if recording.end - recording.start < _SHORTEST
    }


def _copies(recordings: dict[int, Recording]) -> dict[int, str]:
    """Recordings with the very same samples: their delay would be zero, a leak halfway that is not there."""
    same: dict[bytes, list[int]] = defaultdict(list)
    for index, recording in recordings.items():
        content = np.ascontiguousarray(recording.samples).data
        same[hashlib.blake2b(content).digest()].append(index)
    return {
        index: f"the very same samples as {_others(indices, index, recordings)}: "
        "one is a copy under a wrong name"
        for indices in same.values()
        if len(indices) > 1
        for index in indices
    }


def _same_logger_twice(recordings: dict[int, Recording]) -> dict[int, str]:
    twice: dict[int, set[int]] = defaultdict(set)
    by_logger: dict[str, list[int]] = defaultdict(list)
    for index, recording in recordings.items():
        by_logger[recording.logger].append(index)
    for indices in by_logger.values():
        for i, k in combinations(indices, 2):
            if _shared([recordings[i], recordings[k]]) >= _SHORTEST:
                twice[i].add(k)
                twice[k].add(i)
    return {
        index: f"logger {recordings[index].logger} has another recording at the same time, "
        f"{_others([*others, index], index, recordings)}: correct the start or the name of the logger"
        for index, others in twice.items()
    }


def _others(indices: Iterable[int], index: int, recordings: dict[int, Recording]) -> str:
    return " and ".join(
        f"row {recordings[other].deployment.row} (logger {recordings[other].logger})"
        for other in sorted(indices)
        if other != index
    )


def _shared(recordings: Iterable[Recording]) -> timedelta:
    """Time that all share; negative when some do not meet."""
    members = list(recordings)
    return min(recording.end for recording in members) - max(recording.start for recording in members)


def _without_latecomers(
    clique: list[int], cliques: list[list[int]], recordings: Sequence[Recording]
) -> Group:
    members = [recordings[index] for index in clique]
    kept = list(members)
    while len(kept) > 2:
        shared = _shared(kept)
        late = max(kept, key=lambda r: _shared(other for other in kept if other is not r))
        rest = [recording for recording in kept if recording is not late]
        gains = len(rest) * (len(rest) - 1) * _shared(rest) > len(kept) * (len(kept) - 1) * shared
        if not gains or shared >= (late.end - late.start) / 2:
            break
        kept = rest
    # The same pair must not meet in two groups at the same time: that would count its evidence twice.
    kept_indices = {index for index in clique if recordings[index] in kept}
    if any(len(kept_indices & set(other)) > 1 for other in cliques if other is not clique):
        kept = members
    reason = (
        f"shares only {_shared(members).total_seconds():.1f} s with its round, which has "
        f"{_shared(kept).total_seconds():.1f} s without it: check its clock and its start"
    )
    left_out = [Rejected(recording.deployment, reason) for recording in members if recording not in kept]
    return Group(tuple(kept), tuple(left_out))


def _alone(recording: Recording, recordings: Sequence[Recording]) -> str:
    """Why a recording has no partner: the nearest one of another logger, and how far it is."""
    when = (
        "overlaps no other usable recording: "
        f"it runs from {_shown(recording.start)} to {_shown(recording.end)}"
    )
    others = [other for other in recordings if other.logger != recording.logger]
    if not others:
        return when
    nearest = max(others, key=lambda other: _shared([recording, other]))
    return (
        f"{when}, the nearest of another logger ({nearest.logger}, row {nearest.deployment.row}) "
        f"from {_shown(nearest.start)} to {_shown(nearest.end)}: {_hint(recording, nearest)}"
    )


def _hint(one: Recording, other: Recording) -> str:
    apart_s = abs((one.start - other.start).total_seconds())
    quarters = round(apart_s / 900)
    if 0 < quarters <= 56 and abs(apart_s - 900 * quarters) < 5 and quarters % 2 == 0:
        return f"they are {quarters / 4:g} h apart, so check the time zones first"
    return "check the start times and the clocks"


def _shown(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
