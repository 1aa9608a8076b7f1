"""A clock error that could explain the answer is said, and one that could not is not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from netcorr.network import PipeNetwork
from netcorr.path import correlation_path
from netcorr.position import LocateSettings, PairFix, locate_pair, path_speeds, path_times

Maker = Callable[..., Any]
SETTINGS = LocateSettings()


@pytest.fixture(scope="module")
def network(make_network: Maker) -> PipeNetwork:
    made: PipeNetwork = make_network({"M1": [(-50, 0), (150, 0)]}, {"V1": (0, 0), "V2": (110, 0)})
    return made


def located(network: PipeNetwork, make_evidence: Maker, *, clock_sd_s: float, heard: bool = True) -> PairFix:
    """A leak 40 m from A on 110 m of main whose speed is known to 0.1 %."""
    path = correlation_path(network, "V1", fitting_b="V2")
    speeds = [
        replace(one, common_sd_m_s=1e-3 * one.speed_m_s, pipe_sd_m_s=0.0)
        for one in path_speeds(path, settings=SETTINGS)
    ]
    times = path_times(path, speeds, settings=SETTINGS, clock_sd_s=clock_sd_s)
    delay_s = float(np.interp(40.0, times.position_m, times.delay_s))
    rounds = [
        make_evidence(times, {delay_s: 25.0} if heard else {}, round_number=number, step_s=5e-5)
        for number in (1, 2)
    ]
    return locate_pair(path, rounds, times=times, speeds=speeds, network=network, settings=SETTINGS)


def of_clocks(fix: PairFix) -> list[str]:
    return [note for note in fix.notes if "clocks" in note and "exchange the two loggers" in note]


def test_clocks_that_could_explain_it_all(network: PipeNetwork, make_evidence: Maker) -> None:
    """25 ms at some 1300 m/s: twice the standard deviation is half of 65 m."""
    (note,) = of_clocks(located(network, make_evidence, clock_sd_s=0.025))
    assert note.startswith("the clocks alone could move the answer by 3")
    assert "on a path of 110 m, so the place may be of their making" in note


def test_clocks_that_are_most_of_what_is_uncertain(network: PipeNetwork, make_evidence: Maker) -> None:
    fix = located(network, make_evidence, clock_sd_s=0.003)
    (note,) = of_clocks(fix)
    assert note.startswith("most of what is uncertain comes from the clocks (3.")
    assert fix.budget is not None
    assert f"({2 * fix.budget.clock_m:.1f} m either way)" in note


@pytest.mark.parametrize("clock_sd_s", [0.0, 1e-4, 3e-4])
def test_good_clocks_are_not_worth_a_word(
    clock_sd_s: float, network: PipeNetwork, make_evidence: Maker
) -> None:
    assert of_clocks(located(network, make_evidence, clock_sd_s=clock_sd_s)) == []


def test_silence_has_no_place_to_explain(network: PipeNetwork, make_evidence: Maker) -> None:
    assert of_clocks(located(network, make_evidence, clock_sd_s=0.025, heard=False)) == []
