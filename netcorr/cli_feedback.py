"""What the command line says while it works: a bar for people, or one JSON event a line for programs."""

from __future__ import annotations

import _thread
import contextlib
import json
import signal
import threading
from typing import IO, Any

#: Word on a line of its own that a program sends to stdin to stop the work.
CANCEL = "cancel"
#: Events of progress closer together than this share of the work are left out.
_STEP = 0.005


class TerminalFeedback:
    """Progress and log on stderr; a bar only where stderr is a terminal.

    Parameters
    ----------
    stream : file
        Where to write.
    quiet : bool
        Whether to say nothing at all.
    """

    cancelled = False
    _WIDTH = 30

    def __init__(self, stream: IO[str], *, quiet: bool) -> None:
        self._stream, self._quiet = stream, quiet
        self._bar = stream.isatty() and not quiet
        self._drawn = ""

    def progress(self, fraction: float, message: str = "") -> None:
        """Draw the bar again when it looks different."""
        if not self._bar:
            return
        filled = round(self._WIDTH * min(max(fraction, 0.0), 1.0))
        text = f"[{'#' * filled}{'.' * (self._WIDTH - filled)}] {message}"[:79]
        if text != self._drawn:
            self._stream.write("\r" + text.ljust(len(self._drawn)))
            self._stream.flush()
            self._drawn = text

    def message(self, text: str) -> None:
        """Write one line of log."""
        if not self._quiet:
            self.close()
            self._stream.write(text + "\n")
            self._stream.flush()

    def close(self) -> None:
        """Wipe the bar away."""
        if self._drawn:
            self._stream.write("\r" + " " * len(self._drawn) + "\r")
            self._stream.flush()
            self._drawn = ""


class EventFeedback:
    """Progress and log as one JSON document a line, for a program that runs netcorr as a child.

    Parameters
    ----------
    stream : file
        Where to write.
    """

    cancelled = False

    def __init__(self, stream: IO[str]) -> None:
        self._stream = stream
        self._last = -1.0

    def event(self, kind: str, /, **values: Any) -> None:
        """Write one event, whole and at once."""
        line = json.dumps({"event": kind, **values}, ensure_ascii=False, allow_nan=False)
        self._stream.write(line + "\n")
        self._stream.flush()

    def progress(self, fraction: float, message: str = "") -> None:
        """Write where the work is, when that has changed."""
        fraction = round(min(max(fraction, 0.0), 1.0), 4)
        if fraction - self._last >= _STEP or (fraction == 1.0 and self._last < 1.0):
            self._last = fraction
            self.event("progress", fraction=fraction, message=message)

    def message(self, text: str) -> None:
        """Write one line of log."""
        self.event("message", text=text)

    def close(self) -> None:
        """Do nothing: every event is written at once."""

    def obey(self, stream: IO[str]) -> None:
        """Stop the work when the line `CANCEL` comes in; the end of the stream is no wish to stop.

        Parameters
        ----------
        stream : file
            Read in a thread of its own, which ends with the program.
        """
        _heed_interrupts()
        threading.Thread(target=self._listen, args=(stream,), daemon=True).start()

    def _listen(self, stream: IO[str]) -> None:
        with contextlib.suppress(OSError, ValueError):  # no stdin at all: nobody can ask
            for line in stream:
                if line.strip() == CANCEL:
                    self.cancelled = True
                    _interrupt_main()
                    return


def _heed_interrupts() -> None:
    """Let an interrupt stop the work where a shell has told its child to ignore them (nohup)."""
    in_main = threading.current_thread() is threading.main_thread()
    if in_main and signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def _interrupt_main() -> None:
    """Interrupt the main thread as Ctrl-C does, also while it waits or asks nobody."""
    ident = threading.main_thread().ident
    if hasattr(signal, "pthread_kill") and ident is not None:
        signal.pthread_kill(ident, signal.SIGINT)
    else:
        _thread.interrupt_main()
