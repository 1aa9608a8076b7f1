"""All tools by id: our own, and those that other installed packages add."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from importlib.metadata import EntryPoint, entry_points

from netcorr.tools.declare import Tool
from netcorr.tools.parameter import DeclarationError

#: Group of entry points by which a package adds tools: each names a `Tool`.
GROUP = "netcorr.tools"


def installed_tools() -> tuple[EntryPoint, ...]:
    """Entry points of other packages that add tools, by name."""
    return tuple(sorted(entry_points(group=GROUP), key=lambda point: (point.name, point.value)))


class Registry(Mapping[str, Tool]):
    """Tools by id, in the order in which a user meets them; those of other packages come last.

    A tool of another package that cannot be loaded is left out and named in `faults`; it never keeps
    the others from working, and never takes the place of one that is there.

    Parameters
    ----------
    tools : tuple of Tool
        Our own.
    others : callable, optional
        Gives the entry points of other packages; called when they are first needed.

    Raises
    ------
    DeclarationError
        If two of our own tools have the same id.
    """

    def __init__(
        self, tools: tuple[Tool, ...], *, others: Callable[[], tuple[EntryPoint, ...]] | None = None
    ) -> None:
        self._tools = {tool.id: tool for tool in tools}
        if len(self._tools) < len(tools):
            raise DeclarationError("two tools have the same id")
        self._others = others
        self._faults: tuple[str, ...] = ()

    @property
    def faults(self) -> tuple[str, ...]:
        """What kept a tool of another package out, one sentence each."""
        self._load()
        return self._faults

    def __getitem__(self, key: str) -> Tool:
        if key not in self._tools:
            self._load()
        return self._tools[key]

    def __iter__(self) -> Iterator[str]:
        self._load()
        return iter(self._tools)

    def __len__(self) -> int:
        self._load()
        return len(self._tools)

    def _load(self) -> None:
        """Add the tools of other packages, once."""
        if self._others is None:
            return
        points, self._others = self._others(), None
        self._faults = tuple(fault for point in points if (fault := self._add(point)))

    def _add(self, point: EntryPoint) -> str:
        """Add one tool; return what is wrong with it, empty when nothing is."""
        label = f"tool {point.name} of package {_package(point)} was left out: "
        try:
            tool = point.load()
        except Exception as error:  # whatever its import raises is that package's fault, not ours
            return f"{label}{type(error).__name__}: {error}"
        if not isinstance(tool, Tool):
            return f"{label}{point.value} is a {type(tool).__name__}, not a Tool"
        if tool.id in self._tools:
            return f"{label}there is a tool {tool.id} already"
        self._tools[tool.id] = tool
        return ""


def _package(point: EntryPoint) -> str:
    return point.dist.name if point.dist is not None else point.module.partition(".")[0]
