"""Speeds of all mains at once."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from shapely import LineString

from netcorr.errors import SpeedError
from netcorr.layers.alternatives import Alternative
from netcorr.path.correlation_path import PathSegment
from netcorr.planning.edge_speeds import edge_speeds
from netcorr.position.assumed import with_assumed
from netcorr.speed import pipe_wave_speed
from netcorr.speed.calibration import Calibration, SpeedScale
from netcorr.speed.wave_speed import WaveSpeed


def main(name: str, **values: Any) -> dict[str, Any]:
    plain = {"material": "grey_iron", "diameter_mm": 150.0, "wall_mm": math.nan, "year": math.nan}
    return {"pipe_id": name, **plain, "wave_speed_m_s": math.nan, "assumed": "", "could_be": (), **values}


def test_speeds_are_those_of_each_pipe_alone() -> None:
    mains = [main("A"), main("B", year=1890.0), main("C", material="pvc", diameter_mm=110.0), main("A")]
    found = edge_speeds(mains, temperature_c=15.0)
    for k, one in enumerate(mains):
        alone = pipe_wave_speed(one["material"], one["diameter_mm"], year=one["year"], temperature_c=15.0)
        assert found.speed_m_s[k] == alone.speed_m_s
        assert found.common_sd_m_s[k] == alone.common_sd_m_s
        assert found.pipe_sd_m_s[k] == alone.pipe_sd_m_s
    assert found.pipe.tolist() == [0, 1, 2, 0]
    assert found.group[0] == found.group[1] != found.group[2]
    assert found.plastic.tolist() == [False, False, True, False]


def test_a_main_of_which_too_little_is_known_has_no_speed() -> None:
    mains = [main("A", material=None), main("B", diameter_mm=math.nan), main("C", wave_speed_m_s=1100.0)]
    found = edge_speeds(mains)
    assert np.isnan(found.speed_m_s).tolist() == [True, True, False]
    assert found.speed_m_s[2] == 1100.0
    assert found.plastic.tolist() == [True, False, False]


def test_what_finds_taught_counts() -> None:
    known = Calibration((SpeedScale("grey_iron", scale=0.95, scale_sd=0.005, surveys=5),))
    before, after = edge_speeds([main("A")]), edge_speeds([main("A")], calibration=known)
    assert after.speed_m_s[0] == pytest.approx(0.95 * before.speed_m_s[0])
    assert after.common_sd_m_s[0] < before.common_sd_m_s[0]


def test_a_temperature_that_cannot_be_is_told() -> None:
    with pytest.raises(SpeedError, match="temperature"):
        edge_speeds([], temperature_c=80.0)


@pytest.mark.parametrize(
    "could_be",
    [
        None,
        (),
        (Alternative("material", "asbestos_cement", 0.3), Alternative("material", None, 0.1)),
        (
            Alternative("diameter", 100.0, 0.2),
            Alternative("year", 1890.0, 0.4),
            Alternative("diameter", 3.0, 0.1),
        ),
    ],
)
def test_an_assumption_widens_the_speed_as_in_locating(could_be: Any) -> None:
    segment = PathSegment(
        "A", "grey_iron", "CI", 150.0, math.nan, math.nan, math.nan, 50.0, LineString([(0, 0), (1, 0)]), 0, 1,
        assumed="material assumed", could_be=could_be,
    )  # fmt: skip

    def speed_of(one: PathSegment) -> WaveSpeed:
        return pipe_wave_speed(one.material, one.diameter_mm, year=one.year)

    wanted = with_assumed(speed_of(segment), segment, speed_of=speed_of)
    found = edge_speeds([main("A", assumed="material assumed", could_be=could_be)])
    assert found.pipe_sd_m_s[0] == pytest.approx(wanted.pipe_sd_m_s)
    assert found.speed_m_s[0] == wanted.speed_m_s
