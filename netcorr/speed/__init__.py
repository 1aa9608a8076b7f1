"""Pipe to wave speed and attenuation: pure numbers, each with its source."""

from netcorr.speed.section import PipeWall
from netcorr.speed.soil import LOOSE_SOIL, SATURATED_SOIL, Soil
from netcorr.speed.water import Water, water_at
from netcorr.speed.wave_speed import WaveSpeed
from netcorr.speed.wavenumber import (
    TYPICAL_EXTRA_LOSS_FACTOR,
    attenuation_db_m,
    highest_frequency_hz,
    phase_speed_m_s,
    pipe_wavenumber,
)

__all__ = [
    "LOOSE_SOIL",
    "SATURATED_SOIL",
    "TYPICAL_EXTRA_LOSS_FACTOR",
    "PipeWall",
    "Soil",
    "Water",
    "WaveSpeed",
    "attenuation_db_m",
    "highest_frequency_hz",
    "phase_speed_m_s",
    "pipe_wavenumber",
    "water_at",
]
