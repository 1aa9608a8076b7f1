"""Drafts: moved when all went well, gone when not, and swept when somebody left them long ago."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from netcorr.errors import ExportError
from netcorr.export.safe_file import check_folder, replacing


def test_the_draft_takes_the_place_of_the_file(tmp_path: Path) -> None:
    target = tmp_path / "a.txt"
    target.write_text("old", encoding="utf-8")
    with replacing(target) as draft:
        assert draft.name == target.name
        draft.write_text("new", encoding="utf-8")
        assert target.read_text(encoding="utf-8") == "old"
    assert target.read_text(encoding="utf-8") == "new"
    assert list(tmp_path.iterdir()) == [target]


def test_a_fault_leaves_the_file_as_it_was(tmp_path: Path) -> None:
    target = tmp_path / "a.txt"
    target.write_text("old", encoding="utf-8")

    def write() -> None:
        with replacing(target) as draft:
            draft.write_text("half", encoding="utf-8")
            raise OSError(28, "no room")

    with pytest.raises(ExportError, match="no room"):
        write()
    assert target.read_text(encoding="utf-8") == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_drafts_that_were_left_long_ago_are_swept_and_those_of_others_at_work_are_not(tmp_path: Path) -> None:
    left, working, own = (tmp_path / name for name in (".netcorr-1-left", ".netcorr-2-working", ".mine"))
    for folder in (left, working, own):
        folder.mkdir()
        (folder / "a.txt").write_text("x", encoding="utf-8")
    long_ago_s = time.time() - 2 * 86_400
    for folder in (left, own):
        os.utime(folder, (long_ago_s, long_ago_s))
    with replacing(tmp_path / "a.txt") as draft:
        draft.write_text("new", encoding="utf-8")
    assert sorted(path.name for path in tmp_path.iterdir()) == [".mine", ".netcorr-2-working", "a.txt"]


def test_what_is_no_place_for_a_file(tmp_path: Path) -> None:
    with pytest.raises(ExportError, match="there is no folder"):
        check_folder(tmp_path / "gone" / "a.txt")
    with pytest.raises(ExportError, match="this is not a file"):
        check_folder(tmp_path)
