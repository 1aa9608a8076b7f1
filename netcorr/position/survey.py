"""A whole survey: every pair of loggers within reach, over all rounds."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from netcorr.delay import shifted
from netcorr.errors import PositionError
from netcorr.feedback import Feedback, NoFeedback, check_cancelled
from netcorr.position.beyond_noise import learn_from_beyond
from netcorr.position.candidates import ranked
from netcorr.position.first_look import PreparedRounds, clock_drifts, worth_comparing
from netcorr.position.fix import PairFix, SurveyFix
from netcorr.position.known_rounds import learn_from_known, split_rounds
from netcorr.position.network.learned import learned_scales
from netcorr.position.network.locate import locate_on_network
from netcorr.position.network.of_pair import likelihood_of_pair
from netcorr.position.pair import locate_pair
from netcorr.position.planned import compare_planned, plan_pairs, with_known
from netcorr.position.settings import LocateSettings
from netcorr.position.side_by_side import side_by_side
from netcorr.position.sites import Site, find_sites
from netcorr.position.travel import PathTimes

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from netcorr.delay.evidence import DelayEvidence
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.position.planned import PlannedPair
    from netcorr.position.taught import Taught
    from netcorr.recordings import SurveyRecordings
    from netcorr.speed.calibration import SpeedScale


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
    sites = find_sites(network, recordings.rounds, settings=settings)
    rounds, known = split_rounds(network, recordings.rounds)
    taught = learn_from_known(network, sites, known, settings=settings, feedback=feedback)
    if not rounds:
        return _only_taught(network, recordings, taught)
    settings = taught.settings
    planned, notes = plan_pairs(network, sites, settings=settings, clocks=taught.clocks)
    notes = [*taught.notes, *notes]
    longest_s = max(pair.times.longest_delay_s + abs(pair.offset_s) for pair in planned)
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
        both = [pair for pair in planned if {pair.a.logger, pair.b.logger} <= prepared.keys()]
        compare = partial(
            compare_planned,
            prepared=prepared,
            one=one,
            drifts=drifts,
            settings=settings,
            beside=len(planned) == 1,
        )
        for pair, found in zip(both, side_by_side(compare, both, feedback=feedback), strict=True):
            compared[pair.a.logger, pair.b.logger].append(found)
    feedback.progress(len(rounds) / (len(rounds) + 1), "weighing the rounds")
    if not taught.scales and not taught.clocks.between:  # a known noise tells more
        taught = learn_from_beyond(network, sites, planned, compared, settings=settings)
        if taught.notes:
            settings = taught.settings
            planned, compared = _with_taught(network, planned, compared, taught)
            notes += taught.notes
    some = [(pair, of_pair) for pair in planned if (of_pair := compared[pair.a.logger, pair.b.logger])]
    fixes = list(side_by_side(partial(_locate, network=network, settings=settings), some, feedback=feedback))
    check_cancelled(feedback)
    fix = _survey_fix(network, recordings, tuple(fix for fix, _ in fixes), settings=settings, notes=notes)
    if len(fixes) > 1:
        fix = _weighed_together(fix, sites, fixes, settings=settings)
    else:
        fix = replace(fix, likelihood=likelihood_of_pair(network, sites, fixes[0], settings=settings))
    feedback.progress(1.0, "located")
    return replace(fix, left_out=left_out, speeds=_together(taught.scales, fix.speeds))


def _with_taught(
    network: PipeNetwork,
    planned: Sequence[PlannedPair],
    compared: Mapping[tuple[str, str], Sequence[tuple[DelayEvidence, float]]],
    taught: Taught,
) -> tuple[list[PlannedPair], dict[tuple[str, str], list[tuple[DelayEvidence, float]]]]:
    """Pairs with the speeds that were taught, and their evidence with the offsets of the clocks taken out."""
    better = [with_known(pair, network, settings=taught.settings, clocks=taught.clocks) for pair in planned]
    moved = {
        (pair.a.logger, pair.b.logger): [
            (shifted(evidence, pair.offset_s - before.offset_s), drift_sd_s)
            for evidence, drift_sd_s in compared[pair.a.logger, pair.b.logger]
        ]
        for pair, before in zip(better, planned, strict=True)
    }
    return better, moved


def _only_taught(network: PipeNetwork, recordings: SurveyRecordings, taught: Taught) -> SurveyFix:
    """The answer of a survey of known noises alone: speeds, no search."""
    return SurveyFix(
        network=network,
        rounds=recordings.rounds,
        pairs=(),
        candidates=(),
        rejected=recordings.rejected,
        map_accuracy_m=taught.settings.map_accuracy_m,
        notes=taught.notes,
        speeds=taught.scales,
    )


def _together(taught: Sequence[SpeedScale], learned: Sequence[SpeedScale]) -> tuple[SpeedScale, ...]:
    """What known noises taught and the survey learned on top of it, the later in place of the earlier."""
    later = {scale.label for scale in learned}
    return (*(scale for scale in taught if scale.label not in later), *learned)


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


def _locate(
    compared_pair: tuple[PlannedPair, Sequence[tuple[DelayEvidence, float]]],
    *,
    network: PipeNetwork,
    settings: LocateSettings,
) -> tuple[PairFix, PathTimes]:
    """Weigh all rounds of one pair; what remains of the drift is part of its clock error."""
    pair, compared = compared_pair
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
