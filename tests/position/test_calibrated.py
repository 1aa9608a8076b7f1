"""Speeds that confirmed finds taught replace the tables', and the survey says so."""

from __future__ import annotations

import pytest

from netcorr.position import LocateSettings, path_speeds
from netcorr.position.calibrated import calibration_notes
from netcorr.speed import Calibration, SpeedScale
from tests.position.conftest import path_of

KNOWN = Calibration((SpeedScale("grey_iron", 0.95, 0.01, 4),), source="speeds.toml")
OTHER = Calibration((SpeedScale("pe", 1.05, 0.02, 1),), source="speeds.toml")


def test_a_calibration_moves_and_narrows_the_speeds() -> None:
    path = path_of([40.0, 50.0])
    tables = path_speeds(path, settings=LocateSettings())
    learned = path_speeds(path, settings=LocateSettings(calibration=KNOWN))
    for before, after in zip(tables, learned, strict=True):
        assert after.speed_m_s == pytest.approx(0.95 * before.speed_m_s)
        assert after.common_sd_m_s < before.common_sd_m_s
        assert "times 0.950 from 4 confirmed surveys" in after.source


def test_other_materials_keep_the_tables() -> None:
    path = path_of([40.0])
    assert path_speeds(path, settings=LocateSettings(calibration=OTHER)) == path_speeds(
        path, settings=LocateSettings()
    )


def test_what_was_used_is_said_once() -> None:
    path = path_of([40.0, 50.0])
    speeds = path_speeds(path, settings=LocateSettings(calibration=KNOWN))
    assert calibration_notes([(path, speeds)] * 2, KNOWN) == (
        "wave speed in grey_iron: 0.950 times that of the tables, known to 1.1 %, from 4 confirmed surveys "
        "(speeds.toml)",
    )


def test_what_the_file_does_not_hold_is_said() -> None:
    path = path_of([40.0])
    speeds = path_speeds(path, settings=LocateSettings())
    assert calibration_notes([(path, speeds)], OTHER) == (
        "speeds.toml holds nothing for some pipes of grey_iron: their speeds are the tables'",
    )
    assert calibration_notes([(path, speeds)], None) == ()
