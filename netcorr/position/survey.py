"""A whole survey: every pair of loggers within reach, over all rounds."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING

from netcorr.errors import NetcorrError, PathError, PositionError
from netcorr.feedback import Feedback, NoFeedback, check_cancelled
from netcorr.path import correlation_path
from netcorr.position.calibrated import calibration_notes
from netcorr.position.candidates import ranked
from netcorr.position.compare import compare
from netcorr.position.first_look import PreparedRounds, clock_drifts, worth_comparing
from netcorr.position.fix import PairFix, SurveyFix
from netcorr.position.network.learned import learned_scales
from netcorr.position.network.locate import locate_on_network
from netcorr.position.pair import locate_pair, path_speeds
from netcorr.position.settings import LocateSettings
from netcorr.position.sites import Site, find_sites
from netcorr.position.travel import PathTimes, path_times

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from netcorr.delay.drift import DriftEstimate
    from netcorr.delay.evidence import DelayEvidence
    from netcorr.delay.prepare import PreparedRecording
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.path.correlation_path import CorrelationPath
    from netcorr.recordings import SurveyRecordings
    from netcorr.recordings.recording import Round
    from netcorr.speed.wave_speed import WaveSpeed


@dataclass(frozen=True, eq=False)
class _PlannedPair:
    """A pair worth comparing: its path, speeds and times."""

    a: Site
    b: Site
    path: CorrelationPath
    speeds: tuple[WaveSpeed, ...]
    times: PathTimes


def locate_survey(
    network: PipeNetwork,
    recordings: SurveyRecordings,
    *,
    settings: LocateSettings | None = None,
    feedback: Feedback | None = None,
) -> SurveyFix:
    """Locate what all rounds of a survey have in common.

    Parameters
    ----------
    network : PipeNetwork
        The map.
    recordings : SurveyRecordings
        Recordings in rounds, aligned, and those that could not be used.
    settings : LocateSettings, optional
        Defaults when not given.
    feedback : Feedback, optional
        Progress and cancelling.

    Returns
    -------
    SurveyFix
        Every pair's answer and all candidates, ranked.

    Raises
    ------
    PositionError
        If no two loggers are within reach of each other, or a logger stands at two fittings.
    NetcorrError
        If a fitting, a path or a pipe on it is at fault; the message says which.
    """
    settings = settings or LocateSettings()
    feedback = feedback or NoFeedback()
    rounds = recordings.rounds
    sites = find_sites(network, rounds, settings=settings)
    planned, notes = _plan_pairs(network, sites, settings=settings)
    longest_s = max(pair.times.longest_delay_s for pair in planned)
    spectra = PreparedRounds(rounds, longest_s, settings.band_hz)
    planned, left_out, note = worth_comparing(planned, spectra)
    notes += [note] if note else []
    drifts = clock_drifts(planned, spectra)
    compared: dict[tuple[str, str], list[tuple[DelayEvidence, float]]] = {
        (p.a.logger, p.b.logger): [] for p in planned
    }
    for done, one in enumerate(rounds):
        check_cancelled(feedback)
        feedback.progress(done / (len(rounds) + 1), f"round {one.number}")
        prepared = spectra.of(one)
        for pair in planned:
            check_cancelled(feedback)
            if pair.a.logger in prepared and pair.b.logger in prepared:
                compared[pair.a.logger, pair.b.logger].append(
                    _compare(pair, prepared, one=one, drifts=drifts, settings=settings)
                )
    feedback.progress(len(rounds) / (len(rounds) + 1), "weighing the rounds")
    fixes: list[tuple[PairFix, PathTimes]] = []
    for pair in planned:
        check_cancelled(feedback)
        if of_pair := compared[pair.a.logger, pair.b.logger]:
            fixes.append(_locate(pair, of_pair, network=network, settings=settings))
    check_cancelled(feedback)
    fix = _survey_fix(network, recordings, tuple(fix for fix, _ in fixes), settings=settings, notes=notes)
    if len(fixes) > 1:
        fix = _weighed_together(fix, sites, fixes, settings=settings)
    feedback.progress(1.0, "located")
    return replace(fix, left_out=left_out)


def _weighed_together(
    fix: SurveyFix,
    sites: Sequence[Site],
    fixes: Sequence[tuple[PairFix, PathTimes]],
    *,
    settings: LocateSettings,
) -> SurveyFix:
    """Replace the answers of single pairs by the one of all pairs together."""
    together = locate_on_network(fix.network, sites, fixes, settings=settings)
    pairs = tuple(
        replace(
            pair,
            candidates=tuple(
                one
                for one in together.candidates
                if (one.sensor_a, one.sensor_b) == (pair.path.sensor_a, pair.path.sensor_b)
            ),
        )
        for pair in fix.pairs
    )
    return replace(
        fix,
        pairs=pairs,
        candidates=together.candidates,
        likelihood=together.likelihood,
        speeds=learned_scales(together.speeds, settings.calibration),
        notes=fix.notes + together.notes,
    )


def _plan_pairs(
    network: PipeNetwork, sites: Sequence[Site], *, settings: LocateSettings
) -> tuple[list[_PlannedPair], list[str]]:
    """Pairs within reach with their paths; with more than two loggers, a pair without one is only noted."""
    planned: list[_PlannedPair] = []
    notes: list[str] = []
    failures: list[NetcorrError] = []
    for a, b in combinations(sites, 2):
        try:
            path = correlation_path(
                network, a.fitting, fitting_b=b.fitting, lead_a_m=a.lead_m, lead_b_m=b.lead_m
            )
        except PathError as error:
            failures.append(error)
            notes.append(f"{a.logger} and {b.logger} were not compared: {error}")
            continue
        if path.length_m > settings.reach_m:
            notes.append(
                f"{a.logger} and {b.logger} were not compared: {path.length_m:.0f} m apart along the main, "
                f"reach is {settings.reach_m:.0f} m"
            )
            continue
        speeds = path_speeds(path, settings=settings, source=network.source)
        clock_sd_s = (a.clock_sd_s**2 + b.clock_sd_s**2) ** 0.5
        times = path_times(path, speeds, settings=settings, clock_sd_s=clock_sd_s)
        planned.append(_PlannedPair(a, b, path, speeds, times))
    if not planned and failures:
        raise failures[0]
    if not planned:
        raise PositionError(
            "survey",
            found="no two loggers to compare" + (f" ({'; '.join(notes)})" if notes else ""),
            remedy="place at least two loggers on the same pipes, nearer to each other",
        )
    notes += sorted({text for site in sites for text in site.assumptions})
    notes += calibration_notes(((pair.path, pair.speeds) for pair in planned), settings.calibration)
    return planned, notes


def _compare(
    pair: _PlannedPair,
    prepared: Mapping[str, PreparedRecording],
    *,
    one: Round,
    drifts: Mapping[tuple[str, str], DriftEstimate],
    settings: LocateSettings,
) -> tuple[DelayEvidence, float]:
    """Evidence of one pair in one round, and what is uncertain of its delay because of drift. [s]"""
    by_logger = {recording.logger: recording for recording in one.recordings}
    a, b = pair.a.logger, pair.b.logger
    return compare(
        prepared[a],
        prepared[b],
        recordings=(by_logger[a], by_logger[b]),
        max_delay_s=pair.times.longest_delay_s,
        band_hz=settings.band_hz,
        round_number=one.number,
        dispersion=pair.times.dispersion,
        drift=drifts.get((a, b)),
    )


def _locate(
    pair: _PlannedPair,
    compared: Sequence[tuple[DelayEvidence, float]],
    *,
    network: PipeNetwork,
    settings: LocateSettings,
) -> tuple[PairFix, PathTimes]:
    """Weigh all rounds of one pair; what remains of the drift is part of its clock error."""
    drift_sd_s = max(sd_s for _, sd_s in compared)
    times = replace(pair.times, clock_sd_s=math.hypot(pair.times.clock_sd_s, drift_sd_s))
    fix = locate_pair(
        pair.path,
        [evidence for evidence, _ in compared],
        times=times,
        speeds=pair.speeds,
        network=network,
        settings=settings,
    )
    return fix, times


def _survey_fix(
    network: PipeNetwork,
    recordings: SurveyRecordings,
    fixes: tuple[PairFix, ...],
    *,
    settings: LocateSettings,
    notes: Sequence[str],
) -> SurveyFix:
    """Bring the pairs together."""
    if not fixes:
        raise PositionError(
            "survey",
            found="no round in which two loggers within reach of each other both recorded",
            remedy="see the recordings that were refused, and record again",
        )
    return SurveyFix(
        network=network,
        rounds=recordings.rounds,
        pairs=fixes,
        candidates=ranked([candidate for fix in fixes for candidate in fix.candidates]),
        rejected=recordings.rejected,
        map_accuracy_m=settings.map_accuracy_m,
        notes=tuple(notes),
    )
