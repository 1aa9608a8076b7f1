"""Results with histories to finds: what counts, what does not, and copies of one result only once."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pyproj
import pytest

from netcorr.errors import CancelledError
from netcorr.export import Inputs, verified_result, write_result
from netcorr.export.take_in import take_in
from netcorr.export.verified_finds import FINGER_SD_M, TAPE_SD_M, measured_delay_s, read_finds
from netcorr.feedback import NoFeedback
from netcorr.path.reference import point_at
from netcorr.position.fix import SurveyFix
from netcorr.verification import learn_speeds

MakeFix = Callable[..., SurveyFix]
ID = "0b9d3c52-8f55-4f0e-9d55-7a0f6d1f2b11"


def verified(fix: SurveyFix, target: Path, *rows: str, settings: dict[str, Any] | None = None) -> Path:
    """Result with visits: verification, offset, crew, date."""
    target.parent.mkdir(exist_ok=True)
    write_result(fix, target, inputs=Inputs(settings=settings or {}))
    if rows:
        field = target.with_suffix(".csv")
        lines = [f"{fix.candidates[0].candidate_id},{row}" for row in rows]
        field.write_text("\n".join(["candidate_id,verification,offset_m,crew,visited", *lines]))
        take_in(target, field)
    return target


def with_id(fix: SurveyFix, name: str) -> SurveyFix:
    candidates = (replace(fix.candidates[0], candidate_id=name),)
    return replace(fix, candidates=candidates, pairs=(replace(fix.pairs[0], candidates=candidates),))


def test_a_find_and_what_it_teaches(make_fix: MakeFix, tmp_path: Path) -> None:
    settings = {"temperature_c": 6.5, "temperature_sd_c": 1.0}
    file = verified(make_fix(), tmp_path / "r.gpkg", "dug and found,0.6,North,2026-03-09", settings=settings)
    found = read_finds([file])
    [find], [learned] = found.finds, found.evidence
    assert (find.result, find.verification, find.crew) == ("r.gpkg", "dug and found", "North")
    assert find.error_m == pytest.approx(0.6)
    assert find.in_area
    assert learned.found_from_a_m == pytest.approx(41.8)
    assert learned.delay_s == pytest.approx(0.0163)
    assert (learned.temperature_c, learned.temperature_sd_c) == (6.5, 1.0)
    # parts of the budget but that of the speed, and the tape: 0.5, 0.3, 0.05, 0.3 m in the fixture
    assert learned.sd_m**2 == pytest.approx(0.5**2 + 0.3**2 + 0.05**2 + 0.3**2 + TAPE_SD_M**2)
    path = make_fix().pairs[0].path
    assert find.point is not None
    assert find.point.equals_exact(point_at(path, 41.8), 1e-6)


def test_the_delay_of_a_place_is_not_taken_for_a_measured_one(make_fix: MakeFix) -> None:
    fix = make_fix()
    pair = fix.pairs[0]
    # the recordings of the fixture speak for 16.3 and 16.4 ms, whatever a place between them would give
    for delay_s in (0.0150, 0.0163, 0.0175):
        placed = replace(fix.candidates[0], delay_s=delay_s)
        assert measured_delay_s(placed, pair) == pytest.approx(0.01635, abs=1.3e-4)  # half a step
    assert measured_delay_s(fix.candidates[0], replace(pair, evidence=())) is None
    assert measured_delay_s(fix.candidates[0], replace(pair, budget=None)) is None


def test_a_moved_point_is_known_less_well(make_fix: MakeFix, tmp_path: Path) -> None:
    fix = make_fix()
    to_degrees = pyproj.Transformer.from_crs(25832, 4326, always_xy=True)
    place = point_at(fix.pairs[0].path, 43.0)
    lon, lat = to_degrees.transform(place.x, place.y)
    file = verified(fix, tmp_path / "r.gpkg")
    field = tmp_path / "f.csv"
    field.write_text(f"candidate_id,verification,lon,lat\n{ID},repaired,{lon:.8f},{lat:.8f}\n")
    take_in(file, field)
    [learned] = read_finds([file]).evidence
    assert learned.found_from_a_m == pytest.approx(43.0, abs=0.01)
    assert learned.sd_m > (FINGER_SD_M**2 + fix.map_accuracy_m**2) ** 0.5


@pytest.mark.parametrize(
    ("rows", "verification", "disputed"),
    [
        ((), "not visited", False),
        (("dug and dry,,South,",), "dug and dry", False),
        (("repaired,,North,",), "repaired", False),
        (("cored and heard,,North,",), "cored and heard", False),
        (("repaired,0.1,North,2026-03-01", "dug and dry,,South,2026-03-02"), "dug and dry", True),
    ],
)
def test_what_teaches_nothing_about_speeds(
    make_fix: MakeFix, tmp_path: Path, rows: tuple[str, ...], verification: str, disputed: bool
) -> None:
    found = read_finds([verified(make_fix(), tmp_path / "r.gpkg", *rows)])
    [find] = found.finds
    assert (find.verification, find.disputed, find.error_m) == (verification, disputed, None)
    assert found.evidence == ()
    assert learn_speeds(found.evidence).speeds == ()


def test_a_copy_of_a_result_counts_once(make_fix: MakeFix, tmp_path: Path) -> None:
    file = verified(make_fix(), tmp_path / "r.gpkg", "dug and found,0.6,North,2026-03-09")
    copy = Path(shutil.copy(file, tmp_path / "copy.gpkg"))
    found = read_finds([file, copy])
    assert (len(found.finds), len(found.evidence), found.results) == (1, 1, 2)
    assert "copy.gpkg: 1 of its candidates are in another of the files" in found.notes[0]


def test_files_of_one_name_are_told_apart_by_their_folder(make_fix: MakeFix, tmp_path: Path) -> None:
    files = [
        verified(with_id(make_fix(), month), tmp_path / month / "r.gpkg", "repaired,0.1,North,")
        for month in ("may", "june")
    ]
    found = read_finds(files)
    assert [one.result for one in found.finds] == ["may/r.gpkg", "june/r.gpkg"]
    assert len({one.survey for one in found.evidence}) == 2


def test_points_of_all_results_are_in_one_crs(make_fix: MakeFix, tmp_path: Path) -> None:
    files = [
        verified(
            with_id(make_fix(pyproj.CRS(code)), str(code)), tmp_path / f"{code}.gpkg", "repaired,0.6,North,"
        )
        for code in (25832, 4326)
    ]
    found = read_finds(files)
    first, second = (one.point for one in found.finds)
    assert found.crs == pyproj.CRS(25832)
    assert first is not None
    assert second is not None
    assert first.distance(second) < 0.05


def test_what_lies_beyond_a_sensor_is_left_out_and_said(make_fix: MakeFix, tmp_path: Path) -> None:
    fix = make_fix()
    candidates = (replace(fix.candidates[0], outcome="at or beyond A", from_a_m=0.0),)
    fix = replace(fix, candidates=candidates, pairs=(replace(fix.pairs[0], candidates=candidates),))
    found = read_finds([verified(fix, tmp_path / "r.gpkg", "repaired,0.1,North,")])
    assert (found.finds, found.evidence) == ((), ())
    assert "1 at or beyond a sensor left out" in found.notes[0]


def test_a_result_that_was_filled_in_and_not_taken_in_is_told(make_fix: MakeFix, tmp_path: Path) -> None:
    file = verified(make_fix(), tmp_path / "r.gpkg")
    assert read_finds([file]).notes == ()
    with closing(verified_result._with_functions(file)) as connection:
        connection.execute("UPDATE leak_candidates SET verification = 'repaired', offset_m = 0.2")
    assert "netcorr verify r.gpkg r.gpkg" in read_finds([file]).notes[0]
    take_in(file, file)
    found = read_finds([file])
    assert (found.notes, found.finds[0].error_m) == ((), pytest.approx(0.2))


def test_it_can_be_stopped(make_fix: MakeFix, tmp_path: Path) -> None:
    class Stop(NoFeedback):
        @property
        def cancelled(self) -> bool:
            return True

    with pytest.raises(CancelledError):
        read_finds([verified(make_fix(), tmp_path / "r.gpkg")], feedback=Stop())
