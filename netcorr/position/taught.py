"""What measured delays teach a survey: speeds of mains and materials, offsets of clocks, and their words."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import TYPE_CHECKING

from netcorr.position.network.learned import WIDER, known_scale, learned_from, measured_mains
from netcorr.position.network.linear import usual_misfit
from netcorr.position.planned import KnownClocks
from netcorr.speed.calibration import Calibration

if TYPE_CHECKING:
    from netcorr.position.network.linear import Learnt, Measured, Name
    from netcorr.position.network.pipes import ReachedPipes
    from netcorr.position.settings import LocateSettings
    from netcorr.position.sites import Site
    from netcorr.speed.calibration import SpeedScale
    from netcorr.speed.wave_speed import WaveSpeed

#: A clock is told when it is off by this many standard deviations of what remains, and by this. [s]
TELLING_SD = 3.0
TELLING_S = 2e-4
#: So many mains are named with their speeds; the others are in the file.
MOST_NAMED = 4


@dataclass(frozen=True)
class Taught:
    """What measured delays teach.

    Attributes
    ----------
    settings : LocateSettings
        With the speeds as they are known now.
    clocks : KnownClocks
        Offsets of the clocks.
    scales : tuple of SpeedScale
        The same speeds, for a calibration file.
    notes : tuple of str
        What was heard and learnt, one sentence each.
    """

    settings: LocateSettings
    clocks: KnownClocks = field(default_factory=KnownClocks)
    scales: tuple[SpeedScale, ...] = ()
    notes: tuple[str, ...] = ()


def taught_by(
    learnt: Learnt,
    delays: Sequence[Measured],
    pipes: ReachedPipes,
    sites: Sequence[Site],
    *,
    settings: LocateSettings,
    source: str,
    rounds: Collection[int],
) -> Taught:
    """Speeds and clocks in the form in which the rest of a survey uses them.

    Parameters
    ----------
    learnt : Learnt
        After the delays.
    delays : sequence of Measured
        What was measured, one or more.
    pipes : ReachedPipes
        The mains.
    sites : sequence of Site
        Where the loggers stand.
    settings : LocateSettings
        As they were before.
    source : str
        What the delays are of, in words.
    rounds : collection of int
        Rounds that will be searched and in which delays were measured as well; of others each clock has an
        error of its own.

    Returns
    -------
    Taught
        With notes on what is known now.
    """
    wider = WIDER * math.sqrt(max(learnt.misfit / usual_misfit(len(delays)), 1.0))
    names = {name for one in delays for name in one.parts}
    speeds = learned_from(learnt, pipes, names=names, wider=wider)
    before = [known_scale(speed, settings.calibration) for speed in speeds]
    mains = measured_mains(learnt, pipes, names=names, wider=wider, source=source)
    scales = tuple(
        scale
        for speed, known in zip(speeds, before, strict=True)
        if (scale := speed.as_scale(known, source=source)) is not None
    )
    notes = [speed.told(source, known=known) for speed, known in zip(speeds, before, strict=True)]
    notes += _mains_notes(mains)
    clocks = _Clocks(learnt, names, wider, tuple(sorted(rounds)), settings.clock_jitter_share)
    taking = [site for site in sites if ("clock", site.logger) in names]
    between = {(a.logger, b.logger): clocks.between(a, b) for a, b in combinations(taking, 2)}
    notes += clocks.notes(taking, source=source)
    settings = replace(settings, main_speeds={**settings.main_speeds, **mains})
    if scales:
        settings = replace(settings, calibration=_with(settings.calibration, scales, source=source))
    return Taught(settings, KnownClocks(between), scales, tuple(notes))


def _with(before: Calibration | None, scales: Sequence[SpeedScale], *, source: str) -> Calibration:
    """What was known before, with what this survey taught in place of the same groups."""
    kept = {scale.label for scale in scales}
    rest = (scale for scale in (before.scales if before else ()) if scale.label not in kept)
    today = (replace(scale, same_day=True) for scale in scales)
    return Calibration((*rest, *today), source=before.source if before else source)


def _mains_notes(mains: Mapping[str, WaveSpeed]) -> list[str]:
    """The mains along which the noise measured the speed itself, those known best first."""
    if not mains:
        return []
    ordered = sorted(mains.items(), key=lambda one: one[1].pipe_sd_m_s / one[1].speed_m_s)
    named = ", ".join(
        f"{pipe} {speed.speed_m_s:.0f} m/s (give or take {100 * speed.pipe_sd_m_s / speed.speed_m_s:.1f} %)"
        for pipe, speed in ordered[:MOST_NAMED]
    )
    more = f" and {len(ordered) - MOST_NAMED} more" if len(ordered) > MOST_NAMED else ""
    return [f"mains along which the noise itself measured the wave speed: {named}{more}"]


@dataclass(frozen=True)
class _Clocks:
    """Offsets of clocks over the rounds that will be searched."""

    learnt: Learnt
    names: Collection[Name]
    wider: float
    rounds: tuple[int, ...]
    new_share: float

    def between(self, a: Site, b: Site) -> tuple[float, float]:
        """B's clock minus A's, mean over the rounds, and what remains of a round's own. [s]"""
        found = [self._in_round(number, a, b) for number in self.rounds or (-1,)]
        mean_s = sum(offset_s for offset_s, _ in found) / len(found)
        left_s2 = sum(sd_s**2 + (offset_s - mean_s) ** 2 for offset_s, sd_s in found) / len(found)
        return mean_s, math.sqrt(left_s2)

    def _in_round(self, number: int, a: Site, b: Site) -> tuple[float, float]:
        parts: dict[Name, float] = {("clock", b.logger): 1.0, ("clock", a.logger): -1.0}
        new_s2 = 0.0
        for site, sign in ((a, -1.0), (b, 1.0)):
            if ("jitter", number, site.logger) in self.names:
                parts["jitter", number, site.logger] = sign
            else:
                new_s2 += (self.new_share * site.clock_sd_s) ** 2
        offset_s, sd_s = self.learnt.of(parts)
        return offset_s, math.sqrt((self.wider * sd_s) ** 2 + new_s2)

    def notes(self, taking: Sequence[Site], *, source: str) -> list[str]:
        """Which clocks are off against the others, one sentence each."""
        notes = []
        for site in taking:
            others = [one for one in taking if one is not site]
            if not others:
                continue
            against: dict[Name, float] = {("clock", one.logger): -1 / len(others) for one in others}
            offset_s, sd_s = self.learnt.of(against | {("clock", site.logger): 1.0})
            if abs(offset_s) > max(TELLING_SD * self.wider * sd_s, TELLING_S):
                ahead = "fast" if offset_s > 0 else "slow"
                notes.append(
                    f"the clock of {site.logger} is {1000 * abs(offset_s):.2f} ms {ahead} against the others "
                    f"by {source}, give or take {1000 * self.wider * sd_s:.2f} ms: taken out"
                )
        return notes
