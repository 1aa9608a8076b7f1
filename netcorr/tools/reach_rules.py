"""The options about reach, read: how far leaks are heard on each kind of main."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from netcorr.planning.reach import ReachTable


def reach_table(
    *,
    reach: str | None = None,
    reach_file: Path | None = None,
    source_db: float = 10.0,
    recording_s: float = 10.0,
) -> ReachTable:
    """Read the rules about reach.

    Parameters
    ----------
    reach : str, optional
        As `parse_reach` reads it.
    reach_file : pathlib.Path, optional
        What earlier surveys found, as `read_measured_reach` reads it.
    source_db : float
        Level of the leak's noise over the background. [dB]
    recording_s : float
        Length of recordings. [s]

    Returns
    -------
    ReachTable
        Measured before given before common practice.

    Raises
    ------
    PlanError
        If a rule cannot be right, or the reach is 0 m.
    """
    from dataclasses import replace

    from netcorr.planning.measured_reach import read_measured_reach
    from netcorr.planning.reach import ReachTable, SoundBudget, parse_reach

    table = ReachTable() if reach is None else ReachTable.with_own(parse_reach(reach))
    measured = () if reach_file is None else read_measured_reach(reach_file)
    budget = SoundBudget(source_db=source_db, recording_s=recording_s)
    return replace(table, budget=budget, measured=measured)
