"""The tables of deployments: read back by the reader of recordings, never written over filled ones."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from netcorr.errors import ExportError, RecordingError
from netcorr.export.plan.deployments import COLUMNS, deployment_files, write_deployments
from netcorr.recordings import read_deployments

if TYPE_CHECKING:
    from tests.export.plan.conftest import Round


def test_only_the_recordings_are_missing(round_of_town: Round, tmp_path: Path) -> None:
    one = round_of_town
    files = write_deployments(one.plan, one.timetable, tmp_path / "night.csv", addresses=one.addresses)
    assert len(files) == len(one.timetable.setups)
    crs = one.plan.mains.network.crs
    places = one.plan.mains.network.fittings.geometry.to_crs(4326)
    assert crs is not None
    for file, setup in zip(files, one.timetable.setups, strict=True):
        with pytest.raises(RecordingError, match="column recording: empty"):
            read_deployments(file)
        table = pd.read_csv(file, dtype=str, keep_default_na=False)
        assert tuple(table.columns) == COLUMNS
        table["recording"] = [f"{k}.wav" for k in range(len(table))]
        table.to_csv(file, index=False)
        rows = read_deployments(file)
        fitting = one.plan.problem.sites.fitting
        loggers = {logger: str(fitting[site]) for logger, site in setup.loggers.items()}
        assert {row.logger: row.fitting for row in rows} == loggers
        assert sorted({row.start for row in rows if row.start}) == list(setup.recordings)
        assert len(rows) == len(loggers) * one.timetable.pace.rounds
        for row in rows:
            assert row.lon_lat == pytest.approx(places.loc[row.fitting].coords[0], abs=1e-6)


def test_a_table_with_recordings_is_never_written_over(round_of_town: Round, tmp_path: Path) -> None:
    one = round_of_town
    target = tmp_path / "night.csv"
    files = write_deployments(one.plan, one.timetable, target, addresses={})
    write_deployments(one.plan, one.timetable, target, addresses={})
    table = pd.read_csv(files[-1], dtype=str, keep_default_na=False)
    table.loc[0, "recording"] = "a.wav"
    table.to_csv(files[-1], index=False)
    before = [file.read_bytes() for file in files]
    with pytest.raises(ExportError, match="recordings are filled in already, in 1 of"):
        write_deployments(one.plan, one.timetable, target, addresses={})
    assert [file.read_bytes() for file in files] == before
    files[0].write_text("something else\n1\n", encoding="utf-8")
    with pytest.raises(ExportError, match="no table of deployments"):
        write_deployments(one.plan, one.timetable, target, addresses={})


def test_names_of_the_files() -> None:
    assert deployment_files(Path("a.csv"), 1) == (Path("a.csv"),)
    names = [file.name for file in deployment_files(Path("x/a.csv"), 11)]
    assert names[0] == "a_setup01.csv"
    assert names[-1] == "a_setup11.csv"
