"""The child process: events come through, errors are told, cancelling is quick and leaves nothing behind."""

from __future__ import annotations

import sys
import textwrap
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from netcorr.gis_plugin.child import CancelledError, ChildError, Interpreter, run_tool


def fake_netcorr(folder: Path, body: str) -> Interpreter:
    """Make a package `netcorr` that does `body` when it is run."""
    package = folder / "netcorr"
    package.mkdir()
    (package / "__init__.py").write_text("", encoding="utf-8")
    start = "import json, os, sys, time\ndef tell(**event): print(json.dumps(event), flush=True)\n"
    (package / "__main__.py").write_text(start + textwrap.dedent(body), encoding="utf-8")
    return Interpreter(sys.executable, str(folder))


def run(
    interpreter: Interpreter,
    *words: str,
    cancel_after_s: float | None = None,
    outputs: tuple[str, ...] = (),
) -> tuple[Mapping[str, Any], list[Mapping[str, Any]]]:
    heard: list[Mapping[str, Any]] = []
    start_s = time.monotonic()

    def cancelled() -> bool:
        return cancel_after_s is not None and time.monotonic() - start_s > cancel_after_s

    result = run_tool(interpreter, words, on_event=heard.append, is_cancelled=cancelled, outputs=outputs)
    return result, heard


def test_events_come_in_order_and_the_result_last(tmp_path: Path) -> None:
    child = fake_netcorr(
        tmp_path,
        """
        tell(event="progress", fraction=0.5, message="half")
        tell(event="message", text="höhe")
        tell(event="result", text=" ".join(sys.argv[1:]))
        """,
    )
    result, heard = run(child, "locate", "a b.gpkg")
    assert result["text"] == "locate a b.gpkg --events"
    assert [event["event"] for event in heard] == ["progress", "message"]
    assert heard[1]["text"] == "höhe"


def test_an_error_is_told_in_its_own_words(tmp_path: Path) -> None:
    child = fake_netcorr(tmp_path, 'tell(event="error", message="town.gpkg: no mains; add them")')
    with pytest.raises(ChildError, match=r"town\.gpkg: no mains; add them"):
        run(child, "locate")


def test_what_a_crash_printed_is_told(tmp_path: Path) -> None:
    child = fake_netcorr(tmp_path, 'sys.exit("out of memory")')
    with pytest.raises(ChildError, match=r"(?s)exit code 1 and no result.*out of memory"):
        run(child, "locate")


def test_lines_that_are_no_events_do_not_stop_it(tmp_path: Path) -> None:
    child = fake_netcorr(tmp_path, 'print("a library talks", flush=True)\ntell(event="result", text="fine")')
    assert run(child, "locate")[0]["text"] == "fine"


def test_a_missing_interpreter_is_named_with_the_remedy(tmp_path: Path) -> None:
    with pytest.raises(ChildError, match=r"nowhere/python could not be started .* run 'netcorr plugin'"):
        run(Interpreter("nowhere/python", str(tmp_path)), "locate")


def test_what_belongs_to_the_gis_is_kept_from_the_child(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("PYTHONHOME", "GDAL_DATA", "PROJ_LIB"):
        monkeypatch.setenv(name, "of the GIS")
    monkeypatch.setenv("TZ", "UTC")
    environment = Interpreter("python", str(tmp_path)).environment()
    assert not {"PYTHONHOME", "GDAL_DATA", "PROJ_LIB"} & set(environment)
    assert environment["PYTHONPATH"] == str(tmp_path)
    assert environment["TZ"] == "UTC"


def test_a_child_that_listens_is_stopped_kindly(tmp_path: Path) -> None:
    child = fake_netcorr(
        tmp_path,
        f"""
        tell(event="progress", fraction=0.0, message="")
        said = sys.stdin.readline().strip()
        open({str(tmp_path / "said.txt")!r}, "w").write(said)
        """,
    )
    start_s = time.monotonic()
    with pytest.raises(CancelledError):
        run(child, "locate", cancel_after_s=0.5)
    assert time.monotonic() - start_s < 2.5
    assert (tmp_path / "said.txt").read_text(encoding="utf-8") == "cancel"


def test_a_child_that_does_not_listen_is_killed_and_its_drafts_removed(tmp_path: Path) -> None:
    target = tmp_path / "result.gpkg"
    child = fake_netcorr(
        tmp_path,
        f"""
        draft = os.path.join({str(tmp_path)!r}, f".netcorr-{{os.getpid()}}-x1")
        os.mkdir(draft)
        open(os.path.join(draft, "result.gpkg"), "w").write("half")
        tell(event="progress", fraction=0.5, message="")
        while True:
            time.sleep(60)
        """,
    )
    other = tmp_path / ".netcorr-1-of-another"
    other.mkdir()
    start_s = time.monotonic()
    with pytest.raises(CancelledError):
        run(child, "locate", cancel_after_s=0.6, outputs=(str(target),))
    assert time.monotonic() - start_s < 0.6 + 2.0
    assert not target.exists()
    assert [path.name for path in tmp_path.glob(".netcorr-*")] == [other.name]
