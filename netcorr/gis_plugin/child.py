"""netcorr as a child process: one JSON event a line comes out; a line on its stdin stops it."""

from __future__ import annotations

import json
import os
import queue
import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

#: How long netcorr may take to stop by itself before it is stopped. [s]
PATIENCE_S = 1.2
#: How often the GIS is asked whether the user wants to stop. [s]
GLANCE_S = 0.1
#: Variables by which a GIS points its own Python, GDAL and PROJ at its own files.
_NOT_FOR_THE_CHILD = (
    "PYTHONHOME",
    "PYTHONPATH",
    "PYTHONSTARTUP",
    "GDAL_DATA",
    "GDAL_DRIVER_PATH",
    "PROJ_LIB",
    "PROJ_DATA",
    "QT_PLUGIN_PATH",
)


@dataclass(frozen=True)
class Interpreter:
    """The Python that has netcorr.

    Attributes
    ----------
    python : str
        Program.
    package_folder : str
        Folder that holds the package netcorr.
    """

    python: str
    package_folder: str

    @classmethod
    def read(cls, path: Path) -> Interpreter:
        """Read what `netcorr plugin` wrote."""
        values = json.loads(path.read_text(encoding="utf-8"))
        return cls(values["python"], values["package_folder"])

    def environment(self) -> dict[str, str]:
        """Variables for the child: those of the GIS, without what belongs to the GIS alone."""
        kept = {name: value for name, value in os.environ.items() if name not in _NOT_FOR_THE_CHILD}
        return {**kept, "PYTHONPATH": self.package_folder, "PYTHONUTF8": "1", "MPLBACKEND": "Agg"}


class ChildError(RuntimeError):
    """What netcorr said when it could not do it."""


class CancelledError(Exception):
    """The user stopped it."""


def run_tool(
    interpreter: Interpreter,
    words: Sequence[str],
    *,
    on_event: Callable[[Mapping[str, Any]], None],
    is_cancelled: Callable[[], bool],
    outputs: Sequence[str] = (),
) -> Mapping[str, Any]:
    """Run one tool of netcorr and wait for its result.

    Parameters
    ----------
    interpreter : Interpreter
        The Python that has netcorr.
    words : sequence of str
        Tool and arguments.
    on_event : callable
        Told of progress and messages, in this thread.
    is_cancelled : callable
        Asked again and again.
    outputs : sequence of str
        Files that the tool writes; what a child that had to be killed left beside them is removed.

    Returns
    -------
    mapping
        The event of the result.

    Raises
    ------
    ChildError
        If netcorr says that it cannot be done, or does not start.
    CancelledError
        If the user stopped it; nothing is left half written.
    """
    try:
        child = _start(interpreter, words)
    except OSError as error:
        raise ChildError(
            f"{interpreter.python} could not be started ({error.strerror}): netcorr has moved; "
            "run 'netcorr plugin' where it is now"
        ) from error
    events: queue.Queue[Mapping[str, Any] | None] = queue.Queue()
    said: list[str] = []
    readers = (
        threading.Thread(target=_read_events, args=(child, events, said), daemon=True),
        threading.Thread(target=_read_lines, args=(child, said), daemon=True),
    )
    for reader in readers:
        reader.start()
    done = False
    try:
        result = _follow(child, events, said, on_event=on_event, is_cancelled=is_cancelled)
        done = True
        return result
    finally:
        if _stop(child, done=done):
            _clean(child.pid, outputs)
        for reader in readers:
            reader.join(timeout=1)
        for pipe in (child.stdin, child.stdout, child.stderr):
            if pipe is not None:
                pipe.close()


def _start(interpreter: Interpreter, words: Sequence[str]) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [interpreter.python, "-P", "-m", "netcorr", *words, "--events"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=interpreter.environment(),
        encoding="utf-8",
        errors="replace",
        creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),  # Windows would open a console
    )


def _read_events(
    child: subprocess.Popen[str], events: queue.Queue[Mapping[str, Any] | None], said: list[str]
) -> None:
    for line in child.stdout or ():
        try:
            event = json.loads(line)
        except ValueError:
            said.append(line.rstrip())
            continue
        events.put(event)
    events.put(None)


def _read_lines(child: subprocess.Popen[str], said: list[str]) -> None:
    for line in child.stderr or ():
        said.append(line.rstrip())


def _follow(
    child: subprocess.Popen[str],
    events: queue.Queue[Mapping[str, Any] | None],
    said: list[str],
    *,
    on_event: Callable[[Mapping[str, Any]], None],
    is_cancelled: Callable[[], bool],
) -> Mapping[str, Any]:
    """Hand the events on until the result comes."""
    while True:
        if is_cancelled():
            raise CancelledError()
        try:
            event = events.get(timeout=GLANCE_S)
        except queue.Empty:
            continue
        if event is None:
            code = child.wait()
            raise ChildError("\n".join([f"netcorr ended with exit code {code} and no result", *said[-8:]]))
        if event["event"] == "error":
            raise ChildError(event["message"])
        if event["event"] == "result":
            return event
        on_event(event)


def _stop(child: subprocess.Popen[str], *, done: bool) -> bool:
    """Wait for a child that is done, stop one that is not; return whether it had to be killed."""
    try:
        if not done and child.poll() is None and child.stdin is not None:
            child.stdin.write("cancel\n")
            child.stdin.flush()
    except OSError:
        pass  # it has just ended
    last_s = time.monotonic() + PATIENCE_S
    while child.poll() is None and time.monotonic() < last_s:
        time.sleep(0.02)
    if child.poll() is not None:
        return False
    child.kill()
    child.wait()
    return True


def _clean(pid: int, outputs: Sequence[str]) -> None:
    """Remove the drafts of a child that could not do it itself."""
    for folder in {Path(path).parent for path in outputs}:
        for draft in folder.glob(f".netcorr-{pid}-*"):
            shutil.rmtree(draft, ignore_errors=True)
