"""Pipe to wave speed and attenuation: pure numbers, each with its source."""

from netcorr.speed.calibration import Calibration, SpeedScale, calibration_toml, read_calibration
from netcorr.speed.materials import PIPE_MATERIALS, Cited, Material, pipe_material, youngs_modulus_pa
from netcorr.speed.pipe import (
    MEASURED,
    Restraint,
    pipe_wall,
    pipe_wave_speed,
    restraint_factor,
    water_hammer_speed_m_s,
)
from netcorr.speed.section import PipeWall
from netcorr.speed.soil import LOOSE_SOIL, SATURATED_SOIL, Soil
from netcorr.speed.wall import Wall, wall_thickness
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
    "MEASURED",
    "PIPE_MATERIALS",
    "SATURATED_SOIL",
    "TYPICAL_EXTRA_LOSS_FACTOR",
    "Calibration",
    "Cited",
    "Material",
    "PipeWall",
    "Restraint",
    "Soil",
    "SpeedScale",
    "Wall",
    "Water",
    "WaveSpeed",
    "attenuation_db_m",
    "calibration_toml",
    "highest_frequency_hz",
    "phase_speed_m_s",
    "pipe_material",
    "pipe_wall",
    "pipe_wave_speed",
    "pipe_wavenumber",
    "read_calibration",
    "restraint_factor",
    "wall_thickness",
    "water_at",
    "water_hammer_speed_m_s",
    "youngs_modulus_pa",
]
