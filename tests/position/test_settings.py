"""Settings that cannot be right are refused by name."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import pytest

from netcorr.errors import PositionError
from netcorr.position import LocateSettings


def test_defaults_are_allowed() -> None:
    setting = LocateSettings()
    assert setting == dataclasses.replace(setting)
    assert 0.9 <= setting.level < 1


@pytest.mark.parametrize(
    "name",
    [
        "temperature_sd_c",
        "map_accuracy_m",
        "length_sd_m",
        "length_sd_share",
        "clock_sd_s",
        "model_sd_m",
        "lead_sd_share",
    ],
)
@pytest.mark.parametrize("value", [-0.1, math.nan, math.inf])
def test_spreads_are_finite_and_not_negative(name: str, value: float) -> None:
    wrong: dict[str, Any] = {name: value}
    zero: dict[str, Any] = {name: 0.0}
    with pytest.raises(PositionError, match=f"setting {name}: .*; give 0 or a positive number"):
        LocateSettings(**wrong)
    assert getattr(LocateSettings(**zero), name) == 0


@pytest.mark.parametrize(
    "name",
    ["clock_jitter_share", "level", "passing_share", "covering_share", "prior_between", "prior_beyond"],
)
@pytest.mark.parametrize("value", [0.0, 1.0, 95.0, math.nan])
def test_shares_lie_between_0_and_1(name: str, value: float) -> None:
    wrong: dict[str, Any] = {name: value}
    with pytest.raises(PositionError, match=f"setting {name}: .*between 0 and 1"):
        LocateSettings(**wrong)


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"prior_between": 0.7, "prior_beyond": 0.4}, "there may be no leak at all"),
        ({"reach_m": 0.0}, "setting reach_m: 0.0; give a positive length"),
        ({"reach_m": math.nan}, "setting reach_m: nan"),
        ({"least_probability": 1.2}, "setting least_probability: 1.2"),
        ({"least_probability": -0.1}, "setting least_probability"),
    ],
)
def test_other_settings_that_cannot_be(changes: dict[str, Any], text: str) -> None:
    with pytest.raises(PositionError, match=text):
        LocateSettings(**changes)


def test_no_limit_to_the_reach_is_allowed() -> None:
    assert LocateSettings(reach_m=math.inf, least_probability=0.0).reach_m == math.inf
