"""Pairs of a survey within reach of each other: path, speeds and times, and how they are compared."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING

from netcorr.delay import shifted
from netcorr.errors import NetcorrError, PathError, PositionError
from netcorr.path import correlation_path, fittings_within
from netcorr.position.calibrated import calibration_notes
from netcorr.position.compare import compare
from netcorr.position.pair import path_speeds
from netcorr.position.travel import PathTimes, path_times

if TYPE_CHECKING:
    from collections.abc import Sequence

    from netcorr.delay.drift import DriftEstimate
    from netcorr.delay.evidence import DelayEvidence
    from netcorr.delay.prepare import PreparedRecording
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.path.correlation_path import CorrelationPath
    from netcorr.position.settings import LocateSettings
    from netcorr.position.sites import Site
    from netcorr.recordings.recording import Round
    from netcorr.speed.wave_speed import WaveSpeed


#: Of more loggers than this, pairs beyond reach are counted and not listed, and no path is sought for them.
MANY_LOGGERS = 8


@dataclass(frozen=True, eq=False)
class PlannedPair:
    """A pair worth comparing.

    Attributes
    ----------
    a, b : Site
        Where the two loggers stand.
    path : CorrelationPath
        From A to B.
    speeds : tuple of WaveSpeed
        One for each segment of it.
    times : PathTimes
        Along it.
    offset_s : float
        Known offset of B's clock against A's, to be taken off every delay. [s]
    """

    a: Site
    b: Site
    path: CorrelationPath
    speeds: tuple[WaveSpeed, ...]
    times: PathTimes
    offset_s: float = 0.0


@dataclass(frozen=True)
class KnownClocks:
    """What is known of clocks beyond the table.

    Attributes
    ----------
    between : mapping of (str, str) to (float, float)
        For loggers A and B: B's clock minus A's, and the standard deviation of what remains. [s]
    """

    between: Mapping[tuple[str, str], tuple[float, float]] = field(default_factory=dict)

    def of(self, a: Site, b: Site) -> tuple[float, float]:
        """Offset and standard deviation of two clocks; by the table where nothing else is known. [s]"""
        stated_s = math.hypot(a.clock_sd_s, b.clock_sd_s)
        offset_s, sd_s = self.between.get((a.logger, b.logger), (0.0, stated_s))
        return offset_s, min(sd_s, stated_s)


def plan_pairs(
    network: PipeNetwork,
    sites: Sequence[Site],
    *,
    settings: LocateSettings,
    clocks: KnownClocks | None = None,
) -> tuple[list[PlannedPair], list[str]]:
    """Pairs within reach with their paths; with more than two loggers, a pair without one is only noted.

    Parameters
    ----------
    network : PipeNetwork
        The map.
    sites : sequence of Site
        Where the loggers stand.
    settings : LocateSettings
        Reach, water temperature, calibration.
    clocks : KnownClocks, optional
        Offsets beyond those of the table.

    Returns
    -------
    (list of PlannedPair, list of str)
        The pairs; what was not compared and what was assumed.

    Raises
    ------
    PositionError
        If there is no pair.
    PathError
        If there is none because no path joins the loggers.
    """
    clocks = clocks or KnownClocks()
    planned: list[PlannedPair] = []
    failures: list[NetcorrError] = []
    candidates, notes = _within_reach(network, sites, reach_m=settings.reach_m)
    for a, b in candidates:
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
        planned.append(_planned(a, b, path, network, settings=settings, clocks=clocks))
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


def _within_reach(
    network: PipeNetwork, sites: Sequence[Site], *, reach_m: float
) -> tuple[list[tuple[Site, Site]], list[str]]:
    """Pairs worth a path, of many loggers only those within reach, and what to say of the others."""
    pairs = list(combinations(sites, 2))
    if len(sites) <= MANY_LOGGERS:
        return pairs, []
    fittings = [site.fitting for site in sites]
    reached = {
        fitting: fittings_within(network, fitting, others=fittings, limit_m=reach_m) for fitting in fittings
    }
    near = [(a, b) for a, b in pairs if b.fitting in reached[a.fitting]]
    notes = []
    if len(near) < len(pairs):
        notes.append(
            f"{len(pairs) - len(near)} of {len(pairs)} pairs of loggers were not compared: no way of "
            f"{reach_m:.0f} m or less along open mains joins them"
        )
    alone = [site for site in sites if not any(site in pair for pair in near)]
    notes += [
        f"{site.logger} was compared with none: no other logger stands within {reach_m:.0f} m along the main"
        for site in alone
    ]
    return near, notes


def _planned(
    a: Site,
    b: Site,
    path: CorrelationPath,
    network: PipeNetwork,
    *,
    settings: LocateSettings,
    clocks: KnownClocks,
) -> PlannedPair:
    speeds = path_speeds(path, settings=settings, source=network.source)
    offset_s, clock_sd_s = clocks.of(a, b)
    times = path_times(path, speeds, settings=settings, clock_sd_s=clock_sd_s)
    return PlannedPair(a, b, path, speeds, times, offset_s)


def with_known(
    pair: PlannedPair, network: PipeNetwork, *, settings: LocateSettings, clocks: KnownClocks
) -> PlannedPair:
    """The same pair with what is known now of speeds and clocks.

    Parameters
    ----------
    pair : PlannedPair
        As it was.
    network : PipeNetwork
        The map.
    settings : LocateSettings
        Speeds.
    clocks : KnownClocks
        Offsets.

    Returns
    -------
    PlannedPair
        On the same path.
    """
    return _planned(pair.a, pair.b, pair.path, network, settings=settings, clocks=clocks)


def compare_planned(
    pair: PlannedPair,
    prepared: Mapping[str, PreparedRecording],
    *,
    one: Round,
    drifts: Mapping[tuple[str, str], DriftEstimate],
    settings: LocateSettings,
    beside: bool = True,
) -> tuple[DelayEvidence, float]:
    """Evidence of one pair in one round, known offsets of the clocks taken out.

    Parameters
    ----------
    pair : PlannedPair
        The pair.
    prepared : mapping of str to PreparedRecording
        Spectra of the round by logger.
    one : Round
        The round.
    drifts : mapping of (str, str) to DriftEstimate
        Drift of each pair of clocks from all rounds.
    settings : LocateSettings
        Band.
    beside : bool
        Whether it is worked out what is left beside the strongest delay: a pair that stands alone tells a
        second leak by it.

    Returns
    -------
    evidence : DelayEvidence
        Of the round.
    drift_sd_s : float
        What is uncertain of its delay because of drift. [s]
    """
    by_logger = {recording.logger: recording for recording in one.recordings}
    a, b = pair.a.logger, pair.b.logger
    evidence, drift_sd_s = compare(
        prepared[a],
        prepared[b],
        recordings=(by_logger[a], by_logger[b]),
        max_delay_s=pair.times.longest_delay_s + abs(pair.offset_s),
        band_hz=settings.band_hz,
        round_number=one.number,
        dispersion=pair.times.dispersion,
        drift=drifts.get((a, b)),
        beside=beside,
    )
    return (shifted(evidence, pair.offset_s) if pair.offset_s else evidence), drift_sd_s
