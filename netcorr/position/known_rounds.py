"""Rounds in which a noise was made at a known fitting: what they teach the other rounds of their survey."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import TYPE_CHECKING

from netcorr.errors import PositionError
from netcorr.feedback import check_cancelled
from netcorr.position.first_look import PreparedRounds, clock_drifts
from netcorr.position.network.known_noise import choose_peaks, clock_priors, heard_pair, noise_ways
from netcorr.position.network.learned import LearnedSpeed, learned_from, measured_mains
from netcorr.position.network.linear import learn, usual_misfit
from netcorr.position.network.pipes import pipes_within_reach
from netcorr.position.planned import KnownClocks, compare_planned, plan_pairs
from netcorr.speed.calibration import BY_KNOWN_NOISE, Calibration
from netcorr.units import format_count

if TYPE_CHECKING:
    from netcorr.feedback import Feedback
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.position.network.known_noise import Chosen, HeardPair, NoiseWays
    from netcorr.position.network.linear import Learnt, Measured, Name
    from netcorr.position.network.pipes import ReachedPipes
    from netcorr.position.settings import LocateSettings
    from netcorr.position.sites import Site
    from netcorr.recordings.recording import Round
    from netcorr.speed.calibration import SpeedScale
    from netcorr.speed.wave_speed import WaveSpeed

#: A clock is told when it is off by this many standard deviations of what remains, and by this. [s]
TELLING_SD = 3.0
TELLING_S = 2e-4
#: So many mains are named with their speeds; the others are in the file.
MOST_NAMED = 4


@dataclass(frozen=True)
class Taught:
    """What known noises teach.

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


def split_rounds(
    network: PipeNetwork, rounds: Sequence[Round]
) -> tuple[tuple[Round, ...], tuple[tuple[Round, str], ...]]:
    """Rounds to search, and those in which a noise was made, with its fitting.

    Parameters
    ----------
    network : PipeNetwork
        The map.
    rounds : sequence of Round
        All rounds of a survey.

    Returns
    -------
    (tuple of Round, tuple of (Round, str))
        In the order of time.

    Raises
    ------
    PositionError
        If the rows of a round name two fittings: of noises at two places neither can be told.
    NetworkError
        If a fitting is not on the map, or on no main.
    """
    searched, known = [], []
    for one in rounds:
        named = one.known_noises
        if len(named) > 1:
            raise PositionError(
                f"round {one.number}, column known_noise",
                found=f"{' and '.join(named)}",
                remedy="make one noise at a time, and name its fitting in the rows recorded meanwhile only",
            )
        for fitting in named:
            network.node_of(fitting)
            known.append((one, fitting))
        if not named:
            searched.append(one)
    return tuple(searched), tuple(known)


def learn_from_known(
    network: PipeNetwork,
    sites: Sequence[Site],
    known: Sequence[tuple[Round, str]],
    *,
    settings: LocateSettings,
    feedback: Feedback,
) -> Taught:
    """Compare all pairs in the rounds with a known noise, and learn speeds and clocks from where it is heard.

    Parameters
    ----------
    network : PipeNetwork
        The map.
    sites : sequence of Site
        Where the loggers stand.
    known : sequence of (Round, str)
        Rounds with the fitting of their noise.
    settings : LocateSettings
        Speeds and standard deviations as they were known before.
    feedback : Feedback
        Cancelling.

    Returns
    -------
    Taught
        The settings as they were, and why, where the noise was not heard.

    Raises
    ------
    NetcorrError
        If no two loggers can be compared, or a pipe between them is at fault.
    """
    if not known:
        return Taught(settings)
    nodes = [network.node_of(site.fitting) for site in sites]
    sources = [network.node_of(fitting) for _, fitting in known]
    pipes = pipes_within_reach(network, [*nodes, *sources], settings=settings)
    ways = {
        fitting: noise_ways(pipes, (fitting, node), sites, nodes, settings=settings)
        for (_, fitting), node in zip(known, sources, strict=True)
    }
    prior = clock_priors(sites, [one.number for one, _ in known], settings=settings)
    for way in ways.values():
        prior |= way.prior_sd
    heard = _heard(network, sites, known, ways, settings=settings, feedback=feedback)
    delays: list[Measured] = []
    notes: list[str] = []
    for (one, fitting), pairs in zip(known, heard, strict=True):
        chosen = choose_peaks(pairs, prior)
        notes.append(_round_note(one.number, fitting, chosen, pairs=len(pairs)))
        delays += chosen.delays if chosen.heard else ()
    if not delays:
        return Taught(settings, notes=tuple(notes))
    return _taught(learn(prior, delays), delays, pipes, sites, known, settings=settings, notes=notes)


def _heard(
    network: PipeNetwork,
    sites: Sequence[Site],
    known: Sequence[tuple[Round, str]],
    ways: dict[str, NoiseWays],
    *,
    settings: LocateSettings,
    feedback: Feedback,
) -> list[list[HeardPair]]:
    """What the pairs hear in each round with a known noise."""
    planned, _ = plan_pairs(network, sites, settings=settings)
    rounds = [one for one, _ in known]
    longest_s = max(pair.times.longest_delay_s for pair in planned)
    spectra = PreparedRounds(rounds, longest_s, settings.band_hz)
    drifts = clock_drifts(planned, spectra)
    heard = []
    for one, fitting in known:
        prepared, arrivals = spectra.of(one), ways[fitting].arrivals
        pairs = []
        for pair in planned:
            check_cancelled(feedback)
            a, b = pair.a.logger, pair.b.logger
            if {a, b} <= prepared.keys() & arrivals.keys():
                evidence, drift_sd_s = compare_planned(
                    pair, prepared, one=one, drifts=drifts, settings=settings
                )
                pairs.append(heard_pair(arrivals[a], arrivals[b], evidence, drift_sd_s=drift_sd_s))
        heard.append(pairs)
    return heard


def _round_note(number: int, fitting: str, chosen: Chosen, *, pairs: int) -> str:
    """What became of one round."""
    start = f"round {number} holds a known noise at {fitting} and was not searched for leaks"
    if not chosen.loud and not chosen.delays:
        return (
            f"{start}: no pair of loggers hears it clearly, so it teaches nothing; make it louder or longer"
        )
    if not chosen.heard:
        return (
            f"{start}: of the {format_count(chosen.loud, 'pair')} that hear something clearly "
            f"{chosen.agreeing} hear it as from there, which is too few to believe that it was made there: "
            "it teaches nothing; check the fitting and the times, or make it nearer to the loggers"
        )
    return f"{start}: heard there by {len(chosen.delays)} of {format_count(pairs, 'pair')}"


def _taught(
    learnt: Learnt,
    delays: Sequence[Measured],
    pipes: ReachedPipes,
    sites: Sequence[Site],
    known: Sequence[tuple[Round, str]],
    *,
    settings: LocateSettings,
    notes: list[str],
) -> Taught:
    """Speeds and clocks in the form in which the rest of the survey uses them."""
    wider = math.sqrt(max(learnt.misfit / usual_misfit(len(delays)), 1.0))
    names = {name for one in delays for name in one.parts}
    source = f"{BY_KNOWN_NOISE}{' and '.join(dict.fromkeys(fitting for _, fitting in known))}"
    speeds = learned_from(learnt, pipes, names=names, wider=wider)
    mains = measured_mains(learnt, pipes, names=names, wider=wider, source=source)
    scales = tuple(
        scale
        for speed in speeds
        if (scale := speed.as_scale(_known_scale(settings.calibration, speed), source=source)) is not None
    )
    kept = {scale.label for scale in scales}
    notes += [speed.told(source) for speed in speeds] + _mains_notes(mains)
    between, told = _clocks(learnt, sites, settings=settings, names=names, wider=wider)
    before = settings.calibration.scales if settings.calibration else ()
    settings = replace(settings, main_speeds=mains)
    if scales:
        rest = (scale for scale in before if scale.label not in kept)
        today = (replace(scale, same_day=True) for scale in scales)
        named = settings.calibration.source if settings.calibration else source
        settings = replace(settings, calibration=Calibration((*rest, *today), source=named))
    return Taught(settings, KnownClocks(between), scales, (*notes, *told))


def _known_scale(calibration: Calibration | None, speed: LearnedSpeed) -> SpeedScale | None:
    """Scale that the speeds of a group were calibrated with already."""
    scales = calibration.scales if calibration is not None else ()
    return next((scale for scale in scales if scale.label == speed.group), None)


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


def _clocks(
    learnt: Learnt,
    sites: Sequence[Site],
    *,
    settings: LocateSettings,
    names: set[Name],
    wider: float,
) -> tuple[dict[tuple[str, str], tuple[float, float]], list[str]]:
    """Offsets of the pairs of clocks that took part, and notes on those that are off."""
    jitter = settings.clock_jitter_share
    taking = [site for site in sites if ("clock", site.logger) in names]
    between = {}
    for a, b in combinations(taking, 2):
        offset_s, sd_s = learnt.of({("clock", b.logger): 1.0, ("clock", a.logger): -1.0})
        new_s = jitter * math.hypot(a.clock_sd_s, b.clock_sd_s)
        between[a.logger, b.logger] = (offset_s, math.hypot(wider * sd_s, new_s))
    notes = []
    for site in taking:
        others = [one for one in taking if one is not site]
        if not others:
            continue
        against: dict[Name, float] = {("clock", one.logger): -1 / len(others) for one in others}
        offset_s, sd_s = learnt.of(against | {("clock", site.logger): 1.0})
        if abs(offset_s) > max(TELLING_SD * wider * sd_s, TELLING_S):
            ahead = "fast" if offset_s > 0 else "slow"
            notes.append(
                f"the clock of {site.logger} is {1000 * abs(offset_s):.2f} ms {ahead} against the others, "
                f"give or take {1000 * wider * sd_s:.2f} ms, by the known noise; taken out of the other "
                "rounds"
            )
    return between, notes
