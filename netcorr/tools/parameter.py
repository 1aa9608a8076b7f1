"""What a tool wants to know: a typed parameter with its unit and limits, and the check of what was given."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

from netcorr.errors import UsageError

#: What a parameter can be. A `source` is a map in any form GDAL reads; a `range` is two numbers >= 0.
Kind = Literal[
    "source",
    "file_in",
    "files_in",
    "file_out",
    "folder_in",
    "folder_out",
    "number",
    "integer",
    "range",
    "choice",
    "text",
    "flag",
]
#: Geometry of a layer that goes in or comes out.
Geometry = Literal["Point", "LineString", "MultiPolygon", "none"]

NUMERIC: tuple[Kind, ...] = ("number", "integer", "range")
FILES: tuple[Kind, ...] = ("source", "file_in", "files_in", "file_out")


class DeclarationError(TypeError):
    """A declaration that cannot be right: a fault of the program, found when it is imported."""


@dataclass(frozen=True)
class Parameter:
    """One thing that a tool wants to know.

    Attributes
    ----------
    name : str
        Name of the function's argument, the unit in it where there is one.
    kind : Kind
        What it can be.
    title : str
        Short label, for messages and dialogs.
    help : str
        One or two sentences that read well aloud.
    options : tuple of str
        Names on the command line, the short one first; empty for what is given by its place.
    unit : str or None
        Unit of a number; empty for a number without one.
    minimum, maximum : float or None
        Limits of a number, both allowed themselves.
    default : object
        Value when nothing is given.
    required : bool
        Whether it must be given.
    choices : tuple of str
        Values of a choice.
    suffixes : tuple of str
        Endings that a file may have.
    geometry : tuple of Geometry
        What a source must hold.

    Raises
    ------
    DeclarationError
        If the declaration contradicts itself.
    """

    name: str
    kind: Kind
    title: str
    help: str
    options: tuple[str, ...] = ()
    unit: str | None = None
    minimum: float | None = None
    maximum: float | None = None
    default: Any = None
    required: bool = False
    choices: tuple[str, ...] = ()
    suffixes: tuple[str, ...] = ()
    geometry: tuple[Geometry, ...] = ()

    def __post_init__(self) -> None:
        fault = _parameter_fault(self)
        if fault:
            raise DeclarationError(f"parameter {self.name}: {fault}")

    @property
    def label(self) -> str:
        """How messages name it: its title and what to type."""
        return f"{self.title} ({self.options[-1] if self.options else self.name.upper()})"

    @property
    def limits(self) -> str:
        """Unit and limits in words, for help and messages; empty when there are none."""
        low, high = self.minimum, self.maximum
        if low is not None and high is not None:
            words = f"{low:g} to {high:g}"
        elif low is not None:
            words = f"at least {low:g}"
        else:
            words = f"at most {high:g}" if high is not None else ""
        return f"{words} {self.unit or ''}".strip()

    def check(self, value: Any) -> Any:
        """Turn what was given into a value within the declared limits.

        Parameters
        ----------
        value : object
            As given: text from a command line or a typed value; None when nothing was given.

        Returns
        -------
        object
            Path, float, int, (float, float), str or bool; the default when nothing was given.

        Raises
        ------
        UsageError
            If it is missing, of the wrong type or outside the limits.

        Examples
        --------
        >>> depth = Parameter(
        ...     "depth_m", "number", "Depth", "Depth of cover.", ("--depth",), unit="m", minimum=0
        ... )
        >>> depth.check("1.5")
        1.5
        >>> depth.check(-1)
        Traceback (most recent call last):
        ...
        netcorr.errors.UsageError: Depth (--depth): -1; give at least 0 m
        """
        if value is None:
            if self.required:
                raise UsageError(self.label, found="nothing was given", remedy=f"give it: {self.help}")
            return self.default
        return _CHECKS[self.kind](self, value)


def _parameter_fault(p: Parameter) -> str:
    """Return what is wrong with a declaration, empty when nothing is."""
    rules = {
        f"unknown kind {p.kind}": p.kind not in get_args(Kind),
        "the name is no identifier": not p.name.isidentifier(),
        "title and help are needed, and help ends with a full stop": not (p.title and p.help.endswith(".")),
        "an option starts with a dash, the long one comes last": any(o[0] != "-" for o in p.options)
        or (bool(p.options) and not p.options[-1].startswith("--")),
        "what is given by its place is required": not p.options and not p.required,
        "a flag is never required": p.kind == "flag" and p.required,
        "required and default exclude each other": p.required and p.default is not None,
        "a number needs a unit, empty for none; nothing else has one": (p.kind in NUMERIC)
        == (p.unit is None),
        "only numbers have limits": p.kind not in NUMERIC and (p.minimum, p.maximum) != (None, None),
        "minimum above maximum": p.minimum is not None and p.maximum is not None and p.minimum > p.maximum,
        "choices belong to a choice": (p.kind == "choice") != bool(p.choices),
        "suffixes belong to files": bool(p.suffixes) and p.kind not in FILES,
        "a suffix starts with a dot": any(not s.startswith(".") for s in p.suffixes),
        "geometry belongs to a source": bool(p.geometry) and p.kind != "source",
    }
    fault = next((text for text, broken in rules.items() if broken), "")
    if not fault and p.default is not None:
        try:
            _CHECKS[p.kind](p, p.default)
        except UsageError as error:
            fault = f"default refused: {error}"
    return fault


def _refuse(p: Parameter, value: Any, needed: str) -> UsageError:
    shown = " ".join(map(str, value)) if isinstance(value, (tuple, list)) else str(value)
    return UsageError(p.label, found=shown or "empty text", remedy=f"give {needed}")


def _check_number(p: Parameter, value: Any) -> float:
    try:
        number = float(value)
    except (TypeError, ValueError):
        raise _refuse(p, value, f"a number {p.limits}".strip()) from None
    within = (p.minimum is None or number >= p.minimum) and (p.maximum is None or number <= p.maximum)
    if not within or not math.isfinite(number):
        raise _refuse(p, value, p.limits or "a finite number")
    return number


def _check_integer(p: Parameter, value: Any) -> int:
    number = _check_number(p, value)
    if not number.is_integer():
        raise _refuse(p, value, f"a whole number {p.limits}".strip())
    return int(number)


def _check_range(p: Parameter, value: Any) -> tuple[float, float]:
    pair = value.split("-") if isinstance(value, str) else value
    needed = "two numbers joined by a dash, the lower one first, such as 200-800"
    if not isinstance(pair, (tuple, list)) or len(pair) != 2:
        raise _refuse(p, value, needed)
    low, high = (_check_number(p, one) for one in pair)
    if low >= high:
        raise _refuse(p, value, needed)
    return low, high


def _check_choice(p: Parameter, value: Any) -> str:
    if value not in p.choices:
        raise _refuse(p, value, "one of " + ", ".join(p.choices))
    return str(value)


def _check_text(p: Parameter, value: Any) -> str:
    if not isinstance(value, str) or not value.strip():
        raise _refuse(p, value, f"a text: {p.help}")
    return value.strip()


def _check_flag(p: Parameter, value: Any) -> bool:
    if not isinstance(value, bool):
        raise _refuse(p, value, "true or false")
    return value


def _check_file(p: Parameter, value: Any) -> Path:
    if not isinstance(value, (str, Path)) or not str(value).strip():
        raise _refuse(p, value, "the name of a file")
    path = Path(value)
    if p.suffixes and path.suffix.lower() not in p.suffixes:
        raise _refuse(p, value, "a file name that ends with " + " or ".join(p.suffixes))
    if p.kind == "file_out" and not path.parent.is_dir():
        raise UsageError(
            p.label, found=f"{path}: there is no folder {path.parent}", remedy="make the folder first"
        )
    if p.kind == "file_out" and path.is_dir():
        raise _refuse(p, value, "the name of a file, not of a folder")
    return path


def _check_files(p: Parameter, value: Any) -> tuple[Path, ...]:
    given = [value] if isinstance(value, (str, Path)) else value
    if not isinstance(given, (list, tuple)) or not given:
        raise _refuse(p, value, "one file or several")
    paths = tuple(_check_file(p, one) for one in given)
    for path in paths:
        if paths.count(path) > 1:
            raise UsageError(p.label, found=f"{path} twice", remedy="give each file once")
    return paths


def _check_folder(p: Parameter, value: Any) -> Path:
    if not isinstance(value, (str, Path)) or not str(value).strip():
        raise _refuse(p, value, "the name of a folder")
    path = Path(value)
    if p.kind == "folder_out":
        _check_new_folder(p, path)
    elif not path.is_dir():
        raise UsageError(p.label, found=f"{path}: there is no such folder", remedy="give one that is there")
    return path


def _check_new_folder(p: Parameter, path: Path) -> None:
    """Refuse a folder in which what is written would be mixed up with something else."""
    if not path.absolute().parent.is_dir():
        raise UsageError(
            p.label, found=f"{path}: there is no folder {path.parent}", remedy="make that folder first"
        )
    if path.exists() and (not path.is_dir() or any(path.iterdir())):
        raise UsageError(p.label, found=f"{path}: it is there and not empty", remedy="give a new folder")


_CHECKS: dict[str, Callable[[Parameter, Any], Any]] = {
    "source": _check_file,
    "file_in": _check_file,
    "files_in": _check_files,
    "file_out": _check_file,
    "folder_in": _check_folder,
    "folder_out": _check_folder,
    "number": _check_number,
    "integer": _check_integer,
    "range": _check_range,
    "choice": _check_choice,
    "text": _check_text,
    "flag": _check_flag,
}
