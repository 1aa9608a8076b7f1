"""Wave speeds from the survey itself: told, with their error, and kept for the next survey."""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations, pairwise
from typing import Any

import pytest

from netcorr.network import PipeNetwork
from netcorr.position import LocateSettings
from netcorr.position.network.learned import LearnedSpeed, known_scale
from netcorr.position.network.locate import NetworkFix, locate_on_network
from netcorr.position.sites import Site
from netcorr.speed import pipe_wave_speed
from netcorr.speed.calibration import Calibration, SpeedScale, calibration_toml, read_calibration

Maker = Callable[..., Any]

AT = {"V1": 0.0, "V2": 90.0, "V3": 180.0, "V4": 260.0, "V5": 350.0}
CLEAR = 900.0


def located(make_network: Maker, make_pairs: Maker, *, scale: float, leak_m: float) -> NetworkFix:
    """Four mains of ductile iron in a row, all of them off the tables by one factor."""
    ends = list(AT.values())
    mains = {f"M{k}": [(a, 0), (b, 0)] for k, (a, b) in enumerate(pairwise(ends))}
    attributes = {name: {"material": "ductile_iron", "year": 1985.0} for name in mains}
    network: PipeNetwork = make_network(
        mains, {name: (at, 0) for name, at in AT.items()}, attributes=attributes
    )
    c = scale * pipe_wave_speed("ductile_iron", 150.0, year=1985.0).speed_m_s
    delays = {
        (a, b): {(abs(leak_m - AT[b]) - abs(leak_m - AT[a])) / c: CLEAR} for a, b in combinations(AT, 2)
    }
    sites = [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(AT)]
    return locate_on_network(network, sites, make_pairs(network, list(AT), delays), settings=LocateSettings())


@pytest.mark.parametrize("scale", [0.97, 1.0, 1.03])
def test_speed_within_one_percent_of_the_truth(make_network: Maker, make_pairs: Maker, scale: float) -> None:
    [speed] = located(make_network, make_pairs, scale=scale, leak_m=130.0).speeds
    assert speed.group == "ductile_iron"
    assert speed.scale == pytest.approx(scale, abs=0.01)
    assert abs(speed.scale - scale) < 3 * speed.scale_sd < 0.04


def test_it_is_told_and_kept(make_network: Maker, make_pairs: Maker, tmp_path: Any) -> None:
    fix = located(make_network, make_pairs, scale=0.97, leak_m=130.0)
    [speed] = fix.speeds
    assert any("wave speed in ductile iron by this survey itself" in note for note in fix.notes)
    scale = speed.as_scale()
    assert scale is not None
    file = tmp_path / "speeds.toml"
    file.write_text(calibration_toml(Calibration((scale,))), encoding="utf-8")
    again = read_calibration(file).scale_of("ductile_iron")
    assert again is not None
    assert again.scale == pytest.approx(speed.scale)
    assert again.surveys == 1


def test_nothing_is_said_of_a_material_that_was_not_gone_through(
    make_network: Maker, make_pairs: Maker
) -> None:
    # two mains of iron carry the delays; a stub of each of three other materials is a small share of the time
    ends = list(AT.values())
    mains = {f"M{k}": [(a, 0), (b, 0)] for k, (a, b) in enumerate(pairwise(ends))}
    attributes = {name: {"material": "ductile_iron", "year": 1985.0} for name in mains}
    for k, material in enumerate(("steel", "pvc", "asbestos_cement")):
        mains[f"S{k}"] = [(ends[k], 0), (ends[k], 4)]
        attributes[f"S{k}"] = {"material": material, "year": 1985.0}
    network = make_network(mains, {name: (at, 0) for name, at in AT.items()}, attributes=attributes)
    c = pipe_wave_speed("ductile_iron", 150.0, year=1985.0).speed_m_s
    delays = {(a, b): {(abs(130 - AT[b]) - abs(130 - AT[a])) / c: CLEAR} for a, b in combinations(AT, 2)}
    sites = [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(AT)]
    fix = locate_on_network(network, sites, make_pairs(network, list(AT), delays), settings=LocateSettings())
    assert [speed.group for speed in fix.speeds] == ["ductile_iron"]


def test_a_group_without_a_material_is_not_kept() -> None:
    assert LearnedSpeed("measured", 1.0, 0.01, 1200.0, 0.02).as_scale() is None
    assert LearnedSpeed("pvc", 2.5, 0.01, 1200.0, 0.02).as_scale() is None


def test_it_is_told_against_what_was_known_before() -> None:
    speed = LearnedSpeed("ductile_iron", scale=0.997, scale_sd=0.003, speed_m_s=1195.0, table_sd=0.008)

    def told(calibration: Calibration | None) -> str:
        return speed.told("this survey itself", known=known_scale(speed, calibration))

    by_tables = told(None)
    assert by_tables == speed.told("this survey itself")
    assert by_tables.endswith("(-0.3 % against the tables, which say it to 0.8 %)")
    other = Calibration((SpeedScale("grey_iron", scale=0.96, scale_sd=0.008, surveys=1),))
    assert told(other) == by_tables
    known = Calibration((SpeedScale("ductile_iron", scale=0.96, scale_sd=0.008, surveys=1),))
    assert told(known).endswith("(-0.3 % against what was known before, to 0.8 %)")
