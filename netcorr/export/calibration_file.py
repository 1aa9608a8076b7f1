"""A calibration to its file: complete, or not there at all."""

from __future__ import annotations

from pathlib import Path

from netcorr.errors import ExportError, SpeedError
from netcorr.export.safe_file import check_folder, replacing
from netcorr.speed import Calibration, calibration_toml, read_calibration


def write_calibration(calibration: Calibration, target: Path) -> None:
    """Write what was learned about speeds.

    Parameters
    ----------
    calibration : Calibration
        What was learned; without any group the file says so, and the tables hold.
    target : pathlib.Path
        TOML file to write; an earlier calibration is replaced.

    Raises
    ------
    ExportError
        If another file has that name, or it cannot be written.
    """
    check_folder(target)
    if target.exists():
        try:
            read_calibration(target)
        except SpeedError as error:
            raise ExportError(
                str(target),
                found="it exists and is no calibration file",
                remedy="choose another name, or move that file away first",
            ) from error
    with replacing(target) as draft:
        draft.write_text(calibration_toml(calibration), encoding="utf-8")
