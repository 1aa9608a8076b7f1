"""Areas on the mains to candidates: where a crew goes, seen from the two sensors that tell most of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from shapely import LineString, Point
from shapely.ops import substring

from netcorr.path.branches import path_edges
from netcorr.path.reference import point_at, segment_ends_m, stretch
from netcorr.position.candidate_id import candidate_id
from netcorr.position.candidates import rounds_that_agree
from netcorr.position.fix import AreaStretch, Branch, Candidate
from netcorr.position.network.doubts import pairs_that_fit
from netcorr.position.network.look import direct_delay
from netcorr.position.network.times import Places, times_at

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.position.fix import Outcome, PairFix
    from netcorr.position.network.area import Area, PiecePart
    from netcorr.position.network.evidence import NetworkEvidence
    from netcorr.position.network.pipes import ReachedPipes
    from netcorr.position.network.weigh import Weighed

#: Of pairs that hear a leak this clearly, the nearest to each other tell where it is. [nats]
CLEAR = 12.0


@dataclass(frozen=True, eq=False)
class OnPath:
    """A pair's path on the pieces of main within reach.

    Attributes
    ----------
    fix : PairFix
        The pair.
    number : int
        Its number among the pairs.
    start_m : dict of int to (float, bool)
        For each piece of the path: where it begins from A, and whether it runs as it is drawn. [m]
    """

    fix: PairFix
    number: int
    start_m: dict[int, tuple[float, bool]]

    @classmethod
    def of(cls, fix: PairFix, number: int, network: PipeNetwork, pipes: ReachedPipes) -> OnPath:
        """Find the pieces of a path."""
        row_of = {(frozenset(edge[:2]), edge[2]): row for row, edge in enumerate(pipes.edges)}
        key_of = dict(path_edges(network, fix.path))
        starts: dict[int, tuple[float, bool]] = {}
        for segment, from_a_m in zip(fix.path.segments, segment_ends_m(fix.path)[:-1].tolist(), strict=True):
            ends = frozenset((segment.from_node, segment.to_node))
            row = row_of.get((ends, key_of[ends]))
            if row is not None:
                starts[row] = (from_a_m, pipes.edges[row][0] == segment.from_node)
        return cls(fix, number, starts)

    def from_a_m(self, pipes: ReachedPipes, piece: int, into_m: float) -> float:
        """Distance from A of a place on a piece of the path. [m]"""
        start_m, along = self.start_m[piece]
        at_m = start_m + (into_m if along else float(pipes.length_m[piece]) - into_m)
        return float(np.clip(at_m, 0.0, self.fix.path.length_m))


@dataclass(frozen=True, eq=False)
class Scene:
    """What candidates are told from.

    Attributes
    ----------
    network : PipeNetwork
        The map.
    evidence : NetworkEvidence
        Mains, ways and evidence.
    weighed : Weighed
        Probability along the mains.
    paths : tuple of OnPath
        Paths of the pairs, in the order of `evidence.hearings`.
    """

    network: PipeNetwork
    evidence: NetworkEvidence
    weighed: Weighed
    paths: tuple[OnPath, ...]


def candidate_of(area: Area, scene: Scene) -> Candidate:
    """Tell an area as a candidate of the pair that tells most of it.

    Parameters
    ----------
    area : Area
        Connected part of the region.
    scene : Scene
        What it is told from.

    Returns
    -------
    Candidate
        With rank 0: between two sensors where a path runs through the area, else at or beyond one.
    """
    if not area.in_set:
        return _between(area, scene, node=None)
    node = _where_it_hangs(area, scene)
    for number, sensor in enumerate(scene.evidence.sensors):
        if sensor.node == node:
            return _beyond(area, scene, sensor=number)
    return _between(area, scene, node=node)


def _between(area: Area, scene: Scene, *, node: int | None) -> Candidate:
    """Tell an area by the path that runs through its most probable place, or past the tee where it hangs."""
    pipes, places = scene.evidence.pipes, scene.weighed.places
    piece, into_m = int(places.piece[area.best]), float(places.from_m[area.best])
    pieces = [piece] if node is None else np.flatnonzero((pipes.ends == node).any(axis=1)).tolist()
    through = [one for one in scene.paths if any(row in one.start_m for row in pieces)]
    on = _clearest(through or scene.paths, scene)
    path = on.fix.path
    if node is None and piece in on.start_m:
        from_a_m, point = on.from_a_m(pipes, piece, into_m), _point(pipes, piece, into_m)
    else:
        from_a_m = _nearest_on_path(on, scene, piece=piece, into_m=into_m)
        point = _point(pipes, piece, into_m) if node is None else point_at(path, from_a_m)
    told = _on_path(area, on, pipes)
    off = [part for part in area.parts if part.piece not in on.start_m]
    branches = _branches(off, on, scene)
    delay_s, sd_s = _delay_at(scene, on, area.best)
    low_m, high_m = (told[0][0], told[-1][1]) if told else (from_a_m, from_a_m)
    used = rounds_that_agree(on.fix.evidence, delay_s=delay_s, sd_s=sd_s)
    data = pipes.data[piece]
    return Candidate(
        candidate_id=candidate_id(
            path.sensor_a, path.sensor_b, "network", piece, into_m, area.mass * scene.weighed.leak
        ),
        rank=0,
        probability=area.mass * scene.weighed.leak,
        outcome="between",
        sensor_a=path.sensor_a,
        sensor_b=path.sensor_b,
        from_a_m=from_a_m,
        from_b_m=path.length_m - from_a_m,
        low_m=low_m,
        high_m=high_m,
        sd_m=_sd_m(area, scene, on),
        delay_s=delay_s,
        pipe_id=str(data["pipe_id"]),
        material=data["material"],
        diameter_mm=float(data["diameter_mm"]),
        speed_m_s=_speed_m_s(scene, piece),
        rounds_used=used,
        point=point,
        stretches=tuple(stretch(path, low, high_m=high) for low, high in told),
        stretch_m=told,
        branches=branches,
        note="; ".join(
            (
                *_beside_the_path(on, scene, piece=piece, in_set=area.in_set),
                *_notes(area, branches, used=used, rounds=len(on.fix.evidence)),
                _agreement(area, scene),
            )
        ),
        area=_stretches(area, pipes),
    )


def _beyond(area: Area, scene: Scene, *, sensor: int) -> Candidate:
    """Tell a set of pipes that hangs at a sensor: all that lies beyond it is the answer."""
    pipes, evidence = scene.evidence.pipes, scene.evidence
    of_sensor = [
        one
        for one, hearing in zip(scene.paths, evidence.hearings, strict=True)
        if sensor in (hearing.a, hearing.b)
    ]
    on = _clearest(of_sensor, scene)
    path, hearing = on.fix.path, evidence.hearings[on.number]
    at_a = hearing.a == sensor
    outcome: Outcome = "at or beyond A" if at_a else "at or beyond B"
    at_m = 0.0 if at_a else path.length_m
    segment = path.segments[0 if at_a else -1]
    delay_s, sd_s = _delay_at(scene, on, area.best)
    branches = _branches(area.parts, on, scene)
    speed_m_s = on.fix.speeds[0 if at_a else -1].speed_m_s
    name = path.sensor_a if at_a else path.sensor_b
    return Candidate(
        candidate_id=candidate_id(path.sensor_a, path.sensor_b, outcome, area.mass * scene.weighed.leak),
        rank=0,
        probability=area.mass * scene.weighed.leak,
        outcome=outcome,
        sensor_a=path.sensor_a,
        sensor_b=path.sensor_b,
        from_a_m=at_m,
        from_b_m=path.length_m - at_m,
        low_m=at_m,
        high_m=at_m,
        sd_m=speed_m_s / 2 * sd_s,
        delay_s=delay_s,
        pipe_id=segment.pipe_id,
        material=segment.material,
        diameter_mm=segment.diameter_mm,
        speed_m_s=speed_m_s,
        rounds_used=rounds_that_agree(on.fix.evidence, delay_s=delay_s, sd_s=sd_s),
        point=point_at(path, at_m),
        stretches=(),
        stretch_m=(),
        branches=branches,
        note=(
            f"the noise comes from at or beyond {name}, or from its lead: no two loggers have it between "
            f"them, so the {area.length_m:.0f} m of main in its area cannot be told apart"
        ),
        area=_stretches(area, pipes),
    )


def _where_it_hangs(area: Area, scene: Scene) -> int:
    """Row of the node by which the sound of a set of places leaves it."""
    pipes, places = scene.evidence.pipes, scene.weighed.places.take(_flags(area, scene))
    ways = [times_at(pipes, sensor, places) for sensor in scene.evidence.sensors]
    time_s = np.min([way.time_s for way in ways], axis=0)
    in_set = ~scene.weighed.bracketed[area.rows]
    nearest = int(np.flatnonzero(in_set)[np.argmin(time_s[in_set])])
    first_heard = min(ways, key=lambda way: float(way.time_s[nearest]))
    return int(pipes.ends[places.piece[nearest], 0 if first_heard.by_first_end[nearest] else 1])


def _flags(area: Area, scene: Scene) -> NDArray[np.bool_]:
    flags = np.zeros(scene.weighed.probability.size, dtype=bool)
    flags[area.rows] = True
    return flags


def _clearest(paths: Sequence[OnPath], scene: Scene) -> OnPath:
    """Of the pairs that hear something clearly the shortest, else the one that hears most."""
    heard = {one.number: scene.evidence.hearings[one.number].heard for one in paths}
    clear = [one for one in paths if heard[one.number] >= CLEAR]
    if clear:
        return min(clear, key=lambda one: one.fix.path.length_m)
    return max(paths, key=lambda one: heard[one.number])


def _nearest_on_path(on: OnPath, scene: Scene, *, piece: int, into_m: float) -> float:
    """Distance from A of the point of a path at which a place beside it is reached. [m]"""
    pipes, evidence = scene.evidence.pipes, scene.evidence
    hearing = evidence.hearings[on.number]
    one = Places(np.array([piece]), np.array([into_m]), np.ones(1))
    way_a, way_b = (times_at(pipes, evidence.sensors[k], one) for k in (hearing.a, hearing.b))
    length_m = on.fix.path.length_m
    from_a_m = (float(way_a.length_m[0]) - float(way_b.length_m[0]) + length_m) / 2
    return float(np.clip(from_a_m, 0.0, length_m))


def _on_path(area: Area, on: OnPath, pipes: ReachedPipes) -> tuple[tuple[float, float], ...]:
    """Stretches of an area on a path, from A, those that touch as one. [m]"""
    spans = sorted(
        tuple(sorted(on.from_a_m(pipes, part.piece, at_m) for at_m in (part.low_m, part.high_m)))
        for part in area.parts
        if part.piece in on.start_m
    )
    told: list[tuple[float, float]] = []
    for low, high in spans:
        if told and low - told[-1][1] < 1e-6:
            told[-1] = (told[-1][0], max(high, told[-1][1]))
        elif high > low:
            told.append((low, high))
    return tuple(told)


def _branches(parts: Sequence[PiecePart], on: OnPath, scene: Scene) -> tuple[Branch, ...]:
    """Parts of an area beside the path, by the point of the path at which they are reached."""
    pipes = scene.evidence.pipes
    found: dict[float, list[PiecePart]] = {}
    for part in parts:
        middle_m = (part.low_m + part.high_m) / 2
        at_m = round(_nearest_on_path(on, scene, piece=part.piece, into_m=middle_m), 1)
        found.setdefault(at_m, []).append(part)
    return tuple(
        Branch(
            from_a_m=min(at_m, on.fix.path.length_m),
            pipe_ids=tuple(dict.fromkeys(str(pipes.data[part.piece]["pipe_id"]) for part in there)),
            lines=tuple(_line(pipes, part) for part in there),
        )
        for at_m, there in sorted(found.items())
    )


def _stretches(area: Area, pipes: ReachedPipes) -> tuple[AreaStretch, ...]:
    return tuple(
        AreaStretch(
            edge=pipes.edges[part.piece],
            pipe_id=str(pipes.data[part.piece]["pipe_id"]),
            from_m=part.low_m,
            to_m=part.high_m,
            line=_line(pipes, part),
        )
        for part in area.parts
    )


def _line(pipes: ReachedPipes, part: PiecePart) -> LineString:
    """Part of a piece on the map."""
    length_m = float(pipes.length_m[part.piece])
    low, high = max(part.low_m / length_m, 0.0), min(part.high_m / length_m, 1.0)
    line = substring(pipes.data[part.piece]["geometry"], low, high, normalized=True)
    return line if isinstance(line, LineString) else LineString([line, line])


def _point(pipes: ReachedPipes, piece: int, into_m: float) -> Point:
    line: LineString = pipes.data[piece]["geometry"]
    return line.interpolate(into_m / float(pipes.length_m[piece]), normalized=True)


def _delay_at(scene: Scene, on: OnPath, row: int) -> tuple[float, float]:
    """Delay of a pair for a leak at a place, with the speeds as found, and its standard deviation. [s]"""
    evidence, weighed = scene.evidence, scene.weighed
    one = weighed.places.at(row)
    ways = tuple(times_at(evidence.pipes, sensor, one) for sensor in evidence.sensors)
    return direct_delay(evidence, evidence.hearings[on.number], one, ways=ways, speeds=weighed)


def _speed_m_s(scene: Scene, piece: int) -> float:
    """Wave speed in a piece as the survey found it. [m/s]"""
    pipes = scene.evidence.pipes
    return float(pipes.speed_m_s[piece] / scene.weighed.slowness[pipes.group[piece]])


def _sd_m(area: Area, scene: Scene, on: OnPath) -> float:
    """Standard deviation of the way from A to the leak, within the area. [m]"""
    evidence = scene.evidence
    places = scene.weighed.places.take(_flags(area, scene))
    sensor = evidence.sensors[evidence.hearings[on.number].a]
    way_m = times_at(evidence.pipes, sensor, places).length_m
    mass = scene.weighed.probability[area.rows]
    mean = float(mass @ way_m / mass.sum())
    variance = float(mass @ (way_m - mean) ** 2 / mass.sum())
    return float(np.sqrt(variance + float(places.width_m.max()) ** 2 / 12))


def _beside_the_path(on: OnPath, scene: Scene, *, piece: int, in_set: bool) -> tuple[str, ...]:
    """Warn where the point is on no path: distances along the path do not lead to it."""
    if in_set or piece in on.start_m:
        return ()
    pipe = scene.evidence.pipes.data[piece]["pipe_id"]
    return (
        f"the point lies on {pipe}, beside the shortest way between these two sensors (the sound takes "
        "another way round): go by the point on the map, not by the distances from A and B",
    )


def _agreement(area: Area, scene: Scene) -> str:
    """How many of the pairs that hear something clearly meet at the place."""
    loud, fitting = pairs_that_fit(scene.evidence, scene.weighed, place=area.best)
    if not loud:
        return "no pair hears it clearly by itself; all loggers together say it"
    return (
        f"all loggers together: {len(fitting)} of {len(loud)} pairs that hear something clearly hear it there"
    )


def _named(pipes: Sequence[str], *, most: int = 6) -> str:
    """Mains by name; of many the first, and how many more there are."""
    more = f" and {len(pipes) - most} more" if len(pipes) > most else ""
    return ", ".join(pipes[:most]) + more


def _notes(area: Area, branches: Sequence[Branch], *, used: int, rounds: int) -> list[str]:
    """What a crew should know of a candidate between sensors."""
    notes = []
    if branches:
        pipes = _named(list(dict.fromkeys(pipe for branch in branches for pipe in branch.pipe_ids)))
        if area.in_set:
            notes.append(f"the leak may be anywhere on {pipes}: no logger stands on it")
        else:
            notes.append(f"the area runs on into {pipes}")
    if rounds == 1:
        notes.append("one round only: usage cannot be told from a leak; record again at another time")
    elif used < rounds:
        notes.append(f"heard in {used} of {rounds} rounds")
    return notes
