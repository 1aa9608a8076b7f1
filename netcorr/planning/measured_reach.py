"""Reach that earlier surveys of the utility found, in a small file of its own."""

from __future__ import annotations

import math
import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from netcorr.errors import PlanError
from netcorr.layers.vocabulary import MATERIALS

_KEYS = ("material", "diameter_mm", "reach_m", "surveys", "source")


@dataclass(frozen=True)
class MeasuredReach:
    """Longest main between two loggers over which leaks were still heard.

    Attributes
    ----------
    material : str
        Key of the material vocabulary.
    reach_m : float
        Longest path between two loggers. [m]
    diameter_mm : (float, float) or None
        Nominal diameters that it holds for, both ends included; None for all. [mm]
    surveys : int
        Surveys that it rests on.
    source : str
        Where it comes from, in a few words.

    Raises
    ------
    PlanError
        If a value cannot be right.
    """

    material: str
    reach_m: float
    diameter_mm: tuple[float, float] | None = None
    surveys: int = 1
    source: str = ""

    def __post_init__(self) -> None:
        item = f"measured reach on {self.material}"
        if self.material not in MATERIALS:
            raise PlanError(
                item, found="no such material", remedy=f"give one of {', '.join(sorted(MATERIALS))}"
            )
        if not 0 < self.reach_m < math.inf:
            raise PlanError(item, found=f"{self.reach_m} m", remedy="give a length above 0 m")
        if self.surveys < 1:
            raise PlanError(item, found=f"{self.surveys} surveys", remedy="give 1 or more")
        if self.diameter_mm is not None and not 0 < self.diameter_mm[0] <= self.diameter_mm[1] < math.inf:
            raise PlanError(
                item, found=f"diameters {list(self.diameter_mm)}", remedy="give two numbers, the lower first"
            )

    def holds_for(self, material: str | None, *, diameter_mm: float | None) -> bool:
        """Whether a main belongs to it; one of unknown size only where the size does not matter."""
        if material != self.material:
            return False
        if self.diameter_mm is None:
            return True
        return diameter_mm is not None and self.diameter_mm[0] <= diameter_mm <= self.diameter_mm[1]


def read_measured_reach(path: str | os.PathLike[str]) -> tuple[MeasuredReach, ...]:
    r"""Read reach that earlier surveys found.

    Parameters
    ----------
    path : str or path-like
        TOML file with one table ``[[reach]]`` for each group of mains: `material`, `reach_m`, and where they
        matter `diameter_mm` as ``[lowest, highest]``, `surveys`, `source`.

    Returns
    -------
    tuple of MeasuredReach
        In the order of the file.

    Raises
    ------
    PlanError
        If the file is missing, is not TOML, or holds anything that cannot be right.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder, "reach.toml")
    ...     _ = file.write_text('[[reach]]\nmaterial = "pvc"\ndiameter_mm = [90, 160]\nreach_m = 70\n')
    ...     read_measured_reach(file)[0].reach_m
    70.0
    """
    file = Path(path)
    try:
        found = tomllib.loads(file.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise PlanError(str(file), found=f"cannot be read ({error})", remedy="give a TOML file") from error
    except tomllib.TOMLDecodeError as error:
        raise PlanError(
            str(file), found=f"not TOML: {error}", remedy="correct the line that is named"
        ) from error
    tables = found.get("reach")
    if set(found) != {"reach"} or not isinstance(tables, list) or not tables:
        keys = ", ".join(sorted(found)) or "nothing"
        raise PlanError(str(file), found=f"keys: {keys}", remedy="use tables [[reach]] and nothing else")
    return tuple(_one(table, f"{file.name}, [[reach]] {n}") for n, table in enumerate(tables, 1))


def _one(table: Any, item: str) -> MeasuredReach:
    if not isinstance(table, Mapping) or not {"material", "reach_m"} <= set(table) <= set(_KEYS):
        keys = ", ".join(map(str, table)) if isinstance(table, Mapping) else str(table)
        raise PlanError(
            item, found=f"keys: {keys}", remedy=f"give material and reach_m, of {', '.join(_KEYS)}"
        )
    limits = table.get("diameter_mm")
    numbers = [table["reach_m"], table.get("surveys", 1), *(limits if isinstance(limits, list) else [])]
    wrong = any(isinstance(one, bool) or not isinstance(one, int | float) for one in numbers)
    if wrong or not (limits is None or (isinstance(limits, list) and len(limits) == 2)):
        raise PlanError(
            item, found="a value that is no number", remedy="write reach_m = 70, diameter_mm = [90, 160]"
        )
    try:
        return MeasuredReach(
            material=str(table["material"]),
            reach_m=float(table["reach_m"]),
            diameter_mm=None if limits is None else (float(limits[0]), float(limits[1])),
            surveys=int(table.get("surveys", 1)),
            source=str(table.get("source", "")),
        )
    except PlanError as error:
        raise PlanError(f"{item}, {error.item}", found=error.found, remedy=error.remedy) from error
