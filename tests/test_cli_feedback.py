"""Events for programs: one JSON document a line, the result or the error last, stopped by one word."""

from __future__ import annotations

import io
import json
import subprocess
import sys
import textwrap
import threading
import time
from typing import Any

import pytest

from netcorr.cli import main
from netcorr.cli_feedback import EventFeedback


def events(text: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in text.splitlines()]


def test_progress_is_told_in_steps_and_never_backwards() -> None:
    stream = io.StringIO()
    feedback = EventFeedback(stream)
    for number in range(10_001):
        feedback.progress(number / 10_000, "work")
    feedback.progress(0.2)
    told = [event["fraction"] for event in events(stream.getvalue())]
    assert told == sorted(told)
    assert 100 < len(told) <= 202
    assert told[0] == 0.0
    assert told[-1] == 1.0


@pytest.mark.parametrize("text", ["plain", 'quote " and \\', "line\nbreak", "höhe 漏水"])
def test_any_text_is_one_line(text: str) -> None:
    stream = io.StringIO()
    EventFeedback(stream).message(text)
    (event,) = events(stream.getvalue())
    assert event == {"event": "message", "text": text}


@pytest.fixture(autouse=True)
def nobody_asks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO())


def test_a_result_is_told_with_files_and_verdict(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["tools", "--events"]) == 0
    start, result = events(capsys.readouterr().out)
    assert (start["event"], start["tool"]) == ("start", "tools")
    assert result["event"] == "result"
    assert (result["exit_code"], result["verdict"], result["files"]) == (0, "", [])
    assert "locate" in result["text"]


def test_an_error_is_told_with_item_and_remedy(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["inspect", "nowhere.gpkg", "--events"]) == 3
    said = capsys.readouterr()
    error = events(said.out)[-1]
    assert error["event"] == "error"
    assert error["exit_code"] == 3
    assert "nowhere.gpkg" in error["message"]
    assert error["remedy"]
    assert said.err == ""


_SLOW = """
import signal, sys, time
signal.signal(signal.SIGINT, {heard})
from netcorr.cli import main
from netcorr.tools.declare import Tool
from netcorr.tools.registry import Registry
def slow(*, feedback):
    feedback.progress(0.1, "begun")
    {wait}
sys.exit(main(["slow", "--events"], tools=Registry((Tool("slow", "Slow", "Be slow.", (), slow),))))
"""


@pytest.mark.parametrize(
    "wait",
    [
        "time.sleep(30)",
        "x = 0\n    while True: x += 1",
        "while not feedback.cancelled: time.sleep(0.01)\n    raise KeyboardInterrupt",
    ],
    ids=["sleeping", "counting", "asking"],
)
@pytest.mark.parametrize("heard", ["signal.default_int_handler", "signal.SIG_IGN"], ids=["shell", "nohup"])
def test_the_word_cancel_stops_it_whatever_it_is_doing(wait: str, heard: str) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(_SLOW).format(wait=wait, heard=heard)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
    ) as child:
        assert child.stdin is not None
        assert child.stdout is not None
        for line in child.stdout:
            if json.loads(line)["event"] == "progress":
                break
        guard = threading.Timer(20, child.kill)
        guard.start()
        start_s = time.monotonic()
        child.stdin.write("cancel\n")
        child.stdin.flush()
        rest = child.stdout.read()
        code = child.wait()
        guard.cancel()
    assert code == 130
    assert events(rest)[-1]["exit_code"] == 130
    assert time.monotonic() - start_s < 5
