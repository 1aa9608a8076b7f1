"""One survey with names that try to break out of the page, located and reported once for all tests."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import soundfile
from shapely import LineString, Point

from netcorr.export import StoredResult, read_result
from netcorr.tools import TOOLS

#: Names as a map or a table may hold them; all would run or break a page that does not escape them.
SCRIPT = "<script>window.broken=1</script>"
IMAGE = "\"><img src=x onerror='window.broken=2'>"
BREAK = "</title></style></script><h1>broken</h1>"
TEMPLATE = "{{ 7 * 7 }} & ${8*8}"
SOUND = 'it\'s & "so" <i>.wav'

RATE_HZ = 4000
SPEED_M_S = 1250.0
LENGTH_M, LEAK_M = 120.0, 45.0
EAST, NORTH = 500_000.0, 5_400_000.0


@dataclass(frozen=True)
class Made:
    """Files of the survey."""

    result: Path
    page: Path
    said: str
    table: Path

    @property
    def html(self) -> str:
        """Text of the page."""
        return self.page.read_text(encoding="utf-8")


def _place(along_m: float, across_m: float = 0.0) -> tuple[float, float]:
    return EAST + across_m * 0.9996, NORTH + along_m * 0.9996


def _delayed(noise: np.ndarray, delay_s: float) -> np.ndarray:
    frequency_hz = np.fft.rfftfreq(noise.size, 1 / RATE_HZ)
    return np.fft.irfft(np.fft.rfft(noise) * np.exp(-2j * np.pi * frequency_hz * delay_s), noise.size)


def _write_map(path: Path) -> None:
    mains = gpd.GeoDataFrame(
        {
            "asset_id": ["M1", IMAGE, SCRIPT],
            "material": ["ductile iron", "steel", "grey cast iron"],
            "diameter_mm": [150.0, 110.0, 100.0],
            "wave_speed": [SPEED_M_S, SPEED_M_S, 1200.0],
        },
        geometry=[
            LineString([_place(-30), _place(60)]),
            LineString([_place(60), _place(150)]),
            LineString([_place(60), _place(60, 45)]),
        ],
        crs="EPSG:25832",
    )
    fittings = gpd.GeoDataFrame(
        {"asset_id": [SCRIPT, BREAK, TEMPLATE], "kind": ["valve", "hydrant", "valve"]},
        geometry=[Point(_place(0)), Point(_place(LENGTH_M)), Point(_place(80))],
        crs="EPSG:25832",
    )
    mains.to_file(path, layer="mains")
    fittings.to_file(path, layer="fittings")


def _write_sounds(folder: Path) -> Path:
    rng = np.random.default_rng(20260302)
    n = 6 * RATE_HZ
    rows = []
    for number in (1, 2):
        spectrum = np.fft.rfft(rng.standard_normal(n))
        frequency_hz = np.fft.rfftfreq(n, 1 / RATE_HZ)
        spectrum[(frequency_hz < 100) | (frequency_hz > 900)] = 0
        source = 1.5 * np.fft.irfft(spectrum, n)
        for fitting, logger, away_m in ((SCRIPT, IMAGE, LEAK_M), (BREAK, TEMPLATE, LENGTH_M - LEAK_M)):
            name = SOUND if number == 1 and logger == IMAGE else f"{number}_{len(logger)}.wav"
            heard = _delayed(source, away_m / SPEED_M_S) + rng.standard_normal(n)
            soundfile.write(folder / name, 0.05 * heard, RATE_HZ, subtype="FLOAT")
            start = f"2026-03-01T02:0{number}:00Z"
            rows.append({"logger": logger, "fitting": fitting, "recording": name, "start": start})
    table = folder / "deployments.csv"
    with table.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return table


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Give a survey with a leak 45 m from A, 120 m between the sensors, a side main at 60 m."""
    folder = tmp_path_factory.mktemp("hostile")
    _write_map(folder / "town.gpkg")
    table = _write_sounds(folder)
    result, page = folder / "result.gpkg", folder / "report.html"
    values = {"network": folder / "town.gpkg", "deployments": table, "output": result}
    TOOLS["locate"].run(values)
    said = TOOLS["report"].run({"result": result, "output": page}).text()
    return Made(result, page, said, table)


@pytest.fixture(scope="session")
def stored(made: Made) -> StoredResult:
    """Give its result, read back."""
    return read_result(made.result)
