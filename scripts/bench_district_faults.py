"""Loggers that are not as the table says: exchanged, at another fitting, with a wrong clock, or deaf."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from functools import partial
from typing import TYPE_CHECKING, Literal

import numpy as np

from netcorr.rehearsal.places import distances_m

if TYPE_CHECKING:
    from netcorr.network import PipeNetwork
    from netcorr.simulation import SimulatedRound
    from netcorr.simulation.survey import SimulatedRecording

Fault = Literal["swapped", "misplaced", "clock", "deaf"]
FAULTS: tuple[Fault, ...] = ("swapped", "misplaced", "clock", "deaf")

#: The fault befalls one of the loggers that hear the leak best, so many of them.
LOUDEST = 4
#: A logger is noted at another fitting no farther away than this along the mains, and no nearer. [m]
NEAREST_M, FARTHEST_M = 20.0, 250.0
#: A wrong clock is off by so much, either way. [s]
LEAST_LATE_S, MOST_LATE_S = 0.005, 0.06

Rounds = tuple["SimulatedRound", ...]


def with_fault(
    rng: np.random.Generator, rounds: Rounds, fault: Fault, *, network: PipeNetwork
) -> tuple[Rounds, tuple[str, ...]]:
    """Spoil a survey in one way.

    Parameters
    ----------
    rng : numpy.random.Generator
        Who is struck, and how.
    rounds : tuple of SimulatedRound
        As they were recorded.
    fault : Fault
        What is wrong.
    network : PipeNetwork
        For other fittings.

    Returns
    -------
    rounds : tuple of SimulatedRound
        As the table and the files then have them.
    at_fault : tuple of str
        Loggers that are not as the table says.
    """
    heard = sorted(rounds[0].recordings, key=lambda item: -item.leak_snr_db)[:LOUDEST]
    if fault == "swapped":
        return _swapped(rng, rounds, heard)
    struck = heard[int(rng.choice(len(heard)))].sensor
    if fault == "misplaced":
        used = {item.sensor.fitting for item in rounds[0].recordings}
        away = distances_m(network, {network.node_of(struck.fitting): 0.0})
        near = [
            str(name)
            for name in network.fittings.index
            if str(name) not in used
            and NEAREST_M <= away.get(network.node_of(str(name)), np.inf) <= FARTHEST_M
        ]
        noted = replace(struck, fitting=str(rng.choice(near)))
        return _changed(rounds, struck.logger, lambda item: replace(item, sensor=noted)), (struck.logger,)
    if fault == "clock":
        late = timedelta(seconds=float(rng.uniform(LEAST_LATE_S, MOST_LATE_S)) * float(rng.choice([-1, 1])))
        # a start that is noted later makes all that is heard later
        return _changed(rounds, struck.logger, lambda item: replace(item, start=item.start + late)), (
            struck.logger,
        )
    return _changed(rounds, struck.logger, lambda item: _noise_of(rng, item)), (struck.logger,)


def _changed(
    rounds: Rounds, logger: str, change: Callable[[SimulatedRecording], SimulatedRecording]
) -> Rounds:
    """Change the recordings of one logger."""
    return tuple(
        replace(
            one,
            recordings=tuple(
                change(item) if item.sensor.logger == logger else item for item in one.recordings
            ),
        )
        for one in rounds
    )


def _swapped(
    rng: np.random.Generator, rounds: Rounds, heard: list[SimulatedRecording]
) -> tuple[Rounds, tuple[str, ...]]:
    """Two loggers that hear the leak well are noted at each other's fitting."""
    a, b = (heard[int(k)].sensor for k in rng.choice(len(heard), 2, replace=False))
    for one, there in ((a, b), (b, a)):
        noted = replace(one, fitting=there.fitting, lead_m=there.lead_m)
        rounds = _changed(rounds, one.logger, partial(replace, sensor=noted))
    return rounds, (a.logger, b.logger)


def _noise_of(rng: np.random.Generator, item: SimulatedRecording) -> SimulatedRecording:
    """Noise of the same spectrum that has nothing in common with the recording."""
    spectrum = np.abs(np.fft.rfft(item.samples))
    turned = spectrum * np.exp(2j * np.pi * rng.random(spectrum.size))
    return replace(item, samples=np.fft.irfft(turned, item.samples.size).astype(np.float32))
