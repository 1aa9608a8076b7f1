"""A survey small enough to be made in a test: two mains in line, two loggers, a leak between them."""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from shapely import LineString, Point

#: What the survey was made with: 45 m from V1 on 120 m of main, at one stated speed.
LEAK_FROM_A_M = 45.0
LENGTH_M = 120.0
SPEED_M_S = 1250.0
RATE_HZ = 4000
DURATION_S = 6.0
EAST, NORTH = 500_000.0, 5_400_000.0  # EPSG:25832 on its central meridian, where the scale is 0.9996


def place(along_m: float, across_m: float = 0.0) -> tuple[float, float]:
    """Give the coordinates of a point by ground distances."""
    return EAST + across_m * 0.9996, NORTH + along_m * 0.9996


def delayed(noise: NDArray[np.float64], delay_s: float) -> NDArray[np.float64]:
    """Noise that arrives later by any fraction of a sample."""
    frequency_hz = np.fft.rfftfreq(noise.size, 1 / RATE_HZ)
    spectrum = np.fft.rfft(noise) * np.exp(-2j * np.pi * frequency_hz * delay_s)
    return np.fft.irfft(spectrum, noise.size)


def heard(rng: np.random.Generator, *, leak: bool) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Make what both loggers record: leak noise of 100 to 900 Hz, and noise of their own."""
    n = int(RATE_HZ * DURATION_S)
    spectrum = np.fft.rfft(rng.standard_normal(n))
    frequency_hz = np.fft.rfftfreq(n, 1 / RATE_HZ)
    spectrum[(frequency_hz < 100) | (frequency_hz > 900)] = 0
    source = np.fft.irfft(spectrum, n) * (1.5 if leak else 0.0)
    a = delayed(source, LEAK_FROM_A_M / SPEED_M_S) + rng.standard_normal(n)
    b = delayed(source, (LENGTH_M - LEAK_FROM_A_M) / SPEED_M_S) + rng.standard_normal(n)
    return 0.05 * a, 0.05 * b


@dataclass
class SmallSurvey:
    """Parts of the survey, to be spoilt by a test before they are written."""

    folder: Path
    mains: gpd.GeoDataFrame
    fittings: gpd.GeoDataFrame
    rows: list[dict[str, Any]]
    sounds: dict[str, NDArray[np.float64]]
    rates: dict[str, int] = field(default_factory=dict)

    @property
    def network(self) -> Path:
        return self.folder / "town.gpkg"

    @property
    def table(self) -> Path:
        return self.folder / "deployments.csv"

    @property
    def output(self) -> Path:
        return self.folder / "out" / "result.gpkg"

    @property
    def words(self) -> list[str]:
        """Give the command that runs it."""
        return ["locate", str(self.network), str(self.table), "-o", str(self.output)]

    def write(self) -> SmallSurvey:
        """Write everything and an empty folder for the result."""
        self.output.parent.mkdir(exist_ok=True)
        if len(self.mains):
            self.mains.to_file(self.network, layer="mains")
        self.fittings.to_file(self.network, layer="fittings")
        columns = list(dict.fromkeys(name for row in self.rows for name in row))
        with self.table.open("w", newline="", encoding="utf-8") as stream:
            writer = csv.DictWriter(stream, columns)
            writer.writeheader()
            writer.writerows(self.rows)
        for name, samples in self.sounds.items():
            rate = self.rates.get(name, RATE_HZ)
            soundfile.write(self.folder / name, samples, rate, subtype="FLOAT")
        return self


def small_survey(folder: Path, *, leak: bool = True) -> SmallSurvey:
    """Build the survey in memory."""
    rng = np.random.default_rng(20260301)
    mains = gpd.GeoDataFrame(
        {
            "asset_id": ["M1", "M2"],
            "material": ["ductile iron", "ductile iron"],
            "diameter_mm": [150.0, 150.0],
            "wave_speed": [SPEED_M_S, SPEED_M_S],
        },
        geometry=[LineString([place(-30), place(60)]), LineString([place(60), place(150)])],
        crs="EPSG:25832",
    )
    fittings = gpd.GeoDataFrame(
        {"asset_id": ["V1", "V2"], "kind": ["valve", "valve"]},
        geometry=[Point(place(0)), Point(place(LENGTH_M))],
        crs="EPSG:25832",
    )
    rows, sounds = [], {}
    for number in (1, 2):
        for fitting, samples in zip(("V1", "V2"), heard(rng, leak=leak), strict=True):
            name = f"{fitting}_{number}.wav"
            sounds[name] = samples
            rows.append(
                {
                    "logger": f"L{fitting[1]}",
                    "fitting": fitting,
                    "recording": name,
                    "start": f"2026-03-01T02:0{number}:00Z",
                    "clock_sd_ms": 0.1,
                }
            )
    return SmallSurvey(folder, mains, fittings, rows, sounds)


@pytest.fixture
def survey(tmp_path: Path) -> SmallSurvey:
    """Give a survey with a leak 45 m from V1 along 120 m of main."""
    return small_survey(tmp_path)


@pytest.fixture
def quiet_survey(tmp_path: Path) -> SmallSurvey:
    """Give the same without a leak."""
    (tmp_path / "quiet").mkdir()
    return small_survey(tmp_path / "quiet", leak=False)
