"""One tree of errors, by what was being handled.

Every message says which item, what was found there and what to do about it, so that it can be shown to
a user as it stands.
"""

from __future__ import annotations


class NetcorrError(ValueError):
    """Base of every error that netcorr raises on purpose.

    Parameters
    ----------
    item : str
        Which thing: file, layer, feature, row or argument, named as the user knows it.
    found : str
        What was found there.
    remedy : str
        What is needed, and what to do.

    Examples
    --------
    >>> raise LayerError("mains.gpkg, layer mains", found="no CRS", remedy="give one with --crs")
    Traceback (most recent call last):
    ...
    netcorr.errors.LayerError: mains.gpkg, layer mains: no CRS; give one with --crs
    """

    #: Exit code of the command line for this error.
    exit_code = 3

    def __init__(self, item: str, *, found: str, remedy: str) -> None:
        self.item = item
        self.found = found
        self.remedy = remedy
        super().__init__(f"{item}: {found}; {remedy}")

    def __reduce__(self) -> tuple[object, ...]:
        """Pickle with the keyword arguments, so that the error survives a process pool."""
        return _rebuild, (type(self), self.item, self.found, self.remedy)


def _rebuild(kind: type[NetcorrError], item: str, found: str, remedy: str) -> NetcorrError:
    return kind(item, found=found, remedy=remedy)


class LayerError(NetcorrError):
    """A GIS file, its layers, columns, values or CRS."""


class NetworkError(NetcorrError):
    """The network built from the layers, or a fitting on it."""


class PathError(NetcorrError):
    """A correlation path, or a position along it."""


class NoPathError(PathError):
    """The two fittings are not connected by open mains."""


class SpeedError(NetcorrError):
    """The wave speed or the attenuation of a pipe."""


class RecordingError(NetcorrError):
    """A deployment table, a sound file or what is in it."""


class ClockError(RecordingError):
    """The start time or the clock of a recording."""


class DelayError(NetcorrError):
    """The delay evidence of a pair of recordings."""


class PositionError(NetcorrError):
    """The position of a leak from delay, path and speed."""


class PlanError(NetcorrError):
    """Where loggers may stand, how far they hear, or a plan made of it."""


class SimulationError(NetcorrError):
    """A simulated leak, sensor or network."""


class ExportError(NetcorrError):
    """A result that could not be written."""


class VerificationError(NetcorrError):
    """What a crew sent back about a result, or what is learned from it."""


class UsageError(NetcorrError):
    """A command or function called with arguments that cannot be right."""

    exit_code = 2


class CancelledError(NetcorrError):
    """Long work that the user stopped."""

    exit_code = 130

    def __init__(
        self, item: str = "work", *, found: str = "cancelled", remedy: str = "start it again"
    ) -> None:
        super().__init__(item, found=found, remedy=remedy)
