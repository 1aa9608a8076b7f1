"""Rounds in which a noise was made at a known fitting: what they teach the other rounds of their survey."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from netcorr.errors import PositionError
from netcorr.feedback import check_cancelled
from netcorr.position.first_look import PreparedRounds, clock_drifts
from netcorr.position.network.known_noise import choose_peaks, clock_priors, heard_pair, noise_ways
from netcorr.position.network.linear import learn
from netcorr.position.network.pipes import pipes_within_reach
from netcorr.position.planned import compare_planned, plan_pairs
from netcorr.position.taught import Taught, taught_by
from netcorr.speed.calibration import BY_KNOWN_NOISE
from netcorr.units import format_count

if TYPE_CHECKING:
    from netcorr.feedback import Feedback
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.position.network.known_noise import Chosen, HeardPair, NoiseWays
    from netcorr.position.network.linear import Measured
    from netcorr.position.settings import LocateSettings
    from netcorr.position.sites import Site
    from netcorr.recordings.recording import Round


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
    source = f"{BY_KNOWN_NOISE}{' and '.join(dict.fromkeys(fitting for _, fitting in known))}"
    taught = taught_by(
        learn(prior, delays), delays, pipes, sites, settings=settings, source=source, rounds=()
    )
    return replace(taught, notes=(*notes, *taught.notes))


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
                    pair, prepared, one=one, drifts=drifts, settings=settings, beside=False
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
