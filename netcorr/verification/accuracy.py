"""How good the fixes were: errors along the pipe, dry holes, and whether a stated 0.9 means 9 in 10."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from netcorr.units import FOOT_M
from netcorr.verification.conformal import Widening, widenings
from netcorr.verification.intervals import Interval, median, wilson
from netcorr.verification.visit import DRY, FOUND, NOT_VISITED

if TYPE_CHECKING:
    from shapely import Point

#: What counts as a hit along the pipe: 3 ft, the width of a common excavation. [m]
WITHIN_M = round(3 * FOOT_M, 6)
#: Bands of stated probability; a candidate is called strong from 0.9.
BANDS = ((0.0, 0.5), (0.5, 0.8), (0.8, 0.9), (0.9, 1.0))

METALS = frozenset({"grey_iron", "ductile_iron", "steel", "copper", "lead"})
PLASTICS = frozenset({"pvc", "pvc_o", "pe", "pe80", "pe100", "grp"})

#: What can be said of a band of probability.
Agreement = Literal["agrees", "too sure", "too careful", "nothing dug"]


@dataclass(frozen=True, eq=False)
class Find:
    """One candidate between two sensors, and what the ground said of it.

    Attributes
    ----------
    result : str
        Name of the result.
    candidate_id : str
        The candidate.
    rank : int
        1 was the most probable of the survey.
    probability : float
        As stated, 0 to 1.
    from_a_m, sd_m : float
        Predicted distance from A, and its standard deviation. [m]
    stretches_m : tuple of (float, float)
        Stretches of its area, from A. [m]
    pipe_id : str
        Main under the point.
    material : str or None
        Its material.
    verification : str
        What the ground said.
    crew : str
        Who was there.
    found_from_a_m : float or None
        Where the leak was; None where there was none or nobody measured. [m]
    disputed : bool
        Whether crews contradict each other: it counts nowhere.
    point : shapely.Point or None
        Where the leak was, in the CRS of its result.
    """

    result: str
    candidate_id: str
    rank: int
    probability: float
    from_a_m: float
    sd_m: float
    stretches_m: tuple[tuple[float, float], ...]
    pipe_id: str
    material: str | None
    verification: str = NOT_VISITED
    crew: str = ""
    found_from_a_m: float | None = None
    disputed: bool = False
    point: Point | None = None

    @property
    def is_found(self) -> bool:
        """Whether a leak was dug and found."""
        return self.verification in FOUND

    @property
    def is_dug(self) -> bool:
        """Whether it was dug."""
        return self.is_found or self.verification == DRY

    @property
    def error_m(self) -> float | None:
        """Found less predicted, along the pipe, positive towards B. [m]"""
        if self.found_from_a_m is None or not self.is_found:
            return None
        return self.found_from_a_m - self.from_a_m

    @property
    def in_area(self) -> bool | None:
        """Whether the leak lay in the stated area; None where that is not known."""
        if not self.is_dug:
            return None
        if not self.is_found:
            return False
        if self.found_from_a_m is None:
            return None
        return any(low <= self.found_from_a_m <= high for low, high in self.stretches_m)


@dataclass(frozen=True)
class Group:
    """Accuracy of a group of finds.

    Attributes
    ----------
    by, name : str
        What the group is made by (all, material, crew or probability), and its name.
    visited, dug, found, dry : int
        Candidates where somebody was, where the ground was opened, with and without a leak.
    hit_rate : Interval
        Share of those dug at which there was a leak.
    error_m : Interval
        Median of the size of the error along the pipe. [m]
    within : Interval
        Share of the measured ones within `WITHIN_M` of the point.
    bias_m : float or None
        Mean error, positive towards B; None without any. [m]
    """

    by: str
    name: str
    visited: int
    dug: int
    found: int
    dry: int
    hit_rate: Interval
    error_m: Interval
    within: Interval
    bias_m: float | None


@dataclass(frozen=True)
class Band:
    """Whether what was stated came true, for a band of probability.

    Attributes
    ----------
    low, high : float
        The band; its upper end belongs to the next one, but 1.
    stated : float
        Mean of the stated probabilities; NaN without any.
    came_true : Interval
        Share in whose area the leak was.
    unmeasured : int
        Found, but nobody measured where: not counted.
    """

    low: float
    high: float
    stated: float
    came_true: Interval
    unmeasured: int

    @property
    def agreement(self) -> Agreement:
        """Whether the interval of what came true holds what was stated."""
        if not self.came_true.count:
            return "nothing dug"
        if self.stated > self.came_true.high:
            return "too sure"
        return "too careful" if self.stated < self.came_true.low else "agrees"


@dataclass(frozen=True)
class Accuracy:
    """How good the fixes were.

    Attributes
    ----------
    finds : tuple of Find
        Everything that was visited and is not disputed.
    disputed : tuple of Find
        Where crews contradict each other.
    groups : tuple of Group
        All, then by material, crew and probability.
    bands : tuple of Band
        By probability, the lowest first.
    widenings : tuple of Widening
        For metal, plastic and other pipes, where there are finds enough.
    """

    finds: tuple[Find, ...]
    disputed: tuple[Find, ...]
    groups: tuple[Group, ...]
    bands: tuple[Band, ...]
    widenings: tuple[Widening, ...] = ()

    @property
    def all(self) -> Group:
        """The group of everything."""
        return self.groups[0]


def accuracy_of(finds: Sequence[Find]) -> Accuracy:
    """Summarise finds.

    Parameters
    ----------
    finds : sequence of Find
        Candidates between sensors, of any number of results, visited or not, in any order.

    Returns
    -------
    Accuracy
        The same for any order.
    """
    ordered = sorted(finds, key=lambda one: (one.result, one.rank, one.candidate_id))
    visited = [one for one in ordered if one.verification != NOT_VISITED]
    clear = tuple(one for one in visited if not one.disputed)
    return Accuracy(
        finds=clear,
        disputed=tuple(one for one in visited if one.disputed),
        groups=tuple(_groups(clear)),
        bands=tuple(_band(low, high, clear) for low, high in BANDS),
        widenings=tuple(_widenings(clear)),
    )


def _widenings(finds: Sequence[Find]) -> Iterator[Widening]:
    """Plastic scatters otherwise than metal, so that each is judged by its own finds."""
    scores: dict[str, list[float]] = {}
    for one in finds:
        if one.error_m is not None and one.sd_m > 0:
            scores.setdefault(_kind(one.material), []).append(abs(one.error_m) / one.sd_m)
    for group, values in sorted(scores.items()):
        yield from widenings(group, values)


def _kind(material: str | None) -> str:
    if material in METALS:
        return "metal"
    return "plastic" if material in PLASTICS else "other"


def band_name(low: float, high: float) -> str:
    """Name of a band of probability.

    Examples
    --------
    >>> band_name(0.9, 1.0)
    '90 to 100 %'
    """
    return f"{100 * low:.0f} to {100 * high:.0f} %"


def band_of(probability: float) -> tuple[float, float]:
    """Band that a probability belongs to.

    Examples
    --------
    >>> band_of(0.9), band_of(1.0)
    ((0.9, 1.0), (0.9, 1.0))
    """
    return next(band for band in reversed(BANDS) if probability >= band[0])


_BY: tuple[tuple[str, Callable[[Find], str]], ...] = (
    ("material", lambda one: one.material or "not known"),
    ("crew", lambda one: one.crew or "not told"),
    ("probability", lambda one: band_name(*band_of(one.probability))),
)


def _groups(finds: Sequence[Find]) -> Iterator[Group]:
    yield _group("all", "all", finds)
    for by, key in _BY:
        names = sorted({key(one) for one in finds})
        for name in names:
            yield _group(by, name, [one for one in finds if key(one) == name])


def _group(by: str, name: str, finds: Sequence[Find]) -> Group:
    found = sum(one.is_found for one in finds)
    dug = sum(one.is_dug for one in finds)
    errors = [one.error_m for one in finds if one.error_m is not None]
    sizes = [abs(error) for error in errors]
    near = sum(size <= WITHIN_M for size in sizes)
    return Group(
        by=by,
        name=name,
        visited=len(finds),
        dug=dug,
        found=found,
        dry=dug - found,
        hit_rate=wilson(found, dug),
        error_m=median(sizes),
        within=wilson(near, len(sizes)),
        bias_m=sum(errors) / len(errors) if errors else None,
    )


def _band(low: float, high: float, finds: Sequence[Find]) -> Band:
    own = [one for one in finds if band_of(one.probability) == (low, high) and one.is_dug]
    known = [one for one in own if one.in_area is not None]
    stated = sum(one.probability for one in known) / len(known) if known else float("nan")
    came_true = wilson(sum(bool(one.in_area) for one in known), len(known))
    return Band(low, high, stated, came_true, unmeasured=len(own) - len(known))
