"""Reach that earlier surveys found."""

from __future__ import annotations

from pathlib import Path

import pytest

from netcorr.errors import PlanError
from netcorr.planning.measured_reach import MeasuredReach, read_measured_reach
from netcorr.planning.reach import ReachTable, SoundBudget
from netcorr.tools.reach_rules import reach_table

TEXT = """
[[reach]]
material = "pvc"
reach_m = 62
surveys = 4

[[reach]]
material = "pvc"
diameter_mm = [90, 125]
reach_m = 81.5
source = "spring survey"
"""


def written(tmp_path: Path, text: str) -> Path:
    file = tmp_path / "reach.toml"
    file.write_text(text, encoding="utf-8")
    return file


def test_what_was_measured_takes_the_place_of_common_practice(tmp_path: Path) -> None:
    table = reach_table(reach_file=written(tmp_path, TEXT))
    assert table.reach_m("pvc", diameter_mm=300) == 62
    assert table.reach_m("pvc", diameter_mm=110) == 62  # of two that hold the shorter counts
    assert table.source_of("pvc", diameter_mm=110) == "measured"
    assert table.source_of("pe") == "common practice"
    assert table.reach_m("pe", diameter_mm=110) == ReachTable().reach_m("pe", diameter_mm=110)


def test_what_was_measured_or_given_does_not_change_with_the_budget(tmp_path: Path) -> None:
    loud = reach_table(reach="pe=55", reach_file=written(tmp_path, TEXT), source_db=40.0)
    assert loud.reach_m("pvc") == 62
    assert loud.reach_m("pe", diameter_mm=110) == 55
    assert loud.source_of("pe") == "given"
    assert loud.reach_m("steel", diameter_mm=150) > 135


def test_a_main_of_unknown_size_takes_only_what_holds_for_all_sizes() -> None:
    sized = MeasuredReach("pvc", 80.0, diameter_mm=(90, 125))
    assert not sized.holds_for("pvc", diameter_mm=None)
    assert not sized.holds_for("pvc", diameter_mm=float("nan"))
    assert not sized.holds_for("pe", diameter_mm=100)
    assert sized.holds_for("pvc", diameter_mm=90)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "keys: nothing"),
        ("a = ", "not TOML"),
        ("[[reach]]\nmaterial = 'pvc'\n", "give material and reach_m"),
        ("[[reach]]\nmaterial = 'pvc'\nreach_m = 'far'\n", "a value that is no number"),
        ("[[reach]]\nmaterial = 'pvc'\nreach_m = 0\n", "0.0 m; give a length above 0 m"),
        ("[[reach]]\nmaterial = 'wood'\nreach_m = 9\n", "no such material"),
        ("[[reach]]\nmaterial = 'pvc'\nreach_m = 9\ndiameter_mm = [9, 1]\n", "the lower first"),
        ("[[reach]]\nmaterial = 'pvc'\nreach_m = 9\ndiameter_mm = 9\n", "no number"),
        ("[[reach]]\nmaterial = 'pvc'\nreach_m = 9\nfar = 9\n", "keys: material, reach_m, far"),
    ],
)
def test_a_file_that_cannot_be_right_is_told(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(PlanError, match=words):
        read_measured_reach(written(tmp_path, text))


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="cannot be read"):
        read_measured_reach(tmp_path / "none.toml")


def test_a_reach_of_zero_is_told() -> None:
    with pytest.raises(PlanError, match="not heard in 1 s at any distance: the reach is 0 m; record longer"):
        SoundBudget(source_db=-30, recording_s=1)
    with pytest.raises(PlanError, match="reach on pvc: 0 m"):
        reach_table(reach="pvc=0")
    with pytest.raises(PlanError, match="length above 0 s"):
        SoundBudget(recording_s=0)
