"""How long work says how far it is, and learns that it should stop."""

from __future__ import annotations

from typing import Protocol

from netcorr.errors import CancelledError


class Feedback(Protocol):
    """What long work talks to: a progress bar, a GIS, a log, or nothing."""

    def progress(self, fraction: float, message: str = "") -> None:
        """Say that `fraction` (0 to 1) of the work is done."""

    def message(self, text: str) -> None:
        """Say something worth a line in a log."""

    @property
    def cancelled(self) -> bool:
        """Whether the user asked to stop."""


class NoFeedback:
    """The default: says nothing and never cancels."""

    cancelled = False

    def progress(self, fraction: float, message: str = "") -> None:
        """Ignore the progress."""

    def message(self, text: str) -> None:
        """Ignore the message."""


class PartOf:
    """A slice of another feedback's bar, for one step of a longer job.

    Parameters
    ----------
    whole : Feedback
        The bar of the whole job.
    start, stop : float
        Where this step begins and ends on it, 0 to 1.
    """

    def __init__(self, whole: Feedback, *, start: float, stop: float) -> None:
        self._whole, self._start, self._stop = whole, start, stop

    def progress(self, fraction: float, message: str = "") -> None:
        """Say that `fraction` of this step is done."""
        self._whole.progress(self._start + fraction * (self._stop - self._start), message)

    def message(self, text: str) -> None:
        """Pass the message on."""
        self._whole.message(text)

    @property
    def cancelled(self) -> bool:
        """Whether the user asked to stop the whole."""
        return self._whole.cancelled


class Unsaid(PartOf):
    """Progress only: what the step has to say is part of its result.

    Parameters
    ----------
    whole : Feedback
        The bar of the whole job.
    start, stop : float
        Where this step begins and ends on it, 0 to 1.
    """

    def __init__(self, whole: Feedback, *, start: float = 0.0, stop: float = 1.0) -> None:
        super().__init__(whole, start=start, stop=stop)

    def message(self, text: str) -> None:
        """Leave it to the result."""


def check_cancelled(feedback: Feedback) -> None:
    """Stop here when the user asked for it.

    Raises
    ------
    CancelledError
        If `feedback` says so.
    """
    if feedback.cancelled:
        raise CancelledError()
