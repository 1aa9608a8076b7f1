"""What a survey says about the speeds that it took from confirmed finds instead of the tables alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netcorr.speed import MEASURED

if TYPE_CHECKING:
    from collections.abc import Iterable

    from netcorr.path.correlation_path import CorrelationPath
    from netcorr.speed.calibration import Calibration
    from netcorr.speed.wave_speed import WaveSpeed


def calibration_notes(
    paths: Iterable[tuple[CorrelationPath, tuple[WaveSpeed, ...]]], calibration: Calibration | None
) -> tuple[str, ...]:
    """Say which speeds rest on confirmed finds.

    Parameters
    ----------
    paths : iterable of (CorrelationPath, tuple of WaveSpeed)
        Paths of the survey with the speeds of their segments.
    calibration : Calibration or None
        What was given.

    Returns
    -------
    tuple of str
        One sentence for each group that was used, but those that the survey taught itself, and one for the
        materials that it does not hold; empty without a calibration.
    """
    if calibration is None or all(scale.same_day for scale in calibration.scales):
        return ()
    used: dict[str, None] = {}
    tables: dict[str, None] = {}
    for path, speeds in paths:
        for segment, speed in zip(path.segments, speeds, strict=True):
            if speed.group == MEASURED:
                continue
            scale = calibration.scale_of(segment.material, diameter_mm=segment.diameter_mm, year=segment.year)
            if scale is None:
                tables[str(segment.material)] = None
                continue
            if scale.same_day:
                continue
            used[
                f"wave speed in {scale.label}: {scale.scale:.3f} times that of the tables, known to "
                f"{100 * scale.scale_sd / scale.scale:.1f} %, from {scale.rests_on} ({calibration.source})"
            ] = None
    missing = ", ".join(sorted(tables))
    left = (
        (f"{calibration.source} holds nothing for some pipes of {missing}: their speeds are the tables'",)
        if tables
        else ()
    )
    return (*used, *left)
