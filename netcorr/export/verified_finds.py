"""Results with their histories to finds, and to what these teach about wave speeds."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pyogrio

from netcorr.export.field_text import pair_of
from netcorr.export.history_layer import read_history
from netcorr.export.read_result import StoredResult, read_result
from netcorr.export.result_schema import LEAK_CANDIDATES
from netcorr.export.take_in import CandidateState, candidate_states
from netcorr.feedback import Feedback, NoFeedback, check_cancelled
from netcorr.path.reference import point_at
from netcorr.verification import Find, Record, SpeedEvidence, disagreements
from netcorr.verification.found_place import BY_POINT
from netcorr.verification.history import by_candidate, latest_place
from netcorr.verification.visit import NOT_VISITED

if TYPE_CHECKING:
    import pyproj

    from netcorr.position.fix import Candidate, PairFix

#: How well a crew measures along the ground to the middle of a leak (judgement). [m]
TAPE_SD_M = 0.3
#: A delay this many standard deviations off belongs to something else.
_NEAR_SDS = 4.0
#: How well a point is moved to its place on a phone; the map's accuracy comes on top (judgement). [m]
FINGER_SD_M = 1.0


@dataclass(frozen=True, eq=False)
class VerifiedFinds:
    """What any number of results say together.

    Attributes
    ----------
    finds : tuple of Find
        Candidates between sensors, visited or not; their points are in `crs`.
    evidence : tuple of SpeedEvidence
        Leaks whose place is known.
    crs : pyproj.CRS
        That of the first result.
    results : int
        How many were read.
    notes : tuple of str
        What was left out, and why.
    """

    finds: tuple[Find, ...]
    evidence: tuple[SpeedEvidence, ...]
    crs: pyproj.CRS
    results: int
    notes: tuple[str, ...]


def read_finds(results: Sequence[Path], *, feedback: Feedback | None = None) -> VerifiedFinds:
    """Read what the ground said of earlier results.

    Parameters
    ----------
    results : sequence of pathlib.Path
        GeoPackages that ``netcorr locate`` wrote and ``netcorr verify`` brought up to date.
    feedback : Feedback, optional
        Told how far the work is.

    Returns
    -------
    VerifiedFinds
        A candidate that is in two of the files, copies of one result, counts once.

    Raises
    ------
    ExportError
        If a file is no result.
    CancelledError
        If the user stopped it.
    """
    feedback = feedback or NoFeedback()
    finds: dict[str, Find] = {}
    evidence: list[SpeedEvidence] = []
    notes: list[str] = []
    crs: pyproj.CRS | None = None
    for done, (path, name) in enumerate(zip(results, _names(results), strict=True)):
        check_cancelled(feedback)
        feedback.progress(done / len(results), f"reading {name}")
        stored, records = read_result(path), read_history(path)
        crs = crs or stored.fix.network.crs
        own = [one for one in _finds(stored, records, name=name) if one[0].candidate_id not in finds]
        repeated = sum(c.candidate_id in finds for c in stored.fix.candidates)
        if repeated:
            notes.append(f"{name}: {repeated} of its candidates are in another of the files and count once")
        beyond = sum(not c.in_bracket for c in stored.fix.candidates)
        if beyond:
            notes.append(
                f"{name}: {beyond} at or beyond a sensor left out, since nobody is sent there to dig"
            )
        if not records and _is_filled_in(path):
            notes.append(
                f"{name}: a crew filled it in, and it was not taken in yet: netcorr verify {name} {name}"
            )
        for find, learned in own:
            finds[find.candidate_id] = _moved(find, stored.fix.network.crs, crs)
            evidence += [learned] if learned is not None else []
    assert crs is not None, "at least one result"
    return VerifiedFinds(tuple(finds.values()), tuple(evidence), crs, len(results), tuple(notes))


def _is_filled_in(path: Path) -> bool:
    """Whether somebody wrote into the candidates themselves."""
    name = LEAK_CANDIDATES.name
    table = pyogrio.read_dataframe(path, layer=name, columns=["verification"], read_geometry=False)
    return bool((table["verification"].dropna() != NOT_VISITED).any())


def _names(results: Sequence[Path]) -> list[str]:
    """File names, with their folder where two are the same."""
    names = [path.name for path in results]
    return [
        path.name if names.count(path.name) == 1 else f"{path.absolute().parent.name}/{path.name}"
        for path in results
    ]


def _finds(
    stored: StoredResult, records: Sequence[Record], *, name: str
) -> Iterator[tuple[Find, SpeedEvidence | None]]:
    disputed = {one.candidate_id for one in disagreements(records)}
    own = by_candidate(records)
    for one in candidate_states(stored, records):
        pair = pair_of(one.candidate, stored.fix)
        if not one.candidate.in_bracket or pair is None:
            continue
        find = _find(one, pair, name=name, disputed=one.candidate.candidate_id in disputed)
        placed = latest_place(own.get(one.candidate.candidate_id, []))
        if find.error_m is None or find.disputed or placed is None:
            yield find, None
        else:
            by_point = placed.found.known_by == BY_POINT
            yield find, _evidence(one, pair, stored, name=name, by_point=by_point)


def _find(one: CandidateState, pair: PairFix, *, name: str, disputed: bool) -> Find:
    candidate, visit = one.candidate, one.visit
    at_m = one.found_from_a_m
    on_path = at_m is not None and 0 <= at_m <= pair.path.length_m
    return Find(
        result=name,
        candidate_id=candidate.candidate_id,
        rank=candidate.rank,
        probability=candidate.probability,
        from_a_m=candidate.from_a_m,
        sd_m=candidate.sd_m,
        stretches_m=candidate.stretch_m,
        pipe_id=candidate.pipe_id,
        material=candidate.material,
        verification=visit.verification if visit else NOT_VISITED,
        crew=visit.crew if visit else "",
        found_from_a_m=at_m,
        disputed=disputed,
        point=point_at(pair.path, at_m) if on_path and at_m is not None else None,
    )


def _evidence(
    one: CandidateState, pair: PairFix, stored: StoredResult, *, name: str, by_point: bool
) -> SpeedEvidence | None:
    """What a find says about speeds; None without the error budget that says how well the rest is known."""
    budget, settings = pair.budget, _settings(stored)
    delay_s = one.candidate.delay_s if len(stored.fix.pairs) == 1 else measured_delay_s(one.candidate, pair)
    if budget is None or one.found_from_a_m is None or delay_s is None or not math.isfinite(delay_s):
        return None
    placing_m = math.hypot(FINGER_SD_M, stored.fix.map_accuracy_m) if by_point else TAPE_SD_M
    return SpeedEvidence(
        survey=name,
        path=pair.path,
        found_from_a_m=one.found_from_a_m,
        delay_s=delay_s,
        sd_m=math.hypot(budget.length_m, budget.clock_m, budget.delay_m, budget.model_m, placing_m),
        temperature_c=settings.get("temperature_c", 10.0),
        temperature_sd_c=settings.get("temperature_sd_c", 3.0),
    )


def measured_delay_s(candidate: Candidate, pair: PairFix) -> float | None:
    """Delay that the recordings of one pair speak for, near a candidate that several pairs placed together.

    Parameters
    ----------
    candidate : Candidate
        Its own delay is that of its place, at which the speeds were right already.
    pair : PairFix
        The pair, with its evidence.

    Returns
    -------
    float or None
        Of the largest likelihood over all rounds; None where the result keeps no curves of this pair. [s]
    """
    curves = [one for one in pair.evidence if one.delay_s.size > 1]
    if not curves or pair.budget is None:
        return None
    reach_s = _NEAR_SDS * 2 * math.hypot(*vars(pair.budget).values()) / candidate.speed_m_s
    grid_s = candidate.delay_s + np.linspace(-reach_s, reach_s, 1001)
    total = np.sum([np.interp(grid_s, one.delay_s, one.log_likelihood) for one in curves], axis=0)
    return float(grid_s[int(np.argmax(total))])


def _settings(stored: StoredResult) -> dict[str, float]:
    """Water temperature that a survey was located with."""
    wanted = ("temperature_c", "temperature_sd_c")
    return {
        row["name"]: float(row["value"])
        for row in stored.made_from
        if row["role"] == "setting" and row["name"] in wanted
    }


def _moved(find: Find, from_crs: pyproj.CRS, to_crs: pyproj.CRS) -> Find:
    """Find with its point in the CRS of the first result."""
    if from_crs == to_crs or find.point is None:
        return find
    (point,) = gpd.GeoSeries([find.point], crs=from_crs).to_crs(to_crs)
    return replace(find, point=point)
