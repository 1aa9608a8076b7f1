"""What confirmed leaks taught about the wave speeds of a utility: ratios to the tables, in a small file."""

from __future__ import annotations

import json
import math
import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from netcorr.errors import SpeedError
from netcorr.speed.materials import PIPE_MATERIALS
from netcorr.speed.pipe import MEASURED
from netcorr.speed.wave_speed import WaveSpeed

#: Ratio of a true speed to the tables' that is still believed; beyond it the map is wrong, not the pipe.
SCALE_RANGE = (0.5, 2.0)
#: What the water's temperature of another day adds to a calibrated speed, as a share of it (iron: 3 % over 15
#: degrees, and a crew knows the temperature to about 3).
_ANOTHER_DAY_SHARE = 0.005

#: Source of a scale that no leak was dug up for: several loggers of one survey agree on it.
BY_SURVEY = "several loggers of one survey"
#: How the source of a scale begins that a noise made at a known fitting taught.
BY_KNOWN_NOISE = "a known noise at "
#: Source of a scale that noise from beyond both loggers of pairs taught.
BY_BEYOND = "noise from beyond the loggers of one survey"

_KEYS = ("material", "diameter_mm", "years", "scale", "scale_sd", "surveys", "source")


@dataclass(frozen=True)
class SpeedScale:
    """Ratio of the wave speed in a group of pipes to the speed that the tables give for them.

    Attributes
    ----------
    material : str
        Key of `PIPE_MATERIALS`.
    scale : float
        True speed over the tables' speed; 1 where the tables are right.
    scale_sd : float
        Standard deviation of `scale`, common to all pipes of the group.
    surveys : int
        Surveys with a confirmed position, or a known noise, that it rests on.
    diameter_mm : (float, float) or None
        Nominal diameters that it holds for, both ends included; None for all. [mm]
    years : (float, float) or None
        Years laid that it holds for, both ends included; None for all.
    source : str
        Where it comes from, in a few words.
    same_day : bool
        Whether it is used for the very survey that taught it, in water of the same temperature; not kept in a
        file.
    """

    material: str
    scale: float
    scale_sd: float
    surveys: int
    diameter_mm: tuple[float, float] | None = None
    years: tuple[float, float] | None = None
    source: str = ""
    same_day: bool = False

    def __post_init__(self) -> None:
        low, high = SCALE_RANGE
        item = f"calibration of {self.material}"
        if self.material not in PIPE_MATERIALS:
            raise SpeedError(
                item, found="no such material", remedy=f"give one of {', '.join(sorted(PIPE_MATERIALS))}"
            )
        if not low <= self.scale <= high:
            raise SpeedError(
                f"{item}, scale", found=f"{self.scale}", remedy=f"give a ratio from {low:g} to {high:g}"
            )
        if not 0 < self.scale_sd < 1:
            raise SpeedError(
                f"{item}, scale_sd", found=f"{self.scale_sd}", remedy="give a number between 0 and 1"
            )
        if self.surveys < 1:
            raise SpeedError(f"{item}, surveys", found=f"{self.surveys}", remedy="give 1 or more")
        for name, limits in (("diameter_mm", self.diameter_mm), ("years", self.years)):
            if limits is not None and not 0 < limits[0] <= limits[1] < math.inf:
                raise SpeedError(
                    f"{item}, {name}", found=f"{list(limits)}", remedy="give two numbers, the lower one first"
                )

    def holds_for(self, material: str | None, *, diameter_mm: float | None, year: float | None) -> bool:
        """Whether a pipe belongs to the group; one of unknown size or age only where these do not matter."""
        return (
            material == self.material and _within(diameter_mm, self.diameter_mm) and _within(year, self.years)
        )

    @property
    def rests_on(self) -> str:
        """What it was learned from, in words."""
        if self.source in (BY_SURVEY, BY_BEYOND) or self.source.startswith(BY_KNOWN_NOISE):
            return self.source
        return "1 confirmed survey" if self.surveys == 1 else f"{self.surveys} confirmed surveys"

    @property
    def label(self) -> str:
        """Material, and sizes and years where it does not hold for all."""
        size = "" if self.diameter_mm is None else f", {self.diameter_mm[0]:g} to {self.diameter_mm[1]:g} mm"
        age = "" if self.years is None else f", {self.years[0]:g} to {self.years[1]:g}"
        return f"{self.material}{size}{age}"


@dataclass(frozen=True)
class Calibration:
    """Scales of a utility's own pipes.

    Attributes
    ----------
    scales : tuple of SpeedScale
        One for each group, at most one with the same label.
    source : str
        File that it was read from, for messages.
    """

    scales: tuple[SpeedScale, ...]
    source: str = "calibration"

    def __post_init__(self) -> None:
        labels = [scale.label for scale in self.scales]
        for label in labels:
            if labels.count(label) > 1:
                raise SpeedError(
                    f"{self.source}, {label}", found="it is there twice", remedy="keep one of the two"
                )

    def scale_of(
        self, material: str | None, *, diameter_mm: float | None = None, year: float | None = None
    ) -> SpeedScale | None:
        """Scale for a pipe: of all that hold for it the one with the narrowest group.

        Parameters
        ----------
        material : str or None
            Key of `PIPE_MATERIALS`.
        diameter_mm, year : float or None
            As on the map; None or NaN is unknown. [mm]

        Returns
        -------
        SpeedScale or None
            None where nothing is known about such pipes.
        """
        fitting = [s for s in self.scales if s.holds_for(material, diameter_mm=diameter_mm, year=year)]
        return min(fitting, key=_width, default=None)

    def apply(
        self,
        speed: WaveSpeed,
        *,
        material: str | None,
        diameter_mm: float | None = None,
        year: float | None = None,
    ) -> WaveSpeed:
        """Correct a speed of the tables by what is known about such pipes.

        Parameters
        ----------
        speed : WaveSpeed
            As `pipe_wave_speed` gives it.
        material : str or None
            Key of `PIPE_MATERIALS`.
        diameter_mm, year : float or None
            As on the map; None or NaN is unknown. [mm]

        Returns
        -------
        WaveSpeed
            The same where it was measured, or nothing is known about such pipes.

        Raises
        ------
        SpeedError
            If the corrected speed is none that a water main can have.

        Examples
        --------
        >>> known = Calibration((SpeedScale("grey_iron", scale=0.97, scale_sd=0.008, surveys=6),))
        >>> table = WaveSpeed(1240.0, 40.0, 20.0, "grey_iron", "water-hammer formula")
        >>> better = known.apply(table, material="grey_iron")
        >>> round(better.speed_m_s), round(better.common_sd_m_s, 1), better.source
        (1203, 11.6, 'water-hammer formula, times 0.970 from 6 confirmed surveys')
        """
        scale = self.scale_of(material, diameter_mm=diameter_mm, year=year)
        if scale is None or speed.group == MEASURED:
            return speed
        corrected = speed.speed_m_s * scale.scale
        share = math.hypot(scale.scale_sd / scale.scale, 0.0 if scale.same_day else _ANOTHER_DAY_SHARE)
        # what was learned about the material never makes it less certain than the tables are
        common = min(corrected * share, speed.common_sd_m_s * scale.scale)
        return replace(
            speed,
            speed_m_s=corrected,
            common_sd_m_s=common,
            pipe_sd_m_s=speed.pipe_sd_m_s * scale.scale,
            group=scale.label,
            source=f"{speed.source}, times {scale.scale:.3f} from {scale.rests_on}",
        )


def read_calibration(path: str | os.PathLike[str]) -> Calibration:
    """Read a calibration file.

    Parameters
    ----------
    path : str or path-like
        TOML file with one table ``[[speed]]`` for each group of pipes: `material`, `scale`, `scale_sd`,
        `surveys`, and where they matter `diameter_mm` and `years` as ``[lowest, highest]``, `source`.

    Returns
    -------
    Calibration

    Raises
    ------
    SpeedError
        If the file is missing, is not TOML or holds anything that cannot be right.
    """
    file = Path(path)
    try:
        found = tomllib.loads(file.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise SpeedError(
            str(file), found=f"cannot be read ({error})", remedy="give a calibration file"
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise SpeedError(
            str(file), found=f"not TOML: {error}", remedy="correct the line that is named"
        ) from error
    tables = found.get("speed", [])
    if set(found) - {"speed"} or not isinstance(tables, list):
        raise SpeedError(
            str(file),
            found=f"keys {', '.join(sorted(found))}",
            remedy="use tables [[speed]] and nothing else",
        )
    scales = tuple(_scale(table, f"{file.name}, [[speed]] {n}") for n, table in enumerate(tables, 1))
    return Calibration(scales, source=file.name)


def calibration_toml(calibration: Calibration) -> str:
    """Text of a calibration file.

    Parameters
    ----------
    calibration : Calibration
        What to keep.

    Returns
    -------
    str
        TOML that `read_calibration` reads again as the same scales.
    """
    head = "# Wave speeds learned from finds and surveys: scale = true speed / speed of the tables.\n"
    return head + "".join(f"\n[[speed]]\n{_table(scale)}" for scale in calibration.scales)


def _table(scale: SpeedScale) -> str:
    values: dict[str, Any] = {key: getattr(scale, key) for key in _KEYS}
    lines = (
        f"{key} = {json.dumps(list(value) if isinstance(value, tuple) else value, ensure_ascii=False)}\n"
        for key, value in values.items()
        if value is not None
    )
    return "".join(lines)


def _scale(table: Any, item: str) -> SpeedScale:
    if not isinstance(table, Mapping):
        raise SpeedError(item, found="not a table", remedy="write [[speed]] and its keys below")
    unknown = sorted(set(table) - set(_KEYS))
    if unknown:
        raise SpeedError(item, found=f"keys {', '.join(unknown)}", remedy=f"use {', '.join(_KEYS)}")
    try:
        return SpeedScale(
            material=str(table["material"]),
            scale=_number(table["scale"]),
            scale_sd=_number(table["scale_sd"]),
            surveys=_count(table["surveys"]),
            diameter_mm=_limits(table.get("diameter_mm")),
            years=_limits(table.get("years")),
            source=str(table.get("source", "")),
        )
    except KeyError as error:
        raise SpeedError(item, found=f"no {error.args[0]}", remedy=f"give {error.args[0]}") from None
    except (TypeError, ValueError) as error:
        if isinstance(error, SpeedError):
            raise SpeedError(f"{item}, {error.item}", found=error.found, remedy=error.remedy) from error
        raise SpeedError(
            item, found=str(error), remedy="write numbers plainly, limits as [lowest, highest]"
        ) from error


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{value!r} is not a number")
    return float(value)


def _count(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError(f"{value!r} is not a whole number")
    return value


def _limits(value: Any) -> tuple[float, float] | None:
    if value is None:
        return None
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError(f"{value!r} is not a pair of limits")
    return _number(value[0]), _number(value[1])


def _within(value: float | None, limits: tuple[float, float] | None) -> bool:
    if limits is None:
        return True
    return value is not None and limits[0] <= value <= limits[1]


def _width(scale: SpeedScale) -> tuple[int, float]:
    """Fewer open limits come first, then the narrower range of sizes and of years."""
    limits = (scale.diameter_mm, scale.years)
    return sum(one is None for one in limits), sum(math.log(high / low) for low, high in filter(None, limits))
