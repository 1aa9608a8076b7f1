"""What is told after a file was taken in: what is new, what to do next, and nothing hostile."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from netcorr.export import write_result
from netcorr.export.cautions import CAUTIONS
from netcorr.export.report.advice import AFTER_REPAIR
from netcorr.export.take_in import TakenIn, take_in
from netcorr.export.verify_words import verify_dict, verify_text
from netcorr.position.fix import SurveyFix

Tell = Callable[[str], TakenIn]


@pytest.fixture
def tell(make_fix: Callable[..., SurveyFix], tmp_path: Path) -> Tell:
    """Take a row about the one candidate into a fresh result."""
    fix = make_fix()
    candidate_id = fix.candidates[0].candidate_id

    def act(cells: str) -> TakenIn:
        (tmp_path / "r.gpkg").unlink(missing_ok=True)
        write_result(fix, tmp_path / "r.gpkg")
        (tmp_path / "f.csv").write_text(
            f"candidate_id,verification,offset_m,crew,visited\n{candidate_id},{cells}\n", encoding="utf-8"
        )
        return take_in(tmp_path / "r.gpkg", tmp_path / "f.csv")

    return act


def plain(text: str) -> str:
    return " ".join(text.split())


def test_a_repair_says_to_survey_again_and_what_silence_means(tell: Tell) -> None:
    text = plain(verify_text(tell("repaired,0.4,North,2026-03-09")))
    assert "f.csv: 1 row, 1 visit added to r.gpkg." in text
    assert (
        "Leak 1: 97 %: repaired, 0.40 m from the point along the main, towards V-7, inside the stated area "
        "(crew North, 2026-03-09)" in text
    )
    assert AFTER_REPAIR in text
    assert "None heard is not none." in text
    assert all(caution in text for caution in CAUTIONS)


def test_in_feet(tell: Tell) -> None:
    assert "1' 4\" from the point along the main, towards H-12" in plain(
        verify_text(tell("dug and found,-0.4,,"), units="us")
    )


def test_outside_the_area_is_said_loudly(tell: Tell) -> None:
    assert "6.00 m from the point along the main, towards V-7, OUTSIDE the stated area" in plain(
        verify_text(tell("dug and found,6,,"))
    )


def test_a_dry_hole_says_what_it_may_mean(tell: Tell) -> None:
    text = plain(verify_text(tell("dug and dry,,South,")))
    assert "Leak 1: 97 %: dug and dry (crew South)" in text
    assert "A dry hole is not the end of it" in text
    assert AFTER_REPAIR not in text


def test_nobody_measured(tell: Tell) -> None:
    assert "nobody measured where: give offset_m (0 at the point)" in plain(verify_text(tell("repaired,,,")))
    assert "right at the point" in plain(verify_text(tell("repaired,0,,")))


def test_nothing_new(tell: Tell) -> None:
    text = plain(verify_text(tell("not visited,,,")))
    assert "f.csv: 1 row, nothing that r.gpkg does not hold already." in text
    assert "Leak 1: 97 %: not visited" in text
    assert AFTER_REPAIR not in text


def test_lines_are_80_wide_and_hostile_text_is_text(tell: Tell) -> None:
    text = verify_text(tell("repaired,0.1,\x1b[31mred\u202e crew,"))
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert max(map(len, text.splitlines())) <= 80


def test_for_machines(tell: Tell) -> None:
    found = json.loads(json.dumps(verify_dict(tell("dug and found,0.4,North,2026-03-09")), allow_nan=False))
    [one] = found["candidates"]
    assert one["error_m"] == pytest.approx(0.4)
    assert (one["verification"], one["visited"]) == ("dug and found", "2026-03-09T00:00:00+00:00")
    assert (found["added"], found["conflicts"]) == (1, [])
    assert AFTER_REPAIR in found["advice"]


def test_what_does_not_fit_is_listed_with_its_row(tell: Tell) -> None:
    text = plain(verify_text(tell("dug,,,")))
    assert "Does not fit (1): - value that cannot be (row 2, candidate 1): verification: 'dug'" in text
