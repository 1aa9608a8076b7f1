"""Recordings of a leak that is not there, by wave physics on the network."""

from netcorr.simulation.scenario import (
    DrawnLeak,
    Scenario,
    draw_speeds,
    leak_between,
    leak_beyond,
    leak_on_branch,
    pair_of_sensors,
    random_street,
)
from netcorr.simulation.setup import (
    LEAK_SPECTRUM,
    Burst,
    Conditions,
    LeakSource,
    OutsideSource,
    Place,
    SensorSetup,
    Spectrum,
    TrueSpeeds,
    place_on_pipe,
)
from netcorr.simulation.survey import SimulatedRecording, SimulatedRound, simulate_round, simulate_survey
from netcorr.simulation.write import AudioFormat, LoggerRecord, write_survey

__all__ = [
    "LEAK_SPECTRUM",
    "AudioFormat",
    "Burst",
    "Conditions",
    "DrawnLeak",
    "LeakSource",
    "LoggerRecord",
    "OutsideSource",
    "Place",
    "Scenario",
    "SensorSetup",
    "SimulatedRecording",
    "SimulatedRound",
    "Spectrum",
    "TrueSpeeds",
    "draw_speeds",
    "leak_between",
    "leak_beyond",
    "leak_on_branch",
    "pair_of_sensors",
    "place_on_pipe",
    "random_street",
    "simulate_round",
    "simulate_survey",
    "write_survey",
]
