"""What found leaks teach about wave speeds: a Bayesian update of the tables, by material and age.

The delay of a leak found at x is ``sum D_i u_i (1 + r_i)``: D_i the length of pipe i on B's side of it less
that on A's side, u_i the slowness of the tables and r_i how far the tables are off. With ``r = material + era
+ day + pipe`` (four Gaussian parts, the first three shared) this is linear, and the posterior has a closed
form.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from netcorr.errors import SpeedError
from netcorr.path.reference import segment_ends_m
from netcorr.position import LocateSettings, path_speeds
from netcorr.speed import MEASURED, Calibration, SpeedScale
from netcorr.units import format_count

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.path.correlation_path import CorrelationPath
    from netcorr.speed.wave_speed import WaveSpeed

Key = tuple[object, ...]

#: First and last year of the eras in which pipes of one material are taken to be alike (judgement: pit-cast,
#: spun, early plastic and thick ductile iron, later standards, pressure classes).
ERAS = ((1750, 1929), (1930, 1959), (1960, 1989), (1990, 2005), (2006, 2100))
#: Share of the variance common to a material that belongs to its era rather than to all of it (judgement).
ERA_SHARE = 0.3
#: Deviation of a survey's water temperature, as a share of the speed.
DAY_SD = 0.005
#: A find this many standard deviations from what tables and evidence allow teaches nothing about speeds: it
#: is another leak, or the map is wrong.
GATE_SDS = 4.0
#: A group is learned when its deviation has shrunk at least to this share of what it was.
LEARNED_SHARE = 0.95


@dataclass(frozen=True, eq=False)
class SpeedEvidence:
    """One leak that was found, and the delay that it had given.

    Attributes
    ----------
    survey : str
        Which survey; surveys have a water temperature each.
    path : CorrelationPath
        Pipe between the sensors.
    found_from_a_m : float
        Where the leak was. [m]
    delay_s : float
        Arrival at B minus arrival at A. [s]
    sd_m : float
        Standard deviation of the position without that of the speeds, finding included. [m]
    temperature_c, temperature_sd_c : float
        Water temperature of the survey. [degree C]
    """

    survey: str
    path: CorrelationPath
    found_from_a_m: float
    delay_s: float
    sd_m: float
    temperature_c: float = 10.0
    temperature_sd_c: float = 3.0


@dataclass(frozen=True)
class LearnedSpeed:
    """What is known now about the speed of a group of pipes.

    Attributes
    ----------
    material : str
        Key of the material.
    years : (int, int) or None
        First and last year laid; None for pipes of any or unknown year.
    scale : float
        True speed over that of the tables.
    scale_sd : float
        Its standard deviation.
    table_sd : float
        What it was before, as a share of the speed.
    finds, surveys : int
        Leaks found on such pipes, and surveys that they come from.
    """

    material: str
    years: tuple[int, int] | None
    scale: float
    scale_sd: float
    table_sd: float
    finds: int
    surveys: int

    @property
    def is_learned(self) -> bool:
        """Whether the finds say more than the tables."""
        return self.scale_sd <= LEARNED_SHARE * self.table_sd * self.scale

    @property
    def as_scale(self) -> SpeedScale:
        """As it stands in a calibration file."""
        years = None if self.years is None else (float(self.years[0]), float(self.years[1]))
        many = format_count(self.finds, "find")
        return SpeedScale(
            material=self.material,
            scale=round(self.scale, 5),
            scale_sd=round(self.scale_sd, 5),
            surveys=self.surveys,
            years=years,
            source=f"{many} along the pipe",
        )


@dataclass(frozen=True)
class SpeedLesson:
    """Speeds by group, and which finds were left out.

    Attributes
    ----------
    speeds : tuple of LearnedSpeed
        By material; for each first the whole of it, then its eras.
    left_out : tuple of str
        Surveys with a find that nothing in the pipes explains, and by how much.
    """

    speeds: tuple[LearnedSpeed, ...]
    left_out: tuple[str, ...] = ()

    def calibration(self, source: str = "calibration") -> Calibration:
        """Groups that were learned, for the next survey to start from.

        Parameters
        ----------
        source : str
            Name of the file, for messages.

        Returns
        -------
        Calibration
        """
        scales = tuple(one.as_scale for one in self.speeds if one.is_learned)
        return Calibration(scales, source=source)


def learn_speeds(evidence: Sequence[SpeedEvidence]) -> SpeedLesson:
    """Update the tables' speeds by leaks that were found.

    Parameters
    ----------
    evidence : sequence of SpeedEvidence
        In any order.

    Returns
    -------
    SpeedLesson
        Pipes whose speed was measured teach nothing and are not among the groups.

    Notes
    -----
    A leak found near the middle between its sensors says almost nothing about speed, one near a sensor most:
    the error of position is half the difference of the two lengths times the error of the speed.

    References
    ----------
    Gelman et al. (2013), Bayesian Data Analysis, ch. 14 (linear model with a Gaussian prior).
    """
    rows = [row for row in (_Row.of(one) for one in evidence) if row is not None]
    keys = sorted({key for row in rows for key in row.weights}, key=repr)
    if not keys:
        return SpeedLesson(())
    matrix = np.array([[row.weights.get(key, 0.0) for key in keys] for row in rows])
    sds = _prior_sds(rows, keys)
    surprise = np.array([row.surprise_s for row in rows])
    noise = np.array([row.noise_s for row in rows])
    expected = np.sqrt(matrix**2 @ sds**2 + noise**2)
    kept = np.abs(surprise) <= GATE_SDS * expected
    left_out = tuple(
        f"{row.survey}: the find lies {off:.0f} standard deviations from where any likely speed puts it"
        for row, off, fine in zip(rows, np.abs(surprise) / expected, kept, strict=True)
        if not fine
    )
    used = [row for row, fine in zip(rows, kept, strict=True) if fine]
    known = _Posterior.of(keys, sds, matrix=matrix[kept], surprise_s=surprise[kept], noise_s=noise[kept])
    return SpeedLesson(tuple(_groups(used, known)), left_out)


@dataclass(frozen=True)
class _Row:
    """One find as a linear equation: how much each unknown moves its delay."""

    survey: str
    weights: dict[Key, float]
    sds: dict[Key, list[float]]
    surprise_s: float
    noise_s: float

    @classmethod
    def of(cls, one: SpeedEvidence) -> _Row | None:
        settings = LocateSettings(temperature_c=one.temperature_c, temperature_sd_c=one.temperature_sd_c)
        try:
            speeds = path_speeds(one.path, settings=settings)
        except SpeedError:
            return None
        difference_m = _differences_m(one)
        weights: dict[Key, float] = {}
        sds: dict[Key, list[float]] = {}
        expected_s = 0.0
        for segment, speed, d in zip(one.path.segments, speeds, difference_m, strict=True):
            delay_s = float(d) / speed.speed_m_s
            expected_s += delay_s
            for key, sd in _unknowns(one.survey, segment.material, segment.year, segment.pipe_id, speed):
                weights[key] = weights.get(key, 0.0) + delay_s
                sds.setdefault(key, []).append(sd)
        at = _segment_of(one)
        noise_s = 2 * one.sd_m / speeds[at].speed_m_s
        return cls(one.survey, weights, sds, one.delay_s - expected_s, noise_s)


def _differences_m(one: SpeedEvidence) -> NDArray[np.float64]:
    """Length of each pipe on B's side of the leak less that on A's side, leads included, shape (n,). [m]"""
    ends = segment_ends_m(one.path)
    inside = np.clip(one.found_from_a_m, ends[:-1], ends[1:])
    difference = (ends[1:] - inside) - (inside - ends[:-1])
    difference[0] -= one.path.lead_a_m
    difference[-1] += one.path.lead_b_m
    return np.asarray(difference, dtype=np.float64)


def _segment_of(one: SpeedEvidence) -> int:
    ends = segment_ends_m(one.path)
    return int(np.clip(np.searchsorted(ends, one.found_from_a_m) - 1, 0, len(one.path.segments) - 1))


def _unknowns(
    survey: str, material: str | None, year: float, pipe_id: str, speed: WaveSpeed
) -> Iterable[tuple[Key, float]]:
    """Parts of a pipe's deviation with their standard deviations, as shares of its speed."""
    common, own = speed.common_sd_m_s / speed.speed_m_s, speed.pipe_sd_m_s / speed.speed_m_s
    if speed.group == MEASURED or material is None:
        yield ("pipe", pipe_id), float(np.hypot(common, own))
        return
    yield ("material", material), common * (1 - ERA_SHARE) ** 0.5
    yield ("era", material, era_of(year)), common * ERA_SHARE**0.5
    yield ("day", survey, material), DAY_SD
    yield ("pipe", pipe_id), own


def era_of(year: float | None) -> tuple[int, int] | None:
    """Era of a pipe; None where its year is not known or no year of a main.

    Examples
    --------
    >>> era_of(1974), era_of(float("nan"))
    ((1960, 1989), None)
    """
    if year is None or np.isnan(year):
        return None
    return next((era for era in ERAS if era[0] <= year < era[1] + 1), None)


def _prior_sds(rows: Sequence[_Row], keys: Sequence[Key]) -> NDArray[np.float64]:
    """Standard deviation of each unknown before any find: the mean over the pipes that share it."""
    pooled: dict[Key, list[float]] = {}
    for row in rows:
        for key, values in row.sds.items():
            pooled.setdefault(key, []).extend(values)
    return np.array([float(np.mean(pooled[key])) for key in keys])


@dataclass(frozen=True, eq=False)
class _Posterior:
    """All unknowns after the finds, and their standard deviations before."""

    index: dict[Key, int]
    sds: NDArray[np.float64]
    mean: NDArray[np.float64]
    covariance: NDArray[np.float64]

    @classmethod
    def of(
        cls,
        keys: Sequence[Key],
        sds: NDArray[np.float64],
        *,
        matrix: NDArray[np.float64],
        surprise_s: NDArray[np.float64],
        noise_s: NDArray[np.float64],
    ) -> _Posterior:
        """Condition on the finds, by the form that stays exact where a prior leaves no doubt."""
        prior = np.diag(sds**2)
        gain = prior @ matrix.T @ np.linalg.inv(matrix @ prior @ matrix.T + np.diag(noise_s**2))
        index = {key: number for number, key in enumerate(keys)}
        return cls(index, sds, gain @ surprise_s, prior - gain @ matrix @ prior)


def _groups(rows: Sequence[_Row], known: _Posterior) -> Iterable[LearnedSpeed]:
    """Scale of each material and of each of its eras, from the unknowns that make it up."""
    for material in sorted({str(key[1]) for key in known.index if key[0] == "material"}):
        own: Key = ("material", material)
        eras = [key for key in known.index if key[:2] == ("era", material)]
        unknown: Key = ("era", material, None)
        if unknown in known.index:  # pipes of unknown year are looked up under the material alone
            yield _group(rows, known, (own, unknown))
        else:
            yield _group(
                rows, known, (own,), extra_sd=float(np.mean([known.sds[known.index[e]] for e in eras]))
            )
        for key in eras:
            if key != unknown:
                yield _group(rows, known, (own, key))


def _group(
    rows: Sequence[_Row], known: _Posterior, parts: tuple[Key, ...], *, extra_sd: float = 0.0
) -> LearnedSpeed:
    """Scale of one group; `extra_sd` stands for an era of which nothing was found."""
    at = [known.index[key] for key in parts]
    slowness = 1 + float(known.mean[at].sum())
    sd = float(np.sqrt(max(known.covariance[np.ix_(at, at)].sum(), 0.0) + extra_sd**2))
    era = parts[-1][-1] if len(parts) > 1 else None
    own = [row for row in rows if (parts[0] if era is None else parts[-1]) in row.weights]
    return LearnedSpeed(
        material=str(parts[0][1]),
        years=next((one for one in ERAS if one == era), None),
        scale=1 / slowness,
        scale_sd=sd / slowness**2,
        table_sd=float(np.sqrt((known.sds[at] ** 2).sum() + extra_sd**2)),
        finds=len(own),
        surveys=len({row.survey for row in own}),
    )
